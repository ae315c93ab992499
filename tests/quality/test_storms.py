"""Interrupt storms: laid to the driver that makes them, and not to one that a fault keeps busy.

The one idea: the same storms come over drivers that serve their device, each in its own way, and
over one that leaves a source alone; only that one is accused, whatever else is wrong.
"""

from __future__ import annotations

import pytest

from drivers_example.interrupt_driven import InterruptDriver
from emu.faults.plan import FaultPlan, FaultSpec
from emu.faults.spell import fault
from emu.kernel.storm import STORM_ENTRIES
from emu.scenario.model import Step
from emu.scenario.outcome import Outcome
from tests.driven_run import MS, broken, outcome_of, rules_of
from tests.quality.snippets.styles import ByCause, ByStatus, TriggerLevel

IRQ = "telemetry.irq"
STEPS = (
    Step("exchange", data=bytes(range(60)), count=60),
    Step("drain"),
    Step("send", data=bytes(range(40))),
    Step("receive", count=40),
)
ALL_STYLES = (ByCause, ByStatus, TriggerLevel, InterruptDriver)
WINDOW = {"start": "1 ms", "until": "3 ms"}
HELD = fault("stuck-interrupt", IRQ, **WINDOW)
PASSING = {
    "line held up": HELD,
    "line held up for the time of two calls": fault(
        "stuck-interrupt", IRQ, start="1 ms", until="30 ms"
    ),
    "no room shown": fault("stuck-field", "telemetry.LSR.THRE", value=0, **WINDOW),
    "no room shown for the time of two calls": fault(
        "stuck-field", "telemetry.LSR.THRE", value=0, start="1 ms", until="35 ms"
    ),
    "no data shown": fault("stuck-field", "telemetry.LSR.DR", value=0, **WINDOW),
    "no cause shown": fault("stuck-field", "telemetry.IIR.NONE", value=1, **WINDOW),
    "another cause shown": fault("stuck-field", "telemetry.IIR.ID", value=6, **WINDOW),
    "never ready": fault("never-ready", "telemetry.LSR.THRE", **WINDOW),
}
ENDLESS = {
    "held up": fault("stuck-interrupt", IRQ, start="1 ms"),
    "raised": fault("spurious-interrupt", IRQ, start="1 ms", every="500 ns"),
    "setting not taken": fault("dropped-write", "telemetry.IER", start="1 ms"),
}


def played(driver: type, *faults: FaultSpec) -> Outcome:
    """Return the outcome of traffic both ways."""
    return outcome_of(driver, *STEPS, faults=FaultPlan(faults))


@pytest.mark.parametrize("name", PASSING)
@pytest.mark.parametrize("style", ALL_STYLES, ids=lambda style: style.__name__)
def test_a_storm_that_a_fault_makes_passes(style: type, name: str) -> None:
    """Once the fault has ended the run goes on to its end, and the driver is clean."""
    outcome = played(style, PASSING[name])
    assert (rules_of(outcome), broken(outcome), outcome.ended) == ([], {}, "")
    assert outcome.steps[-1].action == "close"


@pytest.mark.parametrize("name", ["line held up", "no room shown", "no data shown", "never ready"])
def test_they_are_storms(name: str) -> None:
    """A driver that meets every interrupt by a look at LSR is entered a thousand times and more."""
    assert played(ByStatus, PASSING[name]).measures.interrupts > STORM_ENTRIES


@pytest.mark.slow
@pytest.mark.parametrize("name", ENDLESS)
def test_a_storm_that_never_ends_names_the_fault(name: str) -> None:
    """The run ends early with the fault as the reason, and nothing is held against the driver."""
    outcome = played(ByStatus, ENDLESS[name])
    assert outcome.clean
    assert "left the main code no time: " in outcome.ended
    assert ENDLESS[name].kind in outcome.ended


def test_a_driver_that_gives_the_line_up_goes_on() -> None:
    """One that takes its handler off a line that cannot be served does better: all goes through."""
    outcome = played(InterruptDriver, ENDLESS["held up"])
    assert (outcome.clean, outcome.ended) == (True, "")
    assert outcome.measures.bytes_returned == 100


class LeavesData(ByStatus):
    """Looks at everything and fetches nothing."""

    def handle(self) -> None:
        self.get(2)
        self.get(6)
        self.feed(self.get(5))


UNRELATED = {
    "none": (),
    "line held up for a while": (HELD,),
    "data garbled now and then": (fault("flip-on-read", "telemetry.RBR", probability="1/50"),),
    "modem lines misread": (fault("stuck-field", "telemetry.MSR.DCD", value=1),),
    "overrun made up": (fault("stuck-field", "telemetry.LSR.OE", value=1),),
    "noise": (fault("noise", "telemetry.sin", per_second=200, width="2 us"),),
    "processor frozen": (fault("cpu-stalled", "cpu", every="1 ms", duration="100 us"),),
    "a cause without a cause": (fault("spurious-interrupt", IRQ, every="1 ms"),),
    "another device": (fault("stuck-field", "console.LSR.DR", value=0),),
}


@pytest.mark.parametrize("name", UNRELATED)
def test_a_storm_of_the_drivers_own_is_found(name: str) -> None:
    """A driver that does not fetch what it is told of is accused, whatever else goes wrong."""
    outcome = played(LeavesData, *UNRELATED[name])
    assert "interrupt-storm" in rules_of(outcome)
    (found,) = [one for one in outcome.findings if one.rule == "interrupt-storm"]
    assert found.file == __file__
    assert found.line == LeavesData.handle.__code__.co_firstlineno


def test_a_handler_that_was_shown_another_cause_is_not_accused_of_leaving_it() -> None:
    """Sixteen runs that left the line asserted count only if the cause was shown."""

    class OnlyKnownCauses(ByStatus):
        def handle(self) -> None:
            cause = self.get(2) & 0x0F
            if cause in (0x04, 0x06):
                self.take_in()
            elif cause == 0x02:
                self.feed(0x20)

    class OnlyAsks(ByStatus):
        def handle(self) -> None:
            self.get(2)

    lie = fault("stuck-field", "telemetry.IIR.ID", value=6, **WINDOW)
    assert rules_of(played(OnlyKnownCauses, lie)) == []
    assert "handler-left-line-asserted" in rules_of(played(OnlyAsks, HELD))


def test_a_call_that_a_storm_holds_up_is_not_overdue() -> None:
    """Time that a storm of a fault's making takes is no time of the call that it falls into."""
    lie = fault("stuck-field", "telemetry.LSR.THRE", value=0, start="1 ms", until="40 ms")
    short = Step("exchange", data=bytes(60), count=60, timeout_ps=MS)
    outcome = outcome_of(ByStatus, short, faults=FaultPlan((lie,)))
    assert (rules_of(outcome), broken(outcome)) == ([], {})
    waived = {one.promise for one in outcome.promises if one.waived}
    assert "time" not in waived


# one assertion that gets lost


@pytest.mark.parametrize("style", [ByCause, ByStatus, TriggerLevel], ids=lambda one: one.__name__)
@pytest.mark.parametrize("first", [1, 3, 6])
def test_a_driver_that_is_told_nothing_is_asked_nothing(style: type, first: int) -> None:
    """A driver that only answers interrupts cannot know of one that never came."""
    outcome = played(style, fault("lost-interrupt", IRQ, first=first, count=1))
    assert (rules_of(outcome), broken(outcome)) == ([], {})
    assert outcome.measures.injections == {f"lost-interrupt on {IRQ}": 1}
    reasons = [one.detail for one in outcome.promises if one.waived]
    assert reasons
    assert all("never arrived" in reason for reason in reasons)


def test_a_driver_that_looks_after_its_device_recovers() -> None:
    """One that serves its device by hand when nothing came is held to the check of recovery."""
    outcome = played(InterruptDriver, fault("lost-interrupt", IRQ, first=3, count=1))
    assert outcome.clean
    assert "recovery" in [one.action for one in outcome.steps]


def test_other_promises_are_asked_all_the_same() -> None:
    """A lost interrupt excuses nothing that no interrupt tells of."""

    class NotSilent(ByStatus):
        def close(self) -> None:
            super().close()
            self.put(1, 0x01)

    outcome = played(NotSilent, fault("lost-interrupt", IRQ, count=1))
    assert "quiet" in broken(outcome)
