"""What a fault does not excuse: a bug that has nothing to do with it is found all the same.

The one idea: a good driver is broken in one place, and runs under faults that really strike but do
not touch the promise which that place breaks; or under faults that would excuse it and have ended
before. In each case the verdict must be what it is without any fault.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from drivers_example.first_try import FirstTry
from emu.faults.plan import FaultPlan, FaultSpec
from emu.faults.spell import fault
from emu.kernel.clock import PS_PER_S
from emu.line.plan import FarEndPlan
from emu.scenario.load import load_scenario
from emu.scenario.model import Limits, Step
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario
from emu.units import LineSettings
from tests.driven_run import MS, ROOT, PolledDriver, broken, outcome_of

TEXT = bytes(range(0x30, 0x44))
SESSION = (Step("send", data=TEXT), Step("drain"), Step("receive", count=20))
FAR_END = FarEndPlan("source", data=bytes(range(0x30, 0x6C)) * 4, burst_bytes=20, pause_ps=5 * MS)
IER = 1
PARITY, THR_EMPTY = 0x04, 0x20


class Late(PolledDriver):
    """Is correct until it has been opened `good_sessions` times, and for `good_s` after that."""

    good_sessions = 0
    good_s = 0.0
    sessions = 0
    opened_s = 0.0
    taken = 0

    @property
    def wrong(self) -> bool:
        """Whether the bug shows now."""
        late = self._cpu.time() >= self.opened_s + self.good_s
        return late and self.sessions > self.good_sessions

    def _fifth(self) -> bool:
        self.taken += 1
        return self.taken % 5 == 0

    def open(self, line: LineSettings) -> None:
        self.sessions += 1
        super().open(line)
        self.opened_s = self._cpu.time()


class Doubles(Late):
    """Keeps each fifth received byte twice."""

    def _take_character(self, status: int) -> None:
        before = len(self._received)
        super()._take_character(status)
        if self.wrong and len(self._received) > before and self._fifth():
            self._received.append(self._received[-1])


class Forgets(Late):
    """Loses each fifth received byte without a word."""

    def _take_character(self, status: int) -> None:
        before = len(self._received)
        super()._take_character(status)
        if self.wrong and len(self._received) > before and self._fifth():
            self._received.pop()


class Miscounts(Late):
    """Counts each parity error twice."""

    def _count(self, status: int) -> None:
        super()._count(status)
        if self.wrong:
            super()._count(status & PARITY)


class Overstates(Late):
    """Says that it sent one byte more than it did."""

    def _load(self, chunk: bytes) -> int:
        return (
            super()._load(chunk[1:]) + 1 if self.wrong and len(chunk) > 1 else super()._load(chunk)
        )


class Hasty(Late):
    """Calls the line idle when the FIFO is empty."""

    def drain(self, timeout: float | None = None) -> bool:
        if self.wrong:
            return self._poll(lambda status: bool(status & THR_EMPTY), timeout)
        return super().drain(timeout)


class Sulks(Late):
    """Says after `drain` that the line is busy though it has long been idle."""

    def drain(self, timeout: float | None = None) -> bool:
        super().drain(timeout)
        self._cpu.sleep(4e-4)
        return not self.wrong


class Loud(Late):
    """Leaves interrupts enabled when it closes."""

    def close(self) -> None:
        wrong = self.wrong
        super().close()
        if wrong:
            self._io.write8(IER * self._stride, 0x01)


class Slow(Late):
    """Stays 3 ms longer than it was asked to."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        if self.wrong:
            self._cpu.sleep(0.003 + (timeout or 0.0))
        return super().read(size, timeout)


class Askew(Late):
    """Opens with 7 data bits where 8 are asked for."""

    def open(self, line: LineSettings) -> None:
        if self.sessions >= self.good_sessions:
            line = LineSettings(line.baud, 7)
        super().open(line)


BUGS: dict[str, type[Late]] = {
    "order": Doubles, "loss": Forgets, "errors": Miscounts, "sent": Overstates, "drain": Hasty,
    "quiet": Loud, "time": Slow, "start": Askew,
}  # fmt: skip

MISREAD_DATA = ("flip-on-read", "telemetry.RBR", {"mask": 0x80})
NO_DATA = ("stuck-field", "telemetry.LSR.DR", {"value": 0})
NO_ROOM = ("stuck-field", "telemetry.LSR.THRE", {"value": 0})
NEVER_IDLE = ("never-ready", "telemetry.LSR.TEMT", {})
MADE_UP_OVERRUN = ("stuck-field", "telemetry.LSR.OE", {"value": 1})
LOST_DATA = ("dropped-write", "telemetry.THR", {})
DEAF_DIVISOR = ("flip-on-read", "telemetry.DLL", {"mask": 1})
DEAF_ENABLE = ("stuck-field", "telemetry.IER.EDSSI", {"value": 1})
NO_MODEM = ("bus-error", "telemetry.MSR", {})
GONE = ("all-ones", "telemetry", {})
UNREACHABLE = ("bus-error", "telemetry", {})
ELSEWHERE = ("stuck-field", "telemetry.MSR.RI", {"value": 1})

Cell = tuple[str, str, dict[str, object]]  # kind, target, its own settings
UNRELATED: dict[str, tuple[Cell, ...]] = {
    "order": (NO_ROOM, NEVER_IDLE, MADE_UP_OVERRUN, LOST_DATA, ELSEWHERE),
    "loss": (NO_ROOM, NEVER_IDLE, LOST_DATA, ELSEWHERE),
    "errors": (MISREAD_DATA, NO_ROOM, NEVER_IDLE, MADE_UP_OVERRUN, LOST_DATA),
    "sent": (MISREAD_DATA, NO_DATA, NEVER_IDLE, MADE_UP_OVERRUN, ELSEWHERE),
    "drain": (MISREAD_DATA, NO_DATA, MADE_UP_OVERRUN, ELSEWHERE),
    "quiet": (MISREAD_DATA, NO_DATA, NO_ROOM, LOST_DATA, DEAF_DIVISOR, NO_MODEM),
    "time": (NO_DATA, NO_ROOM, LOST_DATA, DEAF_DIVISOR, DEAF_ENABLE, GONE, UNREACHABLE),
    "start": (MISREAD_DATA, NO_DATA, NO_ROOM, NEVER_IDLE, LOST_DATA),
}
"""For each promise, faults that act all the time and do not make it impossible."""
EXCUSING: dict[str, Cell] = {
    "order": MISREAD_DATA, "loss": NO_DATA, "errors": NO_DATA, "sent": NO_ROOM,
    "drain": ("stuck-field", "telemetry.LSR.TEMT", {"value": 1}),
    "quiet": ("dropped-write", "telemetry.IER", {}),
    "time": ("stuck-interrupt", "telemetry.irq", {}),
    "start": ("dropped-write", "telemetry.LCR", {}),
}  # fmt: skip
"""For each promise, a fault that makes it impossible while it acts."""


CASES = [
    pytest.param(promise, cell, id=f"{promise} despite {cell[0]} on {cell[1]}")
    for promise, cells in UNRELATED.items()
    for cell in cells
]


def spec(cell: Cell, **when: Any) -> FaultSpec:
    """Return the fault of a cell in a window."""
    kind, target, settings = cell
    return fault(kind, target, **when, **settings)


def played(driver: type, *faults: FaultSpec, sessions: int = 1) -> Outcome:
    """Return the outcome of sessions with parity, one character of each with an error."""
    errors = fault("parity-error", "telemetry", probability="10 %")
    steps = [step for _ in range(sessions) for step in (*SESSION, Step("reopen"))][:-1]
    return outcome_of(
        driver, *steps,
        line=LineSettings(115_200, parity="even"),
        far_end=FAR_END,
        limits=Limits(time_ps=10 * PS_PER_S, call_ps=4 * MS),
        faults=FaultPlan.of([errors, *faults]),
    )  # fmt: skip


def late(bug: type[Late], **when: Any) -> type[Late]:
    """Return a driver whose bug shows from some time on."""
    return type(bug.__name__, (bug,), when)


def struck(outcome: Outcome, cell: Cell) -> bool:
    """Say whether the fault of a cell did anything."""
    return outcome.measures.injections[f"{cell[0]} on {cell[1]}"] > 0


@pytest.mark.parametrize("promise", BUGS)
def test_each_bug_shows(promise: str) -> None:
    """Without a fault that matters, each of the drivers breaks its promise; a good one none."""
    assert promise in broken(played(BUGS[promise]))
    assert played(late(BUGS[promise], good_sessions=9)).clean


@pytest.mark.parametrize(("promise", "cell"), CASES)
def test_a_fault_excuses_nothing_that_it_does_not_touch(promise: str, cell: Cell) -> None:
    """A fault that acts all the time leaves the promises alone that can be kept under it."""
    outcome = played(BUGS[promise], spec(cell))
    assert struck(outcome, cell)
    assert promise in broken(outcome)


@pytest.mark.parametrize("promise", BUGS)
def test_a_fault_excuses_what_it_makes_impossible(promise: str) -> None:
    """While a fault acts, what no driver could keep is waived, with the fault as the reason."""
    outcome = played(BUGS[promise], spec(EXCUSING[promise]))
    (found,) = (one for one in outcome.promises if one.promise == promise)
    assert struck(outcome, EXCUSING[promise])
    assert (found.kept, found.waived) == (True, True)
    assert found.detail.startswith(f"{EXCUSING[promise][0]} on {EXCUSING[promise][1]}: ")


@pytest.mark.parametrize("promise", BUGS)
def test_a_fault_that_has_ended_excuses_nothing_after_a_reopen(promise: str) -> None:
    """What was impossible in one session can be kept in the next, and a bug there is found."""
    cell = EXCUSING[promise]
    bug = late(BUGS[promise], good_sessions=1)
    window = {"until": "30 us"} if cell[0] == "stuck-interrupt" else {"until": "2 ms"}
    outcome = played(bug, spec(cell, **window), sessions=3)
    assert struck(outcome, cell)
    assert promise in broken(outcome)


@pytest.mark.parametrize("promise", BUGS)
def test_a_fault_that_never_strikes_excuses_nothing(promise: str) -> None:
    """A window that never comes, and a device that is not used, leave the verdict as it is."""
    kind, target, settings = EXCUSING[promise]
    never = spec(EXCUSING[promise], start="5 s")
    elsewhere = fault(kind, target.replace("telemetry", "console"), **settings)
    for one in (never, elsewhere) if promise != "time" else (never,):
        assert promise in broken(played(BUGS[promise], one))


def test_misread_data_excuse_no_doubled_byte_once_the_fault_is_over() -> None:
    """The message that is tried after a fault has to come through whole and in order."""
    passing = FaultPlan.of([spec(MISREAD_DATA, until="1 ms")])
    doubling, good = (
        outcome_of(late(Doubles, good_s=good_s), *SESSION, faults=passing)
        for good_s in (0.003, 9.0)
    )
    assert struck(doubling, MISREAD_DATA)
    assert "order" in broken(doubling)
    assert good.clean


def test_a_busy_line_that_was_made_up_excuses_one_call() -> None:
    """A `drain` that fails after the fault has ended is held against the driver."""
    passing = spec(NEVER_IDLE, until="1 ms")
    outcome = outcome_of(
        Sulks, Step("drain"), Step("wait", duration_ps=20 * MS), *SESSION,
        faults=FaultPlan.of([passing]),
    )  # fmt: skip
    assert struck(outcome, NEVER_IDLE)
    assert "drain" in broken(outcome)


@pytest.mark.parametrize("cell", [MISREAD_DATA, NEVER_IDLE, MADE_UP_OVERRUN, ELSEWHERE, NO_MODEM])
def test_findings_are_made_whatever_else_is_wrong(cell: Cell) -> None:
    """A first driver's bugs are found at its lines while something else is broken for good."""
    first_day = load_scenario(ROOT / "fixtures" / "first_day.yaml")
    plain = run_scenario(first_day, FirstTry)
    outcome = run_scenario(replace(first_day, faults=FaultPlan.of([spec(cell)])), FirstTry)
    found = [{(one.rule, one.line) for one in run.findings} for run in (plain, outcome)]
    assert {"write-when-full", "thre-taken-for-idle"} <= {rule for rule, _ in found[0] & found[1]}
