"""Anything asked of pins, any style of a correct driver, wherever it is late: never accused.

The one idea: steps, the outside's level, the state before open and one delay are drawn together;
what is drawn stands as it would in a file. One slip in the same driver is accused in some of them.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers_example.pin_keeper import PinKeeper
from emu.search.schedule import Entry, Point, Schedule
from emu.search.trial import Trying
from tests.device_trial import asked
from tests.quality.test_pin_styles import FILES, driver_in

PINS = st.integers(0, 12)  # another task needs two of its own
LEVELS = st.sampled_from((0, 1))
TIMES = st.sampled_from(("1 us", "3 us", "8 us", "30 us", "120 us", "400 us"))
STEPS = st.lists(
    st.one_of(
        st.builds(lambda pin, level, drain: {"output": pin, "level": level, "open_drain": drain},
                  PINS, LEVELS, st.booleans()),
        st.builds(lambda name, pin: {name: pin}, st.sampled_from(("input", "get", "edges")), PINS),
        st.builds(lambda name, pin, level: {name: pin, "level": level},
                  st.sampled_from(("set", "drive")), PINS, LEVELS),
        st.builds(lambda pin, edge: {"watch": pin, "edge": edge}, PINS,
                  st.sampled_from(("rising", "falling", "both"))),
        st.builds(lambda pin, by: {"follow": pin, "target": (pin + by) % 13}, PINS,
                  st.integers(1, 12)),
        st.builds(lambda pin, length, gap, times: {"pulse": pin, "length": length, "gap": gap,
                                                   "times": times},
                  PINS, TIMES, TIMES, st.integers(1, 9)),
        st.builds(lambda time: {"wait": time}, TIMES),
        st.just("reopen"),
    ),
    max_size=16,
)  # fmt: skip
SCHEDULES = st.builds(
    lambda call, kind, events: (
        Entry(Point(call), kind, events if kind in ("stall", "pause") else 0),
    ),
    st.integers(1, 120),
    st.sampled_from(("stall", "pause", "spurious", "set", "output")),
    st.sampled_from((1, 4, 64)),
)


def failures(driver: type, steps: list[Any], idle: int, seed: int, schedule: Schedule) -> list[str]:
    """Return the rules and promises that speak against a driver."""
    faults = [{"kind": "random-state", "target": "panel"}] if seed else []
    scenario = asked({"kind": "gpio", "idle": idle}, "open", *steps, {"wait": "300 us"},
                     callers=["set", "output"], faults=faults, seed=seed)  # fmt: skip
    return [one.rule for one in Trying(scenario, driver).run(schedule).failures]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
@given(STEPS, LEVELS, st.integers(0, 9), SCHEDULES)
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_a_correct_driver_is_never_accused(
    path: Any, steps: list[Any], idle: int, seed: int, schedule: Schedule
) -> None:
    """Whatever is asked, from whatever state, with one delay anywhere, nothing is found."""
    assert failures(driver_in(path), steps, idle, seed, schedule) == []


class Slip(PinKeeper):
    """Takes an open drain for an ordinary output."""

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        super().output(pin, level)


def test_a_slip_is_accused_somewhere() -> None:
    """Among what is drawn there is enough to find a slip that only few steps show."""
    found: list[str] = []

    @given(STEPS, LEVELS)
    @settings(max_examples=60)
    def draw(steps: list[Any], idle: int) -> None:
        found.extend(failures(Slip, steps, idle, 0, ()))

    draw()
    assert "promise level" in found
