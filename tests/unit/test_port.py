"""A driver behind its port: each promise broken by a driver that is wrong in one place.

The one idea: the good polled driver with one method replaced, so nothing else can be to blame.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from emu import BusError, Cpu, LineErrors, LineSettings, Window
from emu.faults.plan import FaultPlan, FaultSpec, When
from emu.line.plan import FarEndPlan
from emu.scenario.model import Step
from tests.driven_run import BOARD, LINE, MS, PolledDriver, broken, outcome_of, rules_of

TALK = (Step("exchange", data=b"tide 3.21 m\r\n", count=13), Step("drain"))


def test_a_good_driver() -> None:
    """The driver that all others here are made of keeps every promise."""
    outcome = outcome_of(PolledDriver, *TALK)
    assert outcome.clean
    assert (outcome.measures.bytes_returned, outcome.measures.bytes_sent) == (13, 13)


class Doubles(PolledDriver):
    """Return the first byte of a read twice."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        data = super().read(size - 1, timeout)
        return data[:1] + data


class Loses(PolledDriver):
    """Leave a byte out now and then."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        return super().read(size, timeout).replace(b"3", b"")


class CountsNothing(PolledDriver):
    """Drop damaged bytes without counting them."""

    def _count(self, status: int) -> None:
        pass


class SendsTwice(PolledDriver):
    """Send the last byte of a write twice."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        return super().write(data + data[-1:], timeout) - 1


class AcceptsMore(PolledDriver):
    """Say that everything was accepted and forget the end."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        super().write(data[:-2], timeout)
        return len(data)


class Lingers(PolledDriver):
    """Take a little longer than asked for."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        data = super().read(size, timeout)
        self._cpu.sleep((timeout or 0) + 0.001)
        return data


class DrainsTooSoon(PolledDriver):
    """Say that the line is idle without a look at it."""

    def drain(self, timeout: float | None = None) -> bool:
        return True


class NeverDrains(PolledDriver):
    """Say that the line is busy, always."""

    def drain(self, timeout: float | None = None) -> bool:
        super().drain(timeout)
        self._cpu.sleep(0.001)
        return False


class LeavesOn(PolledDriver):
    """Leave receive interrupts enabled and the handler connected."""

    def close(self) -> None:
        if self._is_open:
            super().close()
            self._cpu.connect(self._io.irq, lambda: None)
            self._io.write8(self._stride, 1)


class WrongParity(PolledDriver):
    """Open with parity where none was asked for."""

    def open(self, line: LineSettings) -> None:
        super().open(line)
        self._io.write8(3 * self._stride, 0x0B)


CASES = {
    "order": (Doubles, "echo"),
    "loss": (Loses, "echo"),
    "sent": (SendsTwice, "sink"),
    "time": (Lingers, "echo"),
    "drain": (DrainsTooSoon, "sink"),
    "quiet": (LeavesOn, "echo"),
    "start": (WrongParity, "sink"),
}


@pytest.mark.parametrize("promise", list(CASES))
def test_exactly_one_promise_is_broken(promise: str) -> None:
    """Each driver breaks the promise it is made to break, and only what follows from it."""
    driver, far_end = CASES[promise]
    steps = TALK if far_end == "echo" else (Step("send", data=b"tide 3.21 m\r\n"), Step("drain"))
    found = broken(outcome_of(driver, *steps, far_end=far_end))
    assert promise in found
    allowed = {"start": {"start", "sent"}, "drain": {"drain", "sent"}}.get(promise, {promise})
    assert set(found) <= allowed


def test_details_say_what_and_how_many() -> None:
    """The detail of a broken promise has the numbers that one would ask for."""
    assert "1 character was never returned though whole" in broken(outcome_of(Loses, *TALK))["loss"]
    quiet = broken(outcome_of(LeavesOn, *TALK))["quiet"]
    assert "IER is 0x01, a handler is still connected to interrupt 5" in quiet
    sent = broken(outcome_of(AcceptsMore, Step("send", data=b"tide"), far_end="sink"))["sent"]
    assert sent == "2 of 4 accepted bytes are missing at the end"
    time = broken(outcome_of(Lingers, *TALK))["time"]
    assert time.startswith("read took ")
    assert " was allowed" in time
    drain = broken(outcome_of(NeverDrains, *TALK))["drain"]
    assert "returned False although the line had been idle for" in drain


def test_errors_are_broken_by_a_driver_that_does_not_count() -> None:
    """Damaged characters that nobody counts break the promise about errors."""
    far_end = FarEndPlan(kind="source", data=b"tide", line=LineSettings(115_200, 7, "odd"))
    outcome = outcome_of(
        CountsNothing, Step("receive"), far_end=far_end, line=LineSettings(115_200, 7, "even")
    )
    assert list(broken(outcome)) == ["errors"]
    assert broken(outcome)["errors"] == "errors.parity is 0, the device flagged 4"
    assert "error-bits-lost" in rules_of(outcome)


class GivesUp(PolledDriver):
    """Receive nothing any more once something was odd."""

    odd = False

    def read(self, size: int, timeout: float | None = None) -> bytes:
        if self._cpu.time() > 0.004:
            self._cpu.sleep(timeout or 0)
            return b""
        return super().read(size, timeout)


def test_recovery_is_broken_by_a_driver_that_gives_up() -> None:
    """Once faults are over traffic must flow; a driver that stays deaf breaks that promise."""
    noise = FaultSpec(
        "noise", "telemetry.sin", When(1 * MS, 2 * MS), {"per_second": 1, "width": 1000}
    )
    steps = (Step("wait", duration_ps=5 * MS),)
    good = outcome_of(PolledDriver, *steps, faults=FaultPlan((noise,)))
    assert good.clean
    found = broken(outcome_of(GivesUp, *steps, faults=FaultPlan((noise,))))
    assert "the far end sent 19 bytes and 0 were returned" in found["recovery"]


class Late(PolledDriver):
    """Look at the receiver too seldom for a controller without a FIFO."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        late_s = min(0.0003, timeout or 0)
        self._cpu.sleep(late_s)
        return super().read(size, (timeout or 0) - late_s)


class LateAndDeaf(Late):
    """Give back nothing of the last message."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        found = super().read(size, timeout)
        return b"" if size == 19 else found


def test_recovery_does_not_ask_for_what_the_device_lost() -> None:
    """A character that overran, and was counted, is no break of the promise; one kept back is."""
    board = replace(
        BOARD, devices=tuple(
            replace(one, settings={**one.settings, "fifo": 0}) if one.name == "telemetry" else one
            for one in BOARD.devices
        )
    )  # fmt: skip
    noise = FaultSpec("noise", "telemetry.sin", When(0, MS), {"per_second": 1, "width": 1000})
    changes: dict[str, Any] = {"board": board, "faults": FaultPlan((noise,)), "far_end": "sink"}
    late = outcome_of(Late, Step("wait", duration_ps=2 * MS), **changes)
    assert late.measures.overruns > 0
    assert late.measures.bytes_returned < 19
    assert (broken(late), late.clean) == ({}, True)
    deaf = broken(outcome_of(LateAndDeaf, Step("wait", duration_ps=2 * MS), **changes))
    assert "lost on the way" in deaf["recovery"]


# bus errors


class Raises:
    """Let bus errors through, as the protocol allows while a fault makes them."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self.io = io
        self.cpu = cpu

    def open(self, line: LineSettings) -> None:
        divisor = round(self.io.clock_hz / (16 * line.baud))
        for register, value in ((1, 0), (3, 0x83), (0, divisor & 255), (1, divisor >> 8), (3, 0x03),
                                (2, 0x07), (4, 0x0B)):  # fmt: skip
            self.io.write8(register * self.io.stride, value)

    def close(self) -> None:
        self.drain(1.0)
        for register in (1, 4):
            self.io.write8(register * self.io.stride, 0)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        for byte in data:
            while not self.status() & 0x20:
                self.cpu.sleep(20e-6)
            self.io.write8(0, byte)
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        end = self.cpu.time() + (timeout or 0)
        found = bytearray()
        while len(found) < size and self.cpu.time() < end:
            if self.status() & 1:
                found.append(self.io.read8(0))
            else:
                self.cpu.sleep(50e-6)
        return bytes(found)

    def drain(self, timeout: float | None = None) -> bool:
        end = self.cpu.time() + (timeout or 0)
        while not self.status() & 0x40:
            if self.cpu.time() >= end:
                return False
            self.cpu.sleep(20e-6)
        return True

    def status(self) -> int:
        status = self.io.read8(5 * self.io.stride)
        self.errors.overrun += status >> 1 & 1
        return status


def bus_errors(first: int, count: int | None, register: str = "LSR") -> FaultPlan:
    """Return a plan in which some accesses of a register end in a bus error."""
    when = When(first=first, count=count)
    return FaultPlan((FaultSpec("bus-error", f"telemetry.{register}", when),))


@pytest.mark.parametrize("first", [1, 2, 3, 10, 40])
@pytest.mark.parametrize("register", ["LSR", "LCR", "IER"])
def test_bus_errors_may_come_out_of_a_call(first: int, register: str) -> None:
    """A driver that lets a bus error through is not accused of what the fault did."""
    outcome = outcome_of(Raises, *TALK, faults=bus_errors(first, 2, register))
    assert outcome.findings == []
    assert broken(outcome) == {}


def test_a_bus_that_is_dead_for_good() -> None:
    """A driver that cannot even open ends the run, and that is not its fault."""
    outcome = outcome_of(Raises, *TALK, faults=bus_errors(1, None, "LCR"))
    assert outcome.ended == "open met a bus error each time"
    assert outcome.clean


def test_a_bus_error_without_a_fault() -> None:
    """A bus error of the driver's own making ends the run; the access is the finding."""

    class Misses(PolledDriver):
        def drain(self, timeout: float | None = None) -> bool:
            self._io.read8(0x9000)
            return True

    outcome = outcome_of(Misses, *TALK)
    assert rules_of(outcome) == ["unmapped-access"]
    assert outcome.ended == "drain raised BusError"
    assert not outcome.clean


def test_bus_error_is_the_drivers_to_catch() -> None:
    """A driver may catch its own bus error; the rule about it speaks all the same."""

    class Probes(PolledDriver):
        def drain(self, timeout: float | None = None) -> bool:
            try:
                self._io.read8(0x9000)
            except BusError:
                return super().drain(timeout)
            return False

    outcome = outcome_of(Probes, *TALK)
    assert rules_of(outcome) == ["unmapped-access"]
    assert broken(outcome) == {}


# time


@pytest.mark.parametrize("baud", [300, 9600, 115_200])
def test_time_outs_are_kept_at_any_rate(baud: int) -> None:
    """A read in vain takes its time-out and no more, however slow the line."""
    line = LineSettings(baud)
    outcome = outcome_of(
        PolledDriver, Step("receive", count=3, timeout_ps=7 * MS), line=line, far_end="sink"
    )
    assert outcome.clean
    assert outcome.steps[1].text == "0 of 3 bytes"


def test_a_close_that_takes_for_ever() -> None:
    """A close that never comes back is ended, and breaks the promise about time."""

    class Stays(PolledDriver):
        def close(self) -> None:
            while self._is_open:
                self._cpu.sleep(0.01)

    outcome = outcome_of(Stays, *TALK)
    assert rules_of(outcome) == ["call-overdue"]
    assert "close was still running after" in broken(outcome)["time"]


def test_counters_may_be_replaced() -> None:
    """A driver may put another object in the place of its counters, as long as they go on."""

    class Replaces(PolledDriver):
        def open(self, line: LineSettings) -> None:
            super().open(line)
            old = self.errors
            self.errors = type(old)(old.overrun, old.parity, old.framing, old.breaks)

    assert outcome_of(Replaces, *TALK, Step("reopen"), *TALK).clean


def test_bytes_after_close_are_nobodys() -> None:
    """Characters that come between close and open, or while either runs, may be lost."""
    far_end = FarEndPlan(kind="source", data=bytes(range(200)), gap_ps=20_000_000)
    steps: tuple[Any, ...] = (
        Step("receive", count=20), Step("close"), Step("wait", duration_ps=3 * MS), Step("open"),
        Step("receive", count=20), Step("reopen"), Step("receive"),
    )  # fmt: skip
    outcome = outcome_of(PolledDriver, *steps, far_end=far_end)
    assert broken(outcome) == {}


def test_line_settings_reach_the_driver() -> None:
    """The driver is opened with the line of the scenario, or with that of the step."""
    seen = []

    class Notes(PolledDriver):
        def open(self, line: LineSettings) -> None:
            seen.append(line)
            super().open(line)

    other = LineSettings(9600, 7, "even")
    assert outcome_of(Notes, Step("line", line=other), Step("reopen")).clean
    assert seen == [LINE, other, other]
