"""Bugs in whole drivers that a rule names, or that a promise shows, and what is no bug.

The one idea: each driver is a good one with one habit changed, driven by a scenario in which the
habit bites; beside it stands the habit that looks alike and is right.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from drivers_example import interrupt_driven
from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.polled import PolledDriver
from emu import LineSettings
from emu.line.plan import FarEndPlan
from emu.scenario.load import load_scenario
from emu.scenario.model import Step
from emu.scenario.runner import run_scenario
from tests.driven_run import BOARD, MS, ROOT, broken, outcome_of, rules_of
from tests.quality.snippets.bench import DLL, DLM, FCR, IER, LCR, LSR, MCR, THR, Bench
from tests.quality.snippets.styles import ByCause, ByStatus, TriggerLevel

OPEN, NOW = Step("open"), Step("close", how="now")


def line_of(text: str) -> int:
    """Return the line of this file that contains `text` first."""
    lines = Path(__file__).read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if text in line)


# A divisor that is rounded down.


class Truncates(ByCause):
    """Divide clock by baud as integers."""

    rounding = staticmethod(int)

    def open(self, line: LineSettings) -> None:
        divisor = self.rounding(self.io.clock_hz / (16 * line.baud))
        self.character_s = line.character_s
        self.put(LCR, 0x83)
        self.put(DLL, divisor & 0xFF)  # the low half
        self.put(DLM, divisor >> 8)
        self.put(LCR, 0x03)
        self.put(FCR, 0x87)
        self.put(MCR, 0x0B)
        self.is_open = True
        self.cpu.connect(self.io.irq, self.handle)
        self.enable(self.receive_enable)


class Rounds(Truncates):
    """Divide clock by baud and round to the nearest."""

    rounding = staticmethod(round)


def test_a_clock_that_does_not_divide_shows_truncation() -> None:
    """Rounding works at 20 MHz and truncation does not; the finding says which and where."""
    scenario = load_scenario(ROOT / "fixtures" / "odd_clock.yaml")
    outcome = run_scenario(scenario, Truncates)
    (found,) = outcome.findings
    assert (found.rule, found.line) == ("divisor-off", line_of("divisor = self.rounding("))
    assert found.register == "telemetry.DLL"
    assert found.message == (
        "divisor 10, rounded down from 10.85, is 8.5% off 115200 baud; 11 is 1.4% off; written to "
        f"the divisor latch in line {line_of('self.put(DLM')}"
    )
    assert "start" in broken(outcome)
    assert run_scenario(scenario, Rounds).clean


@pytest.mark.parametrize(
    ("divisor", "line", "register", "said"),
    [
        (5, 19_200, "DLL", "divisor 5 is"),
        (0x0205, 19_200, "DLL", "divisor 517 is"),
        (0x0206, 19_200, "DLM", "divisor 518 is"),
        (12, 9_600, "", ""),
    ],
)
def test_the_half_that_is_wrong_is_named(divisor: int, line: int, register: str, said: str) -> None:
    """The finding is at the write of the half that differs from the best divisor."""
    bench = Bench()

    def open_port() -> None:
        bench.io.write8(LCR, 0x83)
        bench.io.write8(DLL, divisor & 0xFF)  # half DLL
        bench.io.write8(DLM, divisor >> 8)  # half DLM
        bench.io.write8(LCR, 0x03)

    bench.open_with(open_port, LineSettings(line))
    found = [(one.register, one.line, one.message) for one in bench.finish()]
    if not register:
        assert found == []
    else:
        ((path, row, message),) = found
        assert (path, row) == (f"telemetry.{register}", line_of(f"# half {register}"))
        assert said in message


# Settings changed while characters are leaving.


@pytest.mark.parametrize(
    ("register", "value", "rule"),
    [
        (LCR, 0x02, "config-while-shifting"),  # 7 data bits
        (LCR, 0x1B, "config-while-shifting"),  # even parity
        (LCR, 0x07, "config-while-shifting"),  # two stop bits
        (LCR, 0x43, "config-while-shifting"),  # a break
        (MCR, 0x1B, "config-while-shifting"),  # loopback
        (FCR, 0x85, "transmit-fifo-cleared"),
        (FCR, 0x00, "transmit-fifo-cleared"),  # FIFOs off, which clears them
        (LCR, 0x03, ""),
        (FCR, 0x83, ""),
        (MCR, 0x09, ""),
        (IER, 0x00, ""),
    ],
)
def test_a_setting_changed_under_way(register: int, value: int, rule: str) -> None:
    """Each change that hurts characters on their way is found at its line, and no other."""
    for waits in (False, True):
        bench = Bench()
        bench.open()

        def change(*, waits: bool = waits, bench: Bench = bench) -> None:
            for byte in b"slack water":
                bench.io.write8(THR, byte)
            while waits and not bench.io.read8(LSR) & 0x40:
                bench.cpu.sleep(20e-6)
            bench.io.write8(register, value)  # changed here

        bench.call("write", change)
        found = [(one.rule, one.line) for one in bench.finish()]
        assert found == ([(rule, line_of("# changed here"))] if rule and not waits else [])


@pytest.mark.parametrize(("low", "high"), [(2, 0), (1, 1)])
def test_a_divisor_changed_under_way(low: int, high: int) -> None:
    """Either half of the divisor counts, and writing what is there already does not."""
    bench = Bench()
    bench.open()

    def change() -> None:
        for byte in b"slack water":
            bench.io.write8(THR, byte)
        bench.io.write8(LCR, 0x83)
        bench.io.write8(DLL, low)
        bench.io.write8(DLM, high)
        bench.io.write8(LCR, 0x03)

    bench.call("write", change)
    (found,) = bench.finish()
    assert found.rule == "config-while-shifting"
    assert found.register == ("telemetry.DLL" if low == 2 else "telemetry.DLM")


class Hurries(InterruptDriver):
    """Close without waiting for what is on its way."""

    def drain(self, timeout: float | None = None) -> bool:
        return False

    def _silence_leftovers(self) -> None:
        """Trust that nothing is left over."""

    def _shut_down(self, drained: bool) -> None:
        super()._shut_down(True)


def test_a_line_change_over_a_busy_transmitter() -> None:
    """Sent, closed at once and opened with other settings: the write that does it is named."""
    steps = (OPEN, Step("send", data=b"tide 3.21 m"), NOW, Step("open", line=LineSettings(9600, 7)))
    outcome = outcome_of(Hurries, *steps, far_end="sink", line=LineSettings(2400))
    assert set(rules_of(outcome)) == {"config-while-shifting"}
    assert {one.file for one in outcome.findings} == {interrupt_driven.__file__}
    assert outcome_of(InterruptDriver, *steps, far_end="sink", line=LineSettings(2400)).clean


@pytest.mark.parametrize("waited_characters", [1, 40])
def test_only_who_clears_what_is_stuck_may_clear(waited_characters: int) -> None:
    """A transmitter that stands still may be cleared once its characters had time to leave."""
    bench = Bench()
    bench.open()

    def write() -> None:
        for byte in b"slack water":
            bench.io.write8(THR, byte)
        bench.uart.halt(True)
        bench.cpu.sleep(waited_characters * 87e-6)
        bench.io.write8(FCR, 0x85)

    bench.call("write", write)
    rules = [one.rule for one in bench.finish()]
    assert rules == (["transmit-fifo-cleared"] if waited_characters == 1 else [])


# The driver's own buffer runs over.

BURST = FarEndPlan(kind="source", data=bytes(range(100)), start_ps=MS // 10)


class Overflows(InterruptDriver):
    """Have a buffer of 24 bytes, and not count what it does not take."""

    counted = 0
    oldest = False
    dropping = False

    def _take_in(self, announced: int) -> int:
        status = super()._take_in(announced)
        excess = len(self._received) - 24
        if excess > 0:
            if self.oldest:
                del self._received[:excess]
            else:
                del self._received[24:]
            if not self.dropping or self.oldest:
                self.errors.overrun += self.counted
            self.dropping = True
        return status


class Counts(Overflows):
    """Count once for a gap."""

    counted = 1


class DropsOldest(Counts):
    """Make room by dropping what came first."""

    oldest = True


@pytest.mark.parametrize(("driver", "breaks"), [(Overflows, ["loss"]), (Counts, []),
                                                (DropsOldest, [])])  # fmt: skip
def test_a_buffer_that_runs_over(driver: type, breaks: list[str]) -> None:
    """What the driver's own buffer drops must be counted, once a gap at least."""
    outcome = outcome_of(
        driver, OPEN, Step("wait", duration_ps=12 * MS), Step("close"), far_end=BURST
    )
    assert list(broken(outcome)) == breaks
    assert outcome.measures.overruns == 0
    if breaks:
        assert "76 characters were never returned though whole" in broken(outcome)["loss"]
        assert "errors.overrun is 0, at least 1 expected" in broken(outcome)["loss"]


# Errors counted character by character.

BAD_PARITY = FarEndPlan(kind="source", data=b"3.21 m\r\n" * 2, line=LineSettings(9600, 7, "odd"),
                        start_ps=MS)  # fmt: skip


class CountsRuns(ByCause):
    """Count parity errors once for each run of the handler."""

    receive_enable = 0x01

    def open(self, line: LineSettings) -> None:
        super().open(line)
        self.put(FCR, 0xC1)

    def handle(self) -> None:
        shown = 0
        while (status := self.get(LSR)) & 0x01:  # shown here
            shown |= status
            self.get(0)
        self.errors.parity += bool(shown & 0x04)


class CountsEach(CountsRuns):
    """Count each, though not at once: at the end of the run."""

    def handle(self) -> None:
        count = 0
        while (status := self.get(LSR)) & 0x01:
            count += bool(status & 0x04)
            self.get(0)
        self.errors.parity += count


def test_one_count_for_several_bad_characters() -> None:
    """Several bad characters in one run of the handler are several errors; the look is named."""
    line = LineSettings(9600, 7, "even")
    step = Step("wait", duration_ps=40 * MS)
    outcome = outcome_of(CountsRuns, OPEN, step, Step("close"), far_end=BAD_PARITY, line=line)
    (found,) = [one for one in outcome.findings if one.rule == "error-bits-lost"]
    assert found.line == line_of("# shown here")
    assert "errors" in broken(outcome)
    good = outcome_of(CountsEach, OPEN, step, Step("close"), far_end=BAD_PARITY, line=line)
    assert "errors" not in broken(good)
    assert rules_of(good) == []


class LooksAndLeaves(PolledDriver):
    """Look for room before writing, and take an error's flags away unseen."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        while not self._io.read8(LSR * self._stride) & 0x20:
            self._cpu.sleep(20e-6)
        return super().write(data, timeout)


def test_flags_that_were_shown_are_not_forgiven_by_close() -> None:
    """A flag that was read is due, though its character is still in the device at close."""
    line = LineSettings(9600, 7, "even")
    bad = FarEndPlan(kind="source", data=b"3", line=LineSettings(9600, 7, "odd"), start_ps=MS)
    steps = (OPEN, Step("wait", duration_ps=4 * MS), Step("send", data=b"t"), NOW)
    outcome = outcome_of(LooksAndLeaves, *steps, far_end=bad, line=line)
    assert "error-bits-lost" in rules_of(outcome)
    assert "errors" in broken(outcome)
    steps = (OPEN, Step("wait", duration_ps=4 * MS), NOW)
    assert outcome_of(PolledDriver, *steps, far_end=bad, line=line).clean


# Handlers, masks and waits.


class WaitsInHandler(ByCause):
    """Send one character at a time from the handler, and wait for each to leave."""

    def feed(self, status: int) -> None:
        self.depth = 1
        super().feed(status)
        while self.outgoing and not self.get(LSR) & 0x40:
            self.cpu.time()


def test_a_handler_that_waits_for_the_transmitter() -> None:
    """Waiting for TEMT in the handler is found, reads of the time in between or not."""
    outcome = outcome_of(WaitsInHandler, Step("send", data=b"tide 3.21 m"), far_end="sink")
    assert rules_of(outcome) == ["busy-wait-in-handler"]
    assert "telemetry.LSR read" in outcome.findings[0].message


@pytest.mark.parametrize("baud", [2400, 115_200])
@pytest.mark.parametrize("driver", [InterruptDriver, ByCause, ByStatus, TriggerLevel])
def test_a_slow_bus_is_no_waiting(driver: type, baud: int) -> None:
    """A handler that serves a full FIFO over a slow bus is at work, however long it takes."""
    slow = tuple(replace(one, wait_cycles=200) for one in BOARD.devices)
    outcome = outcome_of(
        driver, Step("exchange", data=bytes(40), count=40), board=replace(BOARD, devices=slow),
        line=LineSettings(baud),
    )  # fmt: skip
    assert rules_of(outcome) == []
    assert outcome.measures.handler_ps > 0


class UnmasksLate(PolledDriver):
    """Mask by hand around a write, and forget the way out when nothing was accepted."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        masked = self._cpu.interrupts_masked()
        masked.__enter__()  # masked here
        count = super().write(data, timeout)
        if count == len(data):
            masked.__exit__(None, None, None)
        return count


def test_an_early_way_out_of_a_masked_section() -> None:
    """A call that returns with interrupts masked is found where it masked them."""
    steps = (Step("send", data=bytes(40), timeout_ps=MS // 10),)
    outcome = outcome_of(UnmasksLate, *steps, far_end="sink")
    assert set(rules_of(outcome)) == {"left-masked"}
    assert outcome.findings[0].line == line_of("# masked here")
    assert outcome_of(UnmasksLate, Step("send", data=bytes(40)), far_end="sink").clean


def test_a_handler_that_leaves_interrupts_masked() -> None:
    """A handler is held to the same."""
    bench = Bench()

    def handler() -> None:
        bench.cpu.interrupts_masked().__enter__()  # masked in the handler
        bench.receive()

    bench.open(handler, ier=1)
    bench.arrive(b"ebb")
    bench.wait(6)
    (found,) = bench.finish()
    assert (found.rule, found.line) == ("left-masked", line_of("# masked in the handler"))
    assert found.message.endswith("still so when the handler is over")


class NapsByInterrupt(PolledDriver):
    """Poll, with interrupts off, and nap by waiting for an interrupt that never comes."""

    def open(self, line: LineSettings) -> None:
        super().open(line)
        if not self._connected:
            self._cpu.connect(self._io.irq, self._look)
        self._connected = True

    def close(self) -> None:
        super().close()
        if self._connected:
            self._cpu.disconnect(self._io.irq, self._look)
        self._connected = False

    _connected = False

    def _nap(self, deadline: float) -> None:
        left = max(deadline - self._cpu.time(), 0.0)
        with self._cpu.interrupts_masked():
            self._cpu.wait_for_interrupt(min(left, 8 * self._character_s))


def test_a_poller_may_nap_by_any_means() -> None:
    """Who looks again after each wait does not rely on the interrupt, enabled or not."""
    steps = (Step("exchange", data=bytes(range(60)), count=60), Step("drain"))
    outcome = outcome_of(NapsByInterrupt, *steps)
    assert rules_of(outcome) == []
    assert list(broken(outcome)) in ([], ["loss"])


class SleepsMasked(ByCause):
    """Wait for data by a masked sleep of the whole time-out."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        with self.cpu.interrupts_masked():
            if len(self.received) < size:
                self.cpu.sleep(timeout or 0)  # masked sleep
        return super().read(size, 0)


def test_a_sleep_that_no_interrupt_ends() -> None:
    """A masked sleep over received data is found at the sleep, loss or not."""
    few = FarEndPlan(kind="source", data=b"3.21", start_ps=MS // 10)
    step = Step("receive", count=4, timeout_ps=3 * MS)
    outcome = outcome_of(SleepsMasked, step, far_end=few)
    assert "asleep-while-masked" in rules_of(outcome)
    assert outcome.findings[0].line == line_of("# masked sleep")


# What lies in a part without FIFO.


@pytest.mark.parametrize(("reads", "stale"), [(False, True), (True, False)])
def test_a_part_without_fifo_keeps_its_character(reads: bool, stale: bool) -> None:
    """FCR clears nothing on a 16450: only reading RBR takes away what was there."""
    bench = Bench(fifo=0)
    bench.uart.receive(0x3F, 0)

    def open_port() -> None:
        bench.io.write8(LCR, 0x83)
        bench.io.write8(DLL, 1)
        bench.io.write8(DLM, 0)
        bench.io.write8(LCR, 0x03)
        bench.io.write8(FCR, 0x07)  # no FIFO to clear
        if reads:
            bench.io.read8(0)

    bench.open_with(open_port)
    found = [(one.rule, one.line) for one in bench.finish()]
    assert found == ([("stale-data-kept", line_of("# no FIFO to clear"))] if stale else [])


# What a reset undoes in silence is not what the driver meant.


@pytest.mark.parametrize(
    ("register", "value", "found"),
    [
        (LCR, 0x03, []),  # as it was in open
        (LCR, 0x1F, ["config-while-shifting"]),
        (FCR, 0xC1, []),  # another trigger, and bit 0 as it was
        (FCR, 0x85, ["transmit-fifo-cleared"]),
        (FCR, 0x00, ["transmit-fifo-cleared"]),
    ],
)
@pytest.mark.parametrize("undone", [False, True])
def test_a_setting_is_judged_by_what_was_written_last(
    register: int, value: int, found: list[str], undone: bool
) -> None:
    """A driver that writes what it wrote before changes nothing, though a reset was in between."""
    bench = Bench()
    bench.open()

    def send() -> int:
        assert bench.io.read8(LSR) & 0x20
        for byte in b"3.21":
            bench.io.write8(THR, byte)
        bench.io.write8(register, value)
        return 4

    if undone:
        bench.uart.reset()
        bench.uart.ports["FCR"].write(0x01 if value == 0x85 else 0x00)
        bench.uart.ports["DLL"].write(1)
    bench.call("write", send)
    judged = {"config-while-shifting", "transmit-fifo-cleared"}
    assert [one.rule for one in bench.finish() if one.rule in judged] == found
