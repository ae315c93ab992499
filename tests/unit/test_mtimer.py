"""The machine timer against the specification that it follows.

Source of the rules: RISC-V ACLINT Specification, version 1.0-rc4 (draft), January 2022,
machine-level timer device, machine-level software interrupt device, and the table of the older
combined device for the offsets.
"""

from __future__ import annotations

import pytest
from hypothesis import settings

from emu.devices.mtimer import MachineTimer
from emu.kernel.board import Board
from emu.kernel.clock import NEVER_PS
from emu.testing import DeviceRules

MSIP, CMP_LOW, CMP_HIGH, LOW, HIGH = 0x0, 0x4000, 0x4004, 0xBFF8, 0xBFFC
ONES = 0xFFFF_FFFF


class Bench:
    """A board with a machine timer of 10 MHz, looked at and told things in no time."""

    def __init__(self) -> None:
        board = Board("harbour")
        board.attach(MachineTimer, "ticks", 0x0200_0000, irq=7)
        board.power_on()
        self.device = board.devices["ticks"]
        self.clock = board.clock
        self._names = {one.offset: one.name for one in MachineTimer.REGISTERS}

    def write(self, offset: int, value: int) -> None:
        """Write a register."""
        self.device.ports[self._names[offset]].write(value)

    def read(self, offset: int) -> int:
        """Read a register."""
        return self.device.ports[self._names[offset]].read()

    def wait_us(self, microseconds: float) -> None:
        """Let time pass."""
        self.clock.run_until(self.clock.now_ps + round(microseconds * 1e6))

    @property
    def irq(self) -> int:
        """The level of the timer interrupt."""
        return self.device.irq.level


@pytest.fixture
def bench() -> Bench:
    """Return a fresh timer."""
    return Bench()


def test_time_begins_at_zero_and_counts(bench: Bench) -> None:
    """MTIME resets to 0 and counts at a constant frequency."""
    assert (bench.read(HIGH), bench.read(LOW)) == (0, 0)
    bench.wait_us(12.34)
    assert bench.read(LOW) == 123


def test_it_is_pending_at_or_past_the_compare(bench: Bench) -> None:
    """The interrupt is up while MTIME is at least MTIMECMP, and falls by a later compare."""
    bench.write(CMP_LOW, 100)
    bench.write(CMP_HIGH, 0)
    bench.wait_us(9.9)
    assert not bench.irq
    bench.wait_us(0.1)
    assert bench.irq
    bench.wait_us(1000)
    assert bench.irq
    bench.write(CMP_LOW, 200_000)
    assert not bench.irq


def test_the_compare_is_unsigned(bench: Bench) -> None:
    """All ones is the latest moment there is, not one before zero."""
    bench.write(CMP_LOW, ONES)
    bench.write(CMP_HIGH, ONES)
    bench.wait_us(10)
    assert not bench.irq


def test_half_a_compare_may_lie_in_the_past(bench: Bench) -> None:
    """The low half first interrupts for nothing; all ones in the high half first does not."""
    seen: list[int] = []
    bench.write(LOW, 50)
    bench.write(HIGH, 1)
    bench.write(CMP_HIGH, 1)
    bench.write(CMP_LOW, 1_000_000)
    bench.device.irq.watch(seen.append)
    bench.write(CMP_LOW, 10)
    bench.write(CMP_HIGH, 2)
    assert seen == [1, 0]
    seen.clear()
    bench.write(CMP_HIGH, 1)
    bench.write(CMP_LOW, 1_000_000)
    seen.clear()
    for offset, value in ((CMP_HIGH, ONES), (CMP_LOW, 10), (CMP_HIGH, 2)):
        bench.write(offset, value)
    assert seen == []


def test_halves_carry(bench: Bench) -> None:
    """The high half follows when the low half wraps, and can be read torn."""
    bench.write(LOW, ONES - 1)
    high = bench.read(HIGH)
    bench.wait_us(0.3)
    assert (high, bench.read(HIGH), bench.read(LOW)) == (0, 1, 1)


def test_writing_the_time_moves_the_interrupt(bench: Bench) -> None:
    """A time set past the compare interrupts at once, one set before it no longer does."""
    bench.write(CMP_LOW, 1000)
    bench.write(CMP_HIGH, 0)
    bench.write(LOW, 1000)
    assert bench.irq
    bench.write(LOW, 900)
    assert not bench.irq
    bench.wait_us(10)
    assert bench.irq


def test_a_reset_leaves_the_compare_alone(bench: Bench) -> None:
    """MTIME is 0 again; what MTIMECMP holds after a reset is left open, here it stays."""
    bench.write(CMP_LOW, 100)
    bench.write(CMP_HIGH, 0)
    bench.wait_us(50)
    bench.device.reset()
    assert not bench.irq
    bench.wait_us(10)
    assert bench.irq


def test_the_software_interrupt_is_bit_0(bench: Bench) -> None:
    """MSIP bit 0 is the level, the other bits are 0."""
    bench.write(MSIP, ONES)
    assert bench.read(MSIP) == 1
    assert bench.device.signals["software"].level
    bench.write(MSIP, 0)
    assert not bench.device.signals["software"].level


def test_a_timer_that_stands_still_goes_on(bench: Bench) -> None:
    """While halted it neither counts nor interrupts; then it counts on from there."""
    bench.write(CMP_LOW, 100)
    bench.write(CMP_HIGH, 0)
    bench.wait_us(5)
    bench.device.halt(True)
    bench.wait_us(50)
    assert (bench.read(LOW), bench.irq) == (50, 0)
    bench.device.halt(False)
    bench.wait_us(5)
    assert bench.irq


class MachineTimerRules(DeviceRules):
    """Whatever software does and however long it waits, the timer keeps to its declaration."""

    DEVICE = MachineTimer
    BY_DEVICE = frozenset({"MTIME_LOW.TICKS", "MTIME_HIGH.TICKS"})


TestMachineTimer = MachineTimerRules.TestCase
TestMachineTimer.settings = settings(
    derandomize=True, database=None, deadline=None, max_examples=50, stateful_step_count=30
)


def test_the_time_may_begin_late() -> None:
    """A board can say what the time begins at, so that a carry is near; a reset begins there."""
    board = Board("harbour")
    board.attach(MachineTimer, "ticks", 0x0200_0000, irq=7, settings={"cycles": 2**32 - 5})
    board.power_on()
    ports, clock = board.devices["ticks"].ports, board.clock
    clock.run_until(1_000_000)
    assert (ports["MTIME_HIGH"].read(), ports["MTIME_LOW"].read()) == (1, 5)
    board.devices["ticks"].reset()
    assert (ports["MTIME_HIGH"].read(), ports["MTIME_LOW"].read()) == (0, 2**32 - 5)


def test_a_compare_that_never_comes_is_no_event() -> None:
    """With all ones in the compare nothing is due, so whoever waits for an event has none."""
    board = Board("harbour")
    board.attach(MachineTimer, "ticks", 0x0200_0000, irq=7)
    board.power_on()
    assert board.clock.next_event_ps == NEVER_PS
    board.devices["ticks"].ports["MTIMECMP_HIGH"].write(0)
    assert board.clock.next_event_ps < NEVER_PS
