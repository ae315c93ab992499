"""A whole run: expectations, early ends, two ports on a cable, measures."""

from __future__ import annotations

import gc
from fractions import Fraction

import pytest

from emu import InputError, LineSettings
from emu.faults.plan import FaultPlan, FaultSpec, When
from emu.line.plan import FarEndPlan, NoisePlan
from emu.scenario.asked import most_ps
from emu.scenario.model import Expectation, Limits, Scenario, Step
from emu.scenario.runner import Run, run_scenario
from tests.driven_run import (
    BOARD,
    LINE,
    MS,
    ROOT,
    PolledDriver,
    broken,
    outcome_of,
    prepared,
    rules_of,
)

TALK = Step("exchange", data=b"tide", count=4)


def test_expectations_that_are_met() -> None:
    """Expectations that are met say nothing."""
    expect = Expectation(b"tide", b"tide", {"overrun": (0, 0), "parity": (0, 3)})
    assert outcome_of(PolledDriver, TALK, expect=expect).clean


@pytest.mark.parametrize(
    ("expect", "text"),
    [
        (Expectation(received=b"ebb"), "read returned b'tide', expected b'ebb'"),
        (Expectation(far_end_received=b""), "the far end heard b'tide', expected b''"),
        (Expectation(errors={"parity": (1, 1)}), "errors.parity is 0, expected 1"),
        (Expectation(errors={"overrun": (1, 3)}), "errors.overrun is 0, expected 1 to 3"),
        (
            Expectation(received=bytes(40)),
            f"read returned b'tide', expected {bytes(24)!r}... (40 bytes)",
        ),
    ],
)
def test_expectations_that_are_not(expect: Expectation, text: str) -> None:
    """An expectation that is not met is told with what came and what was expected."""
    outcome = outcome_of(PolledDriver, TALK, expect=expect)
    assert outcome.unmet == [text]
    assert outcome.verdict == "failed"


def test_messages_of_our_own_are_left_out() -> None:
    """What the check for recovery sends is no part of what a scenario expects."""
    noise = FaultSpec("noise", "telemetry.sin", When(0, 1000), {"per_second": 1, "width": 1})
    outcome = outcome_of(
        PolledDriver, TALK, Step("wait", duration_ps=MS), faults=FaultPlan((noise,)),
        expect=Expectation(b"tide", b"tide"),
    )  # fmt: skip
    assert outcome.clean
    assert outcome.measures.bytes_sent > 4


def test_recovery_is_not_asked_of_a_spoiled_line() -> None:
    """Where the far end itself speaks another rate, no message can be expected to go through."""
    noise = FaultSpec("noise", "telemetry.sin", When(0, 1000), {"per_second": 1, "width": 1})
    plan = FarEndPlan(line=LineSettings(9600))
    outcome = outcome_of(PolledDriver, faults=FaultPlan((noise,)), far_end=plan)
    assert outcome.clean


class OneByOne(PolledDriver):
    """Take one byte a call, and most of the time that it is given."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        self._cpu.sleep(0.9 * (timeout or 0))
        return super().write(data[:1], timeout)


def test_a_limit_that_leaves_time_for_all_is_the_drivers() -> None:
    """A driver that is not done when all that is asked for should long be is a finding."""
    step = Step("send", data=bytes(400))
    limit_ps = most_ps(prepared(OneByOne, step).scenario)
    outcome = outcome_of(OneByOne, step, limits=Limits(limit_ps))
    assert rules_of(outcome) == ["time-limit"]
    (found,) = outcome.findings
    assert found.file == __file__
    assert outcome.ended.startswith("the run reached its limit of ")
    assert outcome_of(PolledDriver, step, limits=Limits(limit_ps)).clean


@pytest.mark.parametrize(
    "step", [Step("wait", duration_ps=9 * MS), Step("receive", count=1, timeout_ps=50 * MS)]
)
def test_a_limit_that_is_lower_accuses_nobody(step: Step) -> None:
    """A run that ends before what is asked for can be done says so, and that is all."""
    outcome = outcome_of(PolledDriver, step, limits=Limits(5 * MS))
    assert outcome.clean
    assert outcome.ended.startswith(
        "the run reached its limit of 0.005 s, and what is asked for may take up to 1."
    )


def test_a_limit_on_what_has_no_end_accuses_nobody() -> None:
    """Noise that lasts brings characters for ever, and with them more to receive."""
    noise = NoisePlan(Fraction(20_000), 20 * 10**6)
    outcome = outcome_of(
        PolledDriver, Step("receive"), far_end=FarEndPlan(noise=noise), limits=Limits(300 * MS)
    )
    assert outcome.clean
    assert outcome.ended.endswith("and what is asked for may take for ever")


def test_without_a_limit_the_run_takes_as_long_as_is_asked_for() -> None:
    """A program that is away for eleven days is no reason to end the run."""
    outcome = outcome_of(PolledDriver, Step("wait", duration_ps=10**18), TALK)
    assert (outcome.clean, outcome.ended) == (True, "")
    assert outcome.measures.time_ps > 10**18


@pytest.mark.parametrize("until_ps", [1, MS // 10, MS, 2 * MS, 5 * MS])
def test_a_cut_that_was_asked_for(until_ps: int) -> None:
    """A run that is cut where it was asked for accuses nobody, whatever was under way."""
    plan = FarEndPlan(kind="source", data=bytes(100), line=LineSettings(115_200, 8, "odd"))
    outcome = outcome_of(
        PolledDriver, Step("send", data=bytes(50)), Step("wait", duration_ps=MS), Step("receive"),
        far_end=plan, until_ps=until_ps, expect=Expectation(received=b"x"),
    )  # fmt: skip
    assert outcome.ended
    assert outcome.clean
    assert outcome.measures.time_ps >= until_ps


def cable(driver: str = "") -> Scenario:
    """Return a scenario of two ports joined by a cable."""
    steps = (
        Step("send", data=b"tide"), Step("receive", count=4, by="console"),
        Step("send", data=b"ebb", by="console"), Step("receive", count=3),
    )  # fmt: skip
    far_end = FarEndPlan(kind="port", port="console", driver=driver)
    return Scenario("a cable", BOARD, "telemetry", LINE, far_end, steps,
                    expect=Expectation(received=b"ebb"))  # fmt: skip


def test_two_ports_on_a_cable() -> None:
    """Two drivers talk to each other over a crossed cable."""
    outcome = run_scenario(cable(), PolledDriver)
    assert outcome.clean
    assert outcome.measures.bytes_returned == 7


def test_a_second_driver_counts_from_the_scenarios_folder() -> None:
    """The driver at the far end is named from the scenario's folder."""
    scenario = cable("drivers_example/interrupt_driven.py:InterruptDriver")
    placed = Scenario(**{
        one: getattr(scenario, one) for one in scenario.__slots__ if one != "path"
    }, path=str(ROOT / "cable.yaml"))  # fmt: skip
    assert run_scenario(placed, PolledDriver).clean


def test_a_promise_broken_at_the_far_port_names_it() -> None:
    """What the driver at the far port breaks is told with the port's name."""

    class Loses(PolledDriver):
        def read(self, size: int, timeout: float | None = None) -> bytes:
            return super().read(size, timeout).replace(b"d", b"")

    outcome = run_scenario(cable(), Loses)
    assert broken(outcome)["loss"].startswith("console: ")


def test_measures_add_up() -> None:
    """Times add up to the time of the run, and counts are those of the traffic."""
    run = prepared(PolledDriver, TALK)
    measures = run.outcome().measures
    assert measures.time_ps == run.board.clock.now_ps
    assert measures.time_ps == (
        measures.main_ps + measures.polling_ps + measures.handler_ps + measures.idle_ps
        + measures.stalled_ps
    )  # fmt: skip
    assert measures.accesses == sum(map(sum, run.board.bus.accesses().values()))
    assert (measures.bytes_arrived, measures.bytes_lost, measures.overruns) == (4, 0, 0)


def test_overruns_are_measured() -> None:
    """Characters lost to overruns are counted, and the flag as often as it rose."""
    plan = FarEndPlan(kind="source", data=bytes(40))
    outcome = outcome_of(
        PolledDriver, Step("wait", duration_ps=9 * MS), Step("receive"), far_end=plan
    )
    assert (outcome.measures.bytes_lost, outcome.measures.overruns) == (24, 1)
    assert outcome.errors["overrun"] == 1
    assert outcome.clean


def test_injections_are_measured() -> None:
    """What faults did is counted by kind and target."""
    fault = FaultSpec("spurious-interrupt", "telemetry.irq", When(0, MS), {"every": MS // 10})
    outcome = outcome_of(PolledDriver, Step("wait", duration_ps=2 * MS), faults=FaultPlan((fault,)))
    (name,) = outcome.measures.injections
    assert name == "spurious-interrupt on telemetry.irq"


def test_the_driver_may_be_a_class_or_a_name() -> None:
    """A driver given as a class is called by its name, one given as text by file and class."""
    named = "drivers_example/polled.py:PolledDriver"
    assert outcome_of(PolledDriver).driver == "PolledDriver"
    assert outcome_of(named).driver.endswith(named)


def test_a_name_that_leads_nowhere_is_bad_input() -> None:
    """A driver's name that leads nowhere is told as bad input, not as a verdict."""
    with pytest.raises(InputError, match=r"did you mean 'drivers_example/polled\.py:PolledDriver'"):
        outcome_of("drivers_example/polled.py:PoledDriver")


def test_standard_output_is_given_back(capsys: pytest.CaptureFixture[str]) -> None:
    """What a driver prints is kept while the run lasts, and only then."""

    class Prints(PolledDriver):
        def close(self) -> None:
            print("going home")
            super().close()

    outcome = outcome_of(Prints)
    print("afterwards")
    assert "going home\n" in outcome.printed
    assert capsys.readouterr().out == "afterwards\n"


def test_a_run_that_was_ended_from_outside_is_judged() -> None:
    """A run that cannot be ended from inside still has an outcome, with the finding given."""
    run = Run(prepared(PolledDriver).scenario, PolledDriver)
    outcome = run.end("spinning", "it spins", ("gauge.py", 7))
    assert (outcome.ended, outcome.verdict) == ("it spins", "failed")
    assert [(one.file, one.line) for one in outcome.findings] == [("gauge.py", 7)]


def test_hooks_of_others_stay_out_of_a_run() -> None:
    """What others let the garbage collector call is left alone in a run, and there again after."""
    called: list[bool] = []
    running: list[bool] = []

    def hook(_phase: str, _info: object) -> None:
        called.append(bool(running))

    class Tidy(PolledDriver):
        def open(self, line: LineSettings) -> None:
            running.append(True)
            gc.collect()
            running.clear()
            super().open(line)

    gc.callbacks.append(hook)
    try:
        run = Run(prepared(Tidy).scenario, Tidy)
        assert run.outcome().clean
        assert hook in gc.callbacks
        gc.collect()
    finally:
        gc.callbacks.remove(hook)
    assert called
    assert not any(called)
