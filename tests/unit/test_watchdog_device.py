"""The watchdog device: its window, its keys, its lock, and what a bite leaves of the board."""

from __future__ import annotations

from typing import ClassVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.devices.timer import IntervalTimer
from emu.devices.watchdog import FIRST_KEY, RESET_KEY, SECOND_KEY, Watchdog
from emu.errors import RunEnded
from emu.kernel.board import Board
from emu.testing import DeviceRules

CONTROL, TIMEOUT, OPENS, FEED, STATUS, COUNT, CAUSE, RESET = range(0, 0x20, 4)
ENABLE, LOCK = 0x01, 0x02
OPEN, HALF_FED, RUNNING = 0x01, 0x02, 0x04
POWER_ON, WATCHDOG, SOFTWARE, LATE, EARLY, WRONG_KEY = 0x01, 0x02, 0x04, 0x100, 0x200, 0x400
SAME = settings(derandomize=True, database=None, deadline=None)
_MS_PS = 10**9


class Bench:
    """A board with a watchdog of 1 kHz and a timer, looked at and told things in no time.

    Args:
        goes_on: whether the driver survives a reset of the board.
        clock_hz: of the watchdog.
    """

    def __init__(self, *, goes_on: bool = True, clock_hz: int = 1000) -> None:
        self.board = Board("harbour")
        self.io = self.board.attach(Watchdog, "guard", 0x3000, settings={"clock": clock_hz})
        self.board.attach(IntervalTimer, "sampling", 0x4000, irq=3)
        self.board.power_on()
        device = self.board.devices["guard"]
        assert isinstance(device, Watchdog)
        self.dog = device
        self.resets: list[str] = []
        if goes_on:
            self.board.on_reset = self._note

    def _note(self, why: str) -> bool:
        self.resets.append(why)
        return True

    def write(self, offset: int, value: int) -> None:
        """Write a register."""
        self.dog.ports[_name(offset)].write(value)

    def read(self, offset: int) -> int:
        """Read a register."""
        return self.dog.ports[_name(offset)].read()

    def begin(self, timeout: int, opens: int = 0, control: int = ENABLE) -> None:
        """Set the window and enable it."""
        self.write(TIMEOUT, timeout)
        self.write(OPENS, opens)
        self.write(CONTROL, control)

    def feed(self) -> None:
        """Write both keys."""
        self.write(FEED, FIRST_KEY)
        self.write(FEED, SECOND_KEY)

    def run(self, *, ms: int) -> None:
        """Let time pass."""
        clock = self.board.clock
        clock.run_until(clock.now_ps + ms * _MS_PS)


def _name(offset: int) -> str:
    return next(one.name for one in Watchdog.REGISTERS if one.offset == offset)


@pytest.fixture
def bench() -> Bench:
    """Return a board whose driver survives resets."""
    return Bench()


# the window


def test_it_bites_when_it_is_not_fed(bench: Bench) -> None:
    """The bite comes TIMEOUT ticks after it was enabled, not a tick earlier."""
    bench.begin(100)
    bench.run(ms=99)
    assert (bench.resets, bench.read(COUNT)) == ([], 99)
    bench.run(ms=1)
    assert bench.resets == ["guard bit: not fed for 100 ms"]
    assert bench.read(CAUSE) == POWER_ON | WATCHDOG | LATE


def test_each_feed_begins_a_new_count(bench: Bench) -> None:
    """Fed in time again and again it never bites, and bites once that ends."""
    bench.begin(100)
    for _ in range(20):
        bench.run(ms=99)
        bench.feed()
    assert (bench.resets, bench.read(COUNT)) == ([], 0)
    bench.run(ms=100)
    assert len(bench.resets) == 1


@SAME
@given(opens=st.integers(0, 60), after=st.integers(0, 120))
def test_a_feed_counts_only_within_the_window(opens: int, after: int) -> None:
    """Before OPENS ticks it bites as too early, from TIMEOUT on as too late, between not at all."""
    bench = Bench()
    bench.begin(100, opens)
    bench.run(ms=after)
    late = after >= 100
    assert bench.read(STATUS) == (0 if late else RUNNING | OPEN * (after >= opens))
    bench.feed()
    expected = LATE if late else EARLY if after < opens else 0
    assert bench.read(CAUSE) & ~(POWER_ON | WATCHDOG) == expected
    assert len(bench.resets) == bool(expected)


def test_the_window_counts_from_the_second_key(bench: Bench) -> None:
    """A first key in time does not help a second one that is late; one too early does not harm."""
    bench.begin(100, opens=50)
    bench.write(FEED, FIRST_KEY)
    assert bench.read(STATUS) == RUNNING | HALF_FED
    bench.run(ms=60)
    bench.write(FEED, SECOND_KEY)
    assert (bench.resets, bench.read(STATUS)) == ([], RUNNING)
    bench.write(FEED, FIRST_KEY)
    bench.run(ms=100)
    assert bench.resets == ["guard bit: not fed for 100 ms"]


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ((SECOND_KEY,), "fed with 0xf10d, not 0xebb0"),
        ((FIRST_KEY, FIRST_KEY), "fed with 0xebb0, not 0xf10d"),
        ((0,), "fed with 0x0000, not 0xebb0"),
    ],
    ids=["second alone", "first twice", "no key"],
)
def test_a_wrong_key_bites_at_once(bench: Bench, keys: tuple[int, ...], why: str) -> None:
    """Another value, or the keys in another order, resets the board and says why."""
    bench.begin(100)
    for key in keys:
        bench.write(FEED, key)
    assert bench.resets == [f"guard bit: {why}"]
    assert bench.read(CAUSE) == POWER_ON | WATCHDOG | WRONG_KEY


def test_new_settings_count_from_the_next_feed(bench: Bench) -> None:
    """A shorter TIMEOUT changes nothing for the wait under way."""
    bench.begin(100)
    bench.write(TIMEOUT, 10)
    bench.run(ms=50)
    assert bench.resets == []
    bench.feed()
    bench.run(ms=10)
    assert len(bench.resets) == 1


def test_a_timeout_of_no_ticks_counts_as_one(bench: Bench) -> None:
    """It bites with the next tick, not at once."""
    bench.begin(0)
    bench.run(ms=0)
    assert bench.resets == []
    bench.run(ms=1)
    assert len(bench.resets) == 1


def test_it_bites_when_the_tick_is_over() -> None:
    """1/32768 s is 30517578.125 ps: the bite comes in the first whole picosecond after it."""
    bench = Bench(clock_hz=32_768)
    bench.begin(1)
    bench.board.clock.run_until(30_517_578)
    assert (bench.resets, bench.read(COUNT)) == ([], 0)
    bench.board.clock.run_until(30_517_579)
    assert len(bench.resets) == 1


# enable and lock


def test_enabling_it_again_is_no_feed(bench: Bench) -> None:
    """Writing CONTROL as it is leaves the count, and a first key that has come."""
    bench.begin(100)
    bench.write(FEED, FIRST_KEY)
    bench.run(ms=60)
    bench.write(CONTROL, ENABLE)
    assert (bench.read(COUNT), bench.read(STATUS)) == (60, RUNNING | OPEN | HALF_FED)


def test_a_first_key_does_not_outlast_its_stop(bench: Bench) -> None:
    """Stopped and started again, it wants both keys."""
    bench.begin(100)
    bench.write(FEED, FIRST_KEY)
    bench.write(CONTROL, 0)
    bench.write(CONTROL, ENABLE)
    bench.write(FEED, SECOND_KEY)
    assert bench.resets == ["guard bit: fed with 0xf10d, not 0xebb0"]


def test_it_does_nothing_until_it_is_enabled(bench: Bench) -> None:
    """Neither time nor wrong keys bother it before, nor once it is disabled again."""
    bench.write(FEED, 0)
    bench.run(ms=100_000)
    bench.begin(100)
    bench.write(CONTROL, 0)
    bench.write(FEED, 0)
    bench.run(ms=100_000)
    assert (bench.resets, bench.read(STATUS), bench.read(COUNT)) == ([], 0, 0)


def test_a_lock_holds_until_a_reset(bench: Bench) -> None:
    """Locked, it cannot be stopped, changed or unlocked; the bite unlocks and stops it."""
    bench.begin(100, control=ENABLE | LOCK)
    bench.write(CONTROL, 0)
    bench.write(TIMEOUT, 100_000)
    bench.write(OPENS, 50)
    assert [bench.read(one) for one in (CONTROL, TIMEOUT, OPENS)] == [ENABLE | LOCK, 100, 0]
    bench.run(ms=100)
    assert len(bench.resets) == 1
    bench.run(ms=100_000)
    assert len(bench.resets) == 1
    bench.write(TIMEOUT, 5)
    assert [bench.read(one) for one in (CONTROL, TIMEOUT)] == [0, 5]


# the reset


def test_a_bite_resets_the_other_devices_too(bench: Bench) -> None:
    """What was set in a timer is gone, and its interrupt line is down."""
    timer = bench.board.devices["sampling"]
    for name, value in (("RELOAD", 9), ("CONTROL", 0x11)):
        timer.ports[name].write(value)
    bench.begin(100)
    bench.run(ms=50)
    assert (timer.irq.level, timer.peek("RELOAD")) == (1, 9)
    bench.run(ms=50)
    assert (timer.irq.level, timer.peek("RELOAD"), timer.peek("CONTROL")) == (0, 0, 0)


def test_the_cause_outlives_resets_until_it_is_cleared(bench: Bench) -> None:
    """Flags add up over resets; a written 1 clears a flag and leaves the others."""
    assert bench.read(CAUSE) == POWER_ON
    bench.write(CAUSE, POWER_ON)
    bench.begin(10)
    bench.run(ms=10)
    bench.write(RESET, RESET_KEY)
    assert bench.read(CAUSE) == WATCHDOG | LATE | SOFTWARE
    bench.write(CAUSE, WATCHDOG | LATE)
    assert bench.read(CAUSE) == SOFTWARE


def test_software_resets_the_board_by_a_key(bench: Bench) -> None:
    """Another value does nothing."""
    bench.begin(100)
    bench.write(RESET, RESET_KEY ^ 1)
    assert bench.resets == []
    bench.write(RESET, RESET_KEY)
    bench.run(ms=1000)
    assert bench.resets == ["software asked guard for it"]
    assert bench.read(CAUSE) == POWER_ON | SOFTWARE


def test_a_bite_ends_the_run_where_the_driver_was() -> None:
    """Asleep, the driver is ended at the moment of the bite, at its own line, and for good."""
    bench = Bench(goes_on=False)
    bench.io.write32(TIMEOUT, 100)
    bench.io.write32(CONTROL, ENABLE)
    begun_ps = bench.board.clock.now_ps
    with pytest.raises(RunEnded, match="board was reset: guard bit: not fed for 100 ms") as caught:
        bench.board.cpu.sleep(1.0)
    assert (caught.value.rule, caught.value.file) == ("board-reset", __file__)
    assert 0 <= begun_ps - (bench.board.clock.now_ps - 100 * _MS_PS) < _MS_PS
    with pytest.raises(RunEnded):
        bench.io.read32(CAUSE)


def test_a_feed_that_bites_ends_the_run_at_its_line() -> None:
    """The access that feeds too early does not return."""
    bench = Bench(goes_on=False)
    for offset, value in ((OPENS, 50), (CONTROL, ENABLE), (FEED, FIRST_KEY)):
        bench.io.write32(offset, value)
    with pytest.raises(RunEnded, match="before its window opened"):
        bench.io.write32(FEED, SECOND_KEY)


def test_standing_still_it_does_not_bite(bench: Bench) -> None:
    """Halted, it waits; afterwards it counts on from there."""
    bench.begin(100)
    bench.run(ms=60)
    bench.dog.halt(True)
    bench.write(FEED, 0)
    bench.run(ms=1000)
    assert (bench.read(COUNT), bench.resets) == (60, [])
    bench.dog.halt(False)
    bench.run(ms=39)
    assert bench.resets == []
    bench.run(ms=1)
    assert len(bench.resets) == 1


def test_who_watches_it_is_told(bench: Bench) -> None:
    """Each begin of a count is told, and each reset with its cause; the window is known."""
    dog, begun, bitten = bench.dog, [], []
    dog.on_begin.append(lambda: begun.append(dog.in_force))
    dog.on_bite.append(bitten.append)
    bench.begin(100, 10)
    bench.write(TIMEOUT, 50)
    assert (dog.running, dog.in_force) == (True, (10, 100))
    bench.run(ms=20)
    bench.feed()
    bench.run(ms=50)
    bench.write(RESET, RESET_KEY)
    assert begun == [(10, 100), (10, 50)]
    assert bitten == [WATCHDOG | LATE, SOFTWARE]
    assert not dog.running


class WatchdogRules(DeviceRules):
    """Whatever software does and however long it waits, it keeps to its declaration."""

    DEVICE = Watchdog
    SETTINGS: ClassVar[dict[str, object]] = {"clock": 1_000_000}
    BY_DEVICE = frozenset(
        f"{one.name}.{field.name}" for one in Watchdog.REGISTERS for field in one.fields
    ) - {"CONTROL.LOCK"}

    def __init__(self) -> None:
        super().__init__()
        for device in self.devices:
            assert isinstance(device, Watchdog)
            device._board.on_reset = lambda _why: True


TestWatchdog = WatchdogRules.TestCase
TestWatchdog.settings = settings(SAME, max_examples=50, stateful_step_count=30)
