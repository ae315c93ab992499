"""Anything asked of a watchdog, any style of a correct driver, wherever it is late: never accused.

The one idea: steps, a fault, the state before open and two delays are drawn together; what is drawn
stands as it would in a file. One slip in the same driver is accused in some of them.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers_example.watchkeeper import CONTROL, ENABLE, LOCK, OPENS, TIMEOUT, Watchkeeper
from emu.search.schedule import Entry, Point, Schedule
from emu.search.trial import Trying
from tests.device_trial import asked
from tests.quality.test_watchdog_styles import FILES, driver_in

KIND = {"kind": "watchdog", "clock": "100 kHz"}
TICKS = st.sampled_from((1, 3, 20, 50, 100, 200))
GUARDS = st.builds(
    lambda timeout, part, locked: {"guard": timeout, "opens": timeout * part // 4,
                                   "locked": locked},
    TICKS, st.integers(0, 3), st.booleans(),
)  # fmt: skip
STEPS = st.lists(
    st.one_of(
        GUARDS,
        st.builds(lambda ticks: {"wait": f"{10 * ticks} us"}, TICKS),
        st.builds(lambda what: {"stray": what}, st.sampled_from(("feed", "stop", "start"))),
        st.sampled_from(("feed", "causes", "restart", "reopen", "open", "close")),
        st.just("feed"),
    ),
    max_size=12,
)
WINDOWS = st.builds(
    lambda at, length: {"from": f"{at} us", "until": f"{at + length} us"},
    st.integers(0, 3000), st.integers(1, 3000),
)  # fmt: skip
FAULTS = st.builds(
    lambda fault, window: {**fault, **window},
    st.one_of(
        st.builds(lambda kind: {"kind": kind, "target": "panel"},
                  st.sampled_from(("all-ones", "bus-error", "device-stops"))),
        st.builds(lambda name: {"kind": "dropped-write", "target": f"panel.{name}"},
                  st.sampled_from(("CONTROL", "TIMEOUT", "OPENS", "FEED", "CAUSE", "RESET"))),
        st.builds(lambda name, value: {"kind": "stuck-field", "target": f"panel.{name}",
                                       "value": value},
                  st.sampled_from(("STATUS.OPEN", "STATUS.HALF_FED", "CONTROL.LOCK",
                                   "CAUSE.LATE", "COUNT.TICKS")), st.sampled_from((0, 1))),
    ),
    WINDOWS,
)  # fmt: skip
DELAYS = st.builds(
    lambda call, kind, events: Entry(Point(call), kind, events if kind == "stall" else 0),
    st.integers(1, 60), st.sampled_from(("stall", "feed")), st.sampled_from((1, 2, 4)),
)  # fmt: skip
SCHEDULES = st.lists(DELAYS, max_size=2, unique_by=lambda one: one.point).map(
    lambda found: tuple(sorted(found))
)


def failures(
    driver: type, steps: list[Any], faults: list[Any], seed: int, schedule: Schedule
) -> list[str]:
    """Return the rules and promises that speak against a driver."""
    state = [{"kind": "random-state", "target": "panel"}] if seed else []
    scenario = asked(KIND, *steps, callers=["feed"], faults=[*state, *faults], seed=seed)
    return [one.rule for one in Trying(scenario, driver).run(schedule).failures]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
@given(STEPS, st.lists(FAULTS, max_size=1), st.integers(0, 3), SCHEDULES)
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_a_correct_driver_is_never_accused(
    path: Any, steps: list[Any], faults: list[Any], seed: int, schedule: Schedule
) -> None:
    """Whatever is asked and goes wrong, with a delay or two anywhere, nothing is found."""
    assert failures(driver_in(path), steps, faults, seed, schedule) == []


class Slip(Watchkeeper):
    """Changes the window of a watchdog that goes on."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        if self._io.read32(CONTROL) & LOCK:
            return False
        self._io.write32(TIMEOUT, timeout)
        self._io.write32(OPENS, opens)
        self._io.write32(CONTROL, ENABLE | (LOCK if locked else 0))
        return True


def test_a_slip_is_accused_somewhere() -> None:
    """Among what is drawn there is enough to find a slip that only few steps show."""
    found: list[str] = []

    @given(STEPS)
    @settings(max_examples=150)
    def draw(steps: list[Any]) -> None:
        found.extend(failures(Slip, steps, [], 0, ()))

    draw()
    assert "watchdog-set-too-late" in found
