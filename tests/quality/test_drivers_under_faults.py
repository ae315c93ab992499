"""What the example drivers do about a device that will not be set up, or tells lies.

The one idea: a good driver bounds every loop, tries again where a second try helps, leaves the
device in a state that it can answer for, and does not spend the processor on what is broken.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.polled import PolledDriver
from emu.faults.plan import FaultPlan, FaultSpec
from emu.faults.spell import fault
from emu.kernel.storm import NOTED_ROW
from emu.scenario.model import Leftovers, Limits, Step
from emu.scenario.outcome import Outcome
from tests.driven_run import BOARD, MS, broken, outcome_of, prepared, rules_of
from tests.quality.snippets.styles import ByCause, ByStatus

DRIVERS = (PolledDriver, InterruptDriver)
TEXT = bytes(range(0x30, 0x44))
STEPS = (Step("exchange", data=TEXT, count=len(TEXT)), Step("drain"))


def played(driver: type, *faults: FaultSpec) -> Outcome:
    """Return the outcome of twenty bytes there and back, within 4 ms a call."""
    return outcome_of(
        driver, *STEPS, limits=Limits(call_ps=4 * MS), faults=FaultPlan.of(faults)
    )  # fmt: skip


@pytest.mark.parametrize("driver", DRIVERS)
@pytest.mark.parametrize("first", range(1, 40, 3))
def test_a_bus_error_or_two_while_opening_spoil_nothing(first: int, driver: type) -> None:
    """Set-up tries again, so the port is open and all bytes come back."""
    outcome = played(driver, fault("bus-error", "telemetry", first=first, count=2))
    assert outcome.clean
    assert "20 of 20 bytes accepted, 20 of 20 received" in [one.text for one in outcome.steps]


@pytest.mark.parametrize("register", ["RBR", "THR", "LSR", "FCR"])
def test_a_failed_self_test_leaves_no_loopback(register: str) -> None:
    """Whatever ends the self-test, the line is connected again when `open` returns."""
    run = prepared(
        InterruptDriver, Step("open"), Step("close", how="now"),
        faults=FaultPlan.of([fault("bus-error", f"telemetry.{register}")]),
    )  # fmt: skip
    assert run.outcome().clean
    looped = [one for one in run.outcome().promises if one.promise == "start" and not one.kept]
    assert looped == []


@pytest.mark.parametrize("driver", DRIVERS)
@pytest.mark.parametrize("register", ["LCR", "DLL", "DLM", "MCR"])
def test_a_device_that_cannot_be_set_up_keeps_no_divisor_latch(register: str, driver: type) -> None:
    """A driver that gives up half-way has put the data register back."""
    run = prepared(driver, *STEPS, faults=FaultPlan.of([
        fault("flip-on-read", f"telemetry.{register}", mask=0x01)
    ]))  # fmt: skip
    run.outcome()
    assert run.board.device("telemetry").peek("LCR.DLAB") == 0


def test_a_polled_driver_does_not_set_up_at_each_look() -> None:
    """While a device will not be set up, most looks are short: thousands of accesses, not more."""
    outcome = played(PolledDriver, fault("flip-on-read", "telemetry.MCR.OUT1"))
    assert 500 < outcome.measures.accesses < 15_000


def test_a_polled_driver_rests_though_characters_never_end() -> None:
    """A status that always claims one more character leaves the processor free now and then."""
    outcome = played(PolledDriver, fault("stuck-field", "telemetry.LSR.DR", value=1))
    measures = outcome.measures
    assert measures.idle_ps > measures.time_ps // 4


def test_a_device_that_lost_its_settings_makes_no_storm() -> None:
    """The handler cuts the interrupt off, and the calls go on trying."""
    outcome = played(InterruptDriver, fault("bus-error", "telemetry.IER", access="read", first=2))
    assert (rules_of(outcome), broken(outcome)) == ([], {})
    assert outcome.measures.interrupts < 100


def test_characters_that_wait_while_the_device_is_set_up_again_are_kept() -> None:
    """Reprogramming an open port does not empty the receiver."""
    for driver in DRIVERS:
        outcome = outcome_of(
            driver, Step("send", data=TEXT), Step("receive", count=20),
            faults=FaultPlan.of([fault("flip-on-read", "telemetry.MCR.DTR", until="1 ms")]),
        )  # fmt: skip
        assert outcome.clean
        assert outcome.measures.bytes_returned == outcome.measures.bytes_arrived


class OneBitAtATime(ByCause):
    """Changes one bit of IER by reading it first, as many drivers do."""

    def enable(self, value: int) -> None:
        if value != self.enabled:
            rest = self.get(1) & ~(self.enabled & ~value)
            self.enabled = value
            self.put(1, rest | value)


class OnlyTransmit(OneBitAtATime):
    """Forgets the receiver, whatever IER says."""

    receive_enable = 0x00

    def wait(self, done: object, timeout: float | None) -> None:
        with self.cpu.interrupts_masked():
            if not self.received:
                self.cpu.wait_for_interrupt(timeout)


@pytest.mark.parametrize("kind", ["never-ready", "flip-on-read"])
def test_who_was_told_wrong_about_ier_is_not_accused_of_waiting(kind: str) -> None:
    """A driver that goes by what IER reads cannot know which interrupt is enabled."""
    lying = played(OneBitAtATime, fault(kind, "telemetry.IER.ERBFI"))
    assert "waits-for-disabled-interrupt" not in rules_of(lying)
    forgetful = played(OnlyTransmit, fault("spurious-interrupt", "telemetry.irq", start="9 s"))
    assert "waits-for-disabled-interrupt" in rules_of(forgetful)


def test_a_storm_that_ends_with_its_fault_is_not_the_calls_time() -> None:
    """Once the truth is told the storm is over, and the call that it held up is not late."""
    late = fault("late-ready", "telemetry.LSR.DR", delay="5 ms", first=3, count=1)
    run = prepared(ByStatus, *STEPS, limits=Limits(call_ps=4 * MS), faults=FaultPlan.of([late]))
    outcome = run.outcome()
    assert (rules_of(outcome), broken(outcome)) == ([], {})
    assert outcome.measures.interrupts > NOTED_ROW
    assert run.board.cpu.storms.taken_ps > MS


class BelievesInWrites(PolledDriver):
    """Writes settings once and reads nothing back."""

    def _store(self, register: int, value: int) -> bool:
        self._put(register, value)
        return True

    def _settings_lost(self) -> bool:
        return False


def test_what_was_set_wrongly_is_recovered_from_by_a_reopen() -> None:
    """The bench opens the port again before it asks for recovery, as the fault told nobody."""
    outcome = outcome_of(
        BelievesInWrites, Step("drain"), Step("wait", duration_ps=5 * MS),
        faults=FaultPlan.of([fault("dropped-write", "telemetry.LCR", until="1 ms")]),
    )  # fmt: skip
    assert [one.action for one in outcome.steps][-3:] == ["reopen", "recovery", "close"]
    assert outcome.clean


class LetsBusErrorsOut(PolledDriver):
    """Leaves a bus error to the caller, and is of no use until it is opened again."""

    hurt = False

    def open(self, line: object) -> None:
        self.hurt = False
        super().open(line)  # type: ignore[arg-type]

    def _look(self) -> int:
        try:
            self._io.read8(7 * self._stride)
        except Exception:
            self.hurt = True
            raise
        return 0 if self.hurt else super()._look()


def test_a_call_that_ended_in_a_bus_error_is_answered_by_a_reopen() -> None:
    """Whoever called a driver that raised would open the port again, and so does the bench."""
    failing = fault("bus-error", "telemetry.SCR", start="1 ms", until="2 ms")
    outcome = outcome_of(
        LetsBusErrorsOut, *STEPS, Step("wait", duration_ps=5 * MS), faults=FaultPlan.of([failing])
    )  # fmt: skip
    assert outcome.measures.injections["bus-error on telemetry.SCR"] > 0
    assert "reopen" in [one.action for one in outcome.steps]
    assert outcome.clean


@pytest.mark.parametrize("driver", DRIVERS)
@pytest.mark.parametrize("shown", ["never-ready", "flip-on-read"])
def test_who_is_told_that_nothing_is_there_leaves_nothing_behind(shown: str, driver: type) -> None:
    """Without FIFO what waits can only be read, which a driver does if LSR tells of it."""
    left = Step("leftovers", leftovers=Leftovers(received=b"x"))
    plain = replace(BOARD, devices=tuple(
        replace(one, settings={**one.settings, "fifo": 0}) if one.name == "telemetry" else one
        for one in BOARD.devices
    ))  # fmt: skip
    outcome = outcome_of(
        driver, left, *STEPS, board=plain,
        faults=FaultPlan.of([fault(shown, "telemetry.LSR.DR")]),
    )  # fmt: skip
    assert rules_of(outcome) == []


class CountsLooks(PolledDriver):
    """Bound a read by a number of looks, each of which takes a known time."""

    LOOK_S = 0.7e-6  # one access and the code around it

    def read(self, size: int, timeout: float | None = None) -> bytes:
        part = bytearray()
        for _ in range(int((timeout or 0) / self.LOOK_S)):
            if len(part) < size:
                part += super().read(size - len(part), timeout=0)
        return bytes(part)


def test_time_that_was_taken_away_is_no_delay_of_the_driver() -> None:
    """A call that counts its looks may go on for as long as the processor stood still."""
    frozen = fault("cpu-stalled", "cpu", start="1 ms", duration="2 s")
    outcome = outcome_of(
        CountsLooks, Step("receive", count=5, timeout_ps=5 * MS), far_end="sink",
        faults=FaultPlan.of([frozen]),
    )  # fmt: skip
    assert outcome.clean, (outcome.findings, broken(outcome))
