"""What the strategies draw: everything fits, good drivers stand it, and it shrinks to little."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, find, given, settings

from emu.devices.uart16550 import Uart16550
from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.from_python import scenario_of
from emu.scenario.load import load_scenario
from emu.search.schedule import Schedule
from emu.search.trial import Trying
from emu.testing.operations import Operation, Wait, Write
from emu.testing.strategies import (
    BOARD,
    data,
    fault_plans,
    line_settings,
    register_operations,
    scenarios,
    schedules,
    traffic,
)
from emu.units import LineSettings, parse_line

ROOT = Path(__file__).resolve().parents[2]
SLEEPER = load_driver(DriverName.parse("drivers_example/heavy_sleeper.py:HeavySleeper", base=ROOT))
GOOD = load_driver(
    DriverName.parse("drivers_example/interrupt_driven.py:InterruptDriver", base=ROOT)
)
SAME = settings(
    derandomize=True, database=None, deadline=None, max_examples=25,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)  # fmt: skip


@SAME
@given(scenarios(most_steps=3, most=12), schedules(calls=60, most=2))
def test_a_good_driver_stands_whatever_is_drawn(drawn: dict[str, object], late: Schedule) -> None:
    """No scenario and no schedule that is drawn brings a finding against a correct driver."""
    assert Trying(scenario_of(drawn), GOOD).run(late).failures == ()


@SAME
@given(line_settings())
def test_lines_are_lines(line: LineSettings) -> None:
    """Line settings that are drawn can be written as the trade does, and read again."""
    assert parse_line(str(line)) == line


@SAME
@given(schedules(calls=9, steps=2, most=3))
def test_schedules_keep_their_bounds(schedule: Schedule) -> None:
    """A drawn schedule is in order, each point once, within the calls and steps asked for."""
    points = [entry.point for entry in schedule]
    assert points == sorted(set(points))
    assert all(1 <= point.call <= 9 and 0 <= point.step <= 2 for point in points)


def test_the_smallest_of_each_is_little() -> None:
    """Hypothesis shrinks each to what a person would begin with."""
    assert find(data(), lambda _: True, settings=SAME) == "t"
    (entry,) = find(schedules(), lambda _: True, settings=SAME)
    assert entry.point == (1, 0)
    assert str(find(line_settings(), lambda _: True, settings=SAME)).endswith("8N1")
    assert len(find(traffic(), lambda _: True, settings=SAME)) == 1


def test_a_race_shrinks_to_one_delay() -> None:
    """A driver with a race is shown by one delay, however many were drawn at first."""
    trying = Trying(load_scenario(ROOT / "fixtures" / "evening_tide.yaml"), SLEEPER)
    late = find(
        schedules(calls=40, steps=4, most=3, spurious=False),
        lambda one: bool(trying.run(one).failures),
        settings=settings(SAME, max_examples=3000, phases=[Phase.generate, Phase.shrink]),
    )
    assert len(late) == 1


@SAME
@given(fault_plans(port="telemetry", most=2))
def test_fault_plans_can_be_read_by_the_loader(plan: list[dict[str, object]]) -> None:
    """What is drawn stands in a scenario as it is, and names what the board has."""
    drawn = {"scenario": "t", "board": BOARD, "faults": plan}
    assert len(scenario_of(drawn).faults.faults) == len(plan)


@SAME
@given(register_operations(Uart16550))
def test_operations_name_the_registers_of_the_device(operations: list[Operation]) -> None:
    """What is drawn for a device reads and writes its registers, values that fit, and waits."""
    names = {register.name for register in Uart16550.REGISTERS}
    for one in operations:
        assert isinstance(one, Wait) or one.register in names
        assert not isinstance(one, Write) or 0 <= one.value <= 0xFF


class _Refused(AssertionError):
    """What the test below is made to fail with."""


def test_an_example_is_printed_as_it_would_stand_in_a_file() -> None:
    """What a failing test prints is values a person can copy, and names nothing of ours."""

    @settings(SAME, print_blob=False, phases=[Phase.generate], max_examples=200)
    @given(line_settings(), scenarios(), fault_plans(), schedules(most=2))
    def fails(line: LineSettings, scenario: object, plan: list[object], late: Schedule) -> None:
        if plan and late and line.baud and "send" in str(scenario):
            raise _Refused

    with pytest.raises(_Refused) as caught:
        fails()
    printed = "\n".join(caught.value.__notes__)
    assert "'do': [{'" in printed
    assert "LineSettings(baud=" in printed
    assert not re.search(r"\b_?(build|spell|ending|made|fitting)\(|lambda", printed)
