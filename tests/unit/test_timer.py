"""A timer: when periods end and matches come, and what a driver has to know of both."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.devices.timer import IntervalTimer
from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S
from emu.testing import DeviceRules

CONTROL, PRESCALE, RELOAD, COMPARE, STATUS, COUNT, LOW, HIGH = range(0, 0x20, 4)
ENABLE, PERIODIC, END_IRQ, MATCH_IRQ, RESTART = 0x01, 0x02, 0x10, 0x20, 0x100
END, MATCH, MISSED = 0x01, 0x02, 0x04
SAME = settings(derandomize=True, database=None, deadline=None)


class Bench:
    """A board with a timer of 1 MHz, looked at and told things in no time."""

    def __init__(self, **parameters: object) -> None:
        self.board = Board("harbour")
        self.board.attach(IntervalTimer, "sampling", 0x6000_0000, irq=3, settings=parameters)
        self.board.power_on()
        device = self.board.devices["sampling"]
        assert isinstance(device, IntervalTimer)
        self.timer = device
        self.clock = self.board.clock

    def write(self, offset: int, value: int) -> None:
        """Write a register."""
        self.timer.ports[self._name(offset)].write(value)

    def read(self, offset: int) -> int:
        """Read a register."""
        return self.timer.ports[self._name(offset)].read()

    def _name(self, offset: int) -> str:
        return next(one.name for one in self.timer.REGISTERS if one.offset == offset)

    def wait_us(self, microseconds: float) -> None:
        """Let time pass."""
        self.clock.run_until(self.clock.now_ps + round(microseconds * 1e6))


@pytest.fixture
def bench() -> Bench:
    """Return a fresh timer."""
    return Bench()


def test_a_one_shot_ends_once_and_stops(bench: Bench) -> None:
    """After RELOAD + 1 ticks END is set, ENABLE has fallen and COUNT is 0."""
    bench.write(RELOAD, 9)
    bench.write(CONTROL, ENABLE | END_IRQ)
    bench.wait_us(9.5)
    assert (bench.read(COUNT), bench.read(STATUS)) == (9, 0)
    bench.wait_us(0.5)
    assert (bench.read(COUNT), bench.read(STATUS), bench.read(CONTROL)) == (0, END, END_IRQ)
    assert bench.timer.irq.level
    bench.wait_us(100)
    assert bench.read(STATUS) == END
    bench.write(STATUS, END)
    assert not bench.timer.irq.level


@given(
    hz=st.sampled_from([1_000_000, 32_768, 1_843_200, 999_983]),
    prescale=st.integers(0, 5),
    reload=st.integers(0, 40),
    periods=st.integers(1, 60),
)
@SAME
def test_periods_add_up_exactly(hz: int, prescale: int, reload: int, periods: int) -> None:
    """The n-th end comes at n periods, rounded up to a picosecond once and not n times."""
    bench = Bench(clock=hz)
    bench.write(PRESCALE, prescale)
    bench.write(RELOAD, reload)
    start_ps = bench.clock.now_ps
    bench.write(CONTROL, ENABLE | PERIODIC)
    length = Fraction((reload + 1) * (prescale + 1) * PS_PER_S, hz)
    due_ps = start_ps - (-length * periods).__floor__()
    bench.clock.run_until(due_ps - 1)
    bench.write(STATUS, END | MISSED)
    assert bench.read(STATUS) & END == 0
    bench.clock.run_until(due_ps)
    assert bench.read(STATUS) & END
    assert bench.read(COUNT) == 0


def test_an_end_that_nobody_saw_is_missed(bench: Bench) -> None:
    """MISSED tells that more than one period has ended since END was cleared."""
    bench.write(RELOAD, 9)
    bench.write(CONTROL, ENABLE | PERIODIC)
    bench.wait_us(10)
    assert bench.read(STATUS) == END | MATCH  # COMPARE is 0, which each period begins with
    bench.wait_us(10)
    assert bench.read(STATUS) & MISSED
    bench.write(STATUS, END | MISSED)
    bench.wait_us(10)
    assert not bench.read(STATUS) & MISSED


def test_a_match_comes_in_its_tick(bench: Bench) -> None:
    """MATCH is set when COUNT becomes COMPARE, once a period."""
    bench.write(RELOAD, 99)
    bench.write(COMPARE, 30)
    bench.write(CONTROL, ENABLE | PERIODIC | MATCH_IRQ)
    bench.wait_us(29.9)
    assert not bench.timer.irq.level
    bench.wait_us(0.1)
    assert bench.timer.irq.level
    bench.write(STATUS, MATCH)
    bench.wait_us(99.9)
    assert not bench.timer.irq.level
    bench.wait_us(0.1)
    assert bench.timer.irq.level


def test_a_compare_in_the_past_waits_for_the_next_period(bench: Bench) -> None:
    """What was passed already is not made up for: the classic way to miss an alarm."""
    bench.write(RELOAD, 99)
    bench.write(CONTROL, ENABLE | PERIODIC)
    bench.wait_us(50)
    bench.write(COMPARE, 49)
    bench.wait_us(98.9)
    assert not bench.read(STATUS) & MATCH
    bench.wait_us(0.1)
    assert bench.read(STATUS) & MATCH


def test_writing_status_clears_only_what_is_written(bench: Bench) -> None:
    """A 0 leaves a bit as it is, so that nothing that comes in between is lost."""
    bench.write(RELOAD, 9)
    bench.write(CONTROL, ENABLE | PERIODIC)
    bench.wait_us(20)
    before = bench.read(STATUS)
    bench.write(STATUS, MATCH)
    assert bench.read(STATUS) == before & ~MATCH


def test_the_prescaler_counts_on(bench: Bench) -> None:
    """A tick is PRESCALE + 1 cycles from the write on, and COUNT keeps what it has."""
    bench.write(RELOAD, 99)
    bench.write(CONTROL, ENABLE)
    bench.wait_us(20)
    bench.write(PRESCALE, 9)
    assert bench.read(COUNT) == 20
    bench.wait_us(100)
    assert bench.read(COUNT) == 30


def test_a_shorter_period_does_not_run_round(bench: Bench) -> None:
    """A count that is beyond the new RELOAD ends with the tick that is under way."""
    bench.write(RELOAD, 99)
    bench.write(CONTROL, ENABLE | PERIODIC)
    bench.wait_us(50.5)
    bench.write(RELOAD, 9)
    bench.wait_us(0.4)
    assert not bench.read(STATUS) & END
    bench.wait_us(0.1)
    assert bench.read(STATUS) & END
    bench.wait_us(10)
    assert bench.read(STATUS) & MISSED


def test_stopping_holds_the_count(bench: Bench) -> None:
    """ENABLE off keeps COUNT, on goes on from there, RESTART begins at 0."""
    bench.write(RELOAD, 99)
    bench.write(CONTROL, ENABLE)
    bench.wait_us(20)
    bench.write(CONTROL, 0)
    bench.wait_us(500)
    assert bench.read(COUNT) == 20
    bench.write(CONTROL, ENABLE)
    bench.wait_us(5)
    assert bench.read(COUNT) == 25
    bench.write(CONTROL, ENABLE | RESTART)
    assert bench.read(COUNT) == 0
    bench.wait_us(5)
    assert bench.read(COUNT) == 5


def test_halves_of_the_wide_counter_can_be_torn(bench: Bench) -> None:
    """LOW wraps between two reads, so HIGH, LOW and HIGH again is the way to read it."""
    torn = Bench(cycles=(1 << 32) - 2)
    high = torn.read(HIGH)
    torn.wait_us(3)
    low = torn.read(LOW)
    assert (high << 32 | low) == 1  # more than four thousand million too little
    assert (torn.read(HIGH) << 32 | torn.read(LOW)) == (1 << 32) + 1
    assert bench.read(HIGH) == 0


def test_a_timer_that_stands_still_goes_on(bench: Bench) -> None:
    """A halted timer keeps its count and raises nothing; then it counts on."""
    bench.write(RELOAD, 9)
    bench.write(CONTROL, ENABLE | PERIODIC | END_IRQ)
    bench.wait_us(5)
    bench.timer.halt(True)
    bench.wait_us(100)
    assert bench.read(COUNT) == 5
    assert not bench.timer.irq.level
    bench.timer.halt(False)
    bench.wait_us(5)
    assert bench.timer.irq.level


class TimerRules(DeviceRules):
    """Whatever software does and however long it waits, the timer keeps to its declaration."""

    DEVICE = IntervalTimer
    BY_DEVICE = frozenset(
        {"CONTROL.ENABLE", "STATUS.END", "STATUS.MATCH", "STATUS.MISSED", "COUNT.TICKS",
         "LOW.CYCLES", "HIGH.CYCLES"}
    )  # fmt: skip


TestTimer = TimerRules.TestCase
TestTimer.settings = settings(SAME, max_examples=50, stateful_step_count=30)
