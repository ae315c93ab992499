"""How long a scenario asks for: what no driver can do without, what a good one does with."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.faults.plan import FaultPlan
from emu.faults.spell import fault
from emu.kernel.clock import NEVER_PS, PS_PER_S
from emu.line.plan import BreakPlan, FarEndPlan, NoisePlan, ScriptLine
from emu.scenario.asked import least_ps, limit_ps, most_ps
from emu.scenario.load import load_scenario, parse_scenario
from emu.scenario.model import Limits, Scenario, Step
from emu.units import LineSettings
from tests.driven_run import BOARD, LINE, MS, ROOT

SLOW = LineSettings(300)
SCENARIOS = sorted(
    path
    for path in (ROOT / "fixtures").glob("*.yaml")
    if "\nscenario:" in f"\n{path.read_text(encoding='utf-8')}"
)


def scenario(*steps: Step, **changes: object) -> Scenario:
    """Return a scenario of some steps."""
    plain = Scenario("a trial", BOARD, "telemetry", LINE, FarEndPlan(), steps)
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_nothing_asked_for_takes_no_time() -> None:
    """Opening and closing alone are not bound to take any."""
    assert least_ps(scenario()) == 0


def test_waits_add_up_and_characters_leave_meanwhile() -> None:
    """The longer of the two counts: all waits and work, or all that is sent."""
    steps = (
        Step("send", data=bytes(100)), Step("wait", duration_ps=3 * MS), Step("work", cycles=50_000)
    )  # fmt: skip
    assert least_ps(scenario(*steps)) == 100 * LINE.character_ps
    assert least_ps(scenario(*steps, steps[1], steps[1])) == 10 * MS


def test_ports_send_at_the_same_time() -> None:
    """What two ports send does not add up."""
    both = (Step("send", data=bytes(100)), Step("send", data=bytes(300), by="console"))
    assert least_ps(scenario(*both)) == 300 * LINE.character_ps


def test_a_change_of_settings_counts() -> None:
    """Each character takes as long as the settings say that are in force then."""
    steps = (
        Step("send", data=bytes(10)), Step("line", line=SLOW), Step("send", data=bytes(10))
    )  # fmt: skip
    assert least_ps(scenario(*steps)) == 10 * (LINE.character_ps + SLOW.character_ps)


@pytest.mark.parametrize(
    "steps",
    [
        (Step("exchange", data=bytes(1 << 20), count=1 << 20),),
        (Step("receive", count=1 << 20),),
        (Step("echo", count=1 << 20),),
        (Step("send", data=bytes(1 << 20)), Step("drain")),
        (Step("open", line=LineSettings(1200)), Step("send", data=bytes(9000))),
        (Step("wait", duration_ps=100 * PS_PER_S),),
        (Step("receive", count=1, timeout_ps=70 * PS_PER_S),),
        (Step("work", cycles=50 * 10**8),),
    ],
)
def test_the_limit_leaves_time_for_what_is_asked(steps: tuple[Step, ...]) -> None:
    """A megabyte, a slow line, a long wait or time-out: the limit is beyond all of it."""
    asked = scenario(*steps)
    assert limit_ps(asked) == 4 * most_ps(asked) > 240 * PS_PER_S
    assert least_ps(asked) <= most_ps(asked)


@pytest.mark.parametrize(
    "plan",
    [
        FarEndPlan("source", data=bytes(100), start_ps=90 * PS_PER_S),
        FarEndPlan("source", data=bytes(100), gap_ps=PS_PER_S),
        FarEndPlan("source", data=bytes(100), burst_bytes=1, pause_ps=PS_PER_S),
        FarEndPlan("source", data=bytes(4000), line=SLOW),
        FarEndPlan("script", lines=(ScriptLine(b"tide", at_ps=90 * PS_PER_S),)),
        FarEndPlan("script", lines=(ScriptLine(b"tide", when=b"?", after_ps=PS_PER_S),)),
        FarEndPlan(breaks=(BreakPlan(90 * PS_PER_S, MS),)),
        FarEndPlan(flow=True, buffer_bytes=1, busy_ps=PS_PER_S),
        FarEndPlan(noise=NoisePlan(Fraction(1), 1, until_ps=90 * PS_PER_S)),
    ],
)
def test_the_far_end_takes_its_time(plan: FarEndPlan) -> None:
    """Whatever holds the far end up is left time for."""
    asked = scenario(Step("send", data=bytes(100)), Step("receive"), far_end=plan)
    assert most_ps(asked) > 90 * PS_PER_S


def test_short_scenarios_keep_a_minute() -> None:
    """Where little is asked for the limit stays at what it always was."""
    assert limit_ps(scenario(Step("send", data=b"tide"))) == 60 * PS_PER_S


def test_a_limit_that_is_set_holds() -> None:
    """What the scenario says goes before what follows from it."""
    asked = scenario(Step("wait", duration_ps=100 * PS_PER_S), limits=Limits(5 * MS))
    assert limit_ps(asked) == 5 * MS


def test_faults_that_begin_late_are_waited_for() -> None:
    """What a fault delays ends when the fault does."""
    late = FaultPlan((fault("stuck-field", "telemetry.LSR.DR", value=0, until="200 s"),))
    assert most_ps(scenario(faults=late)) > 200 * PS_PER_S


def test_what_has_no_end() -> None:
    """Receiving all of a line that is never silent has no end, and still the run has a limit."""
    noisy = FarEndPlan(noise=NoisePlan(Fraction(1), 1))
    steps = (Step("receive"), Step("wait", duration_ps=100 * PS_PER_S))
    fault_noise = FaultPlan((fault("noise", "telemetry.sin"),))
    for asked in (scenario(*steps, far_end=noisy), scenario(*steps, faults=fault_noise)):
        assert most_ps(asked) == NEVER_PS
        assert limit_ps(asked) == 400 * PS_PER_S
    assert most_ps(scenario(Step("receive", count=1), far_end=noisy)) < NEVER_PS


def test_no_time_is_beyond_the_clock() -> None:
    """However much is asked for, the limit is a time that the clock can hold."""
    asked = scenario(*[Step("wait", duration_ps=10**18)] * 9)
    assert limit_ps(asked) == NEVER_PS


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_the_scenarios_of_the_project_have_time_enough(path: Path) -> None:
    """No scenario of the project sets a limit below what it asks for."""
    asked = load_scenario(path)
    assert least_ps(asked) < limit_ps(asked)
    assert asked.limits.time_ps is None or most_ps(asked) <= asked.limits.time_ps


TEXT = """scenario: a long wait
board: tide_gauge.yaml
port: telemetry
do:
  - wait: 1234567 us
limits: {{time: {limit}}}
"""


def test_a_limit_below_the_least_is_bad_input() -> None:
    """A limit that leaves no time for the waits is refused where it stands, with what would do."""
    folder = ROOT / "fixtures"
    with pytest.raises(InputError) as caught:
        parse_scenario(TEXT.format(limit="1.2 s"), folder=folder)
    (flaw,) = caught.value.flaws
    assert (flaw.line, flaw.column, flaw.allowed) == (6, 16, "1.24 s or longer")
    assert parse_scenario(TEXT.format(limit="1.24 s"), folder=folder).limits.time_ps == 1240 * MS
