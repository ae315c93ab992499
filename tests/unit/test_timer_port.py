"""What a timer knows and what its driver says, compared: right drivers pass, wrong ones do not."""

from __future__ import annotations

from typing import Any

from drivers_example.timekeeper import (
    CONTROL,
    COUNT,
    END,
    END_IRQ,
    HIGH,
    LOW,
    MATCH,
    MISSED,
    RELOAD,
    STATUS,
    Timekeeper,
)
from emu.scenario.outcome import Outcome
from tests.device_trial import line_of, lines_of, promises_of, trial
from tests.driven_run import broken

CARRY = 2**32
TEN = [{"every": 1000}, {"wait": "10.5 ms"}, "periods"]


def run(driver: type, *steps: Any, cycles: int = 0, **more: Any) -> Outcome:
    """Run steps on a timer at 1 MHz whose wide counter begins at some count."""
    return trial(driver, {"kind": "timer", "cycles": cycles}, *steps, **more)


def test_a_good_driver_keeps_all_promises() -> None:
    """The time across a carry, periods, and alarms among them."""
    outcome = run(Timekeeper, "now", "now", *TEN, {"alarm": 300}, {"alarm": 2500}, "periods",
                  cycles=CARRY - 4)  # fmt: skip
    assert outcome.clean
    assert not outcome.findings
    counts = [one.text for one in outcome.steps if one.action == "periods"]
    assert counts == ["10 periods", "13 periods"]


def test_a_number_that_compares_as_it_likes_is_judged_as_what_it_is() -> None:
    """A count is right because of its value, and not because it says that it is equal."""

    class Agrees(int):
        def __eq__(self, _other: object) -> bool:
            return True

        def __lt__(self, _other: object) -> bool:
            return False

        __le__ = __ge__ = __eq__
        __ne__ = __gt__ = __lt__  # type: ignore[assignment]
        __hash__ = int.__hash__

    class Few(Timekeeper):
        def periods(self) -> int:
            return Agrees(super().periods() // 2)

    class Enough(Timekeeper):
        def periods(self) -> int:
            return Agrees(super().periods())

    assert promises_of(run(Few, *TEN)) == ["count"]
    assert run(Enough, *TEN).clean


def test_what_was_missed_while_it_began_was_counted() -> None:
    """A driver may be held up before ``every`` returns, and count then what it missed by that."""

    class HeldUp(Timekeeper):
        def every(self, cycles: int) -> None:
            super().every(cycles)
            with self._cpu.interrupts_masked():
                self._cpu.work(2500)

    class Forgetful(HeldUp):
        def every(self, cycles: int) -> None:
            super().every(cycles)
            self.missed = 0

    steps: list[Any] = [{"every": 1000}, {"every": 20}, {"wait": "2 ms"}, "periods"]
    assert run(HeldUp, *steps).clean
    assert promises_of(run(Forgetful, *steps)) == ["loss"]


# the clock


def test_a_time_from_both_sides_of_a_carry() -> None:
    """Halves that were read on both sides of a carry make no time, and the second read is named."""

    class Torn(Timekeeper):
        def now(self) -> int:
            high = self._io.read32(HIGH)
            self._cpu.work(100)
            return high << 32 | self._io.read32(LOW)  # <- here

    outcome = run(Torn, "now", cycles=CARRY - 2)
    assert promises_of(outcome) == ["clock"]
    assert lines_of(outcome) == {"torn-counter-read": line_of(Torn)}
    assert run(Torn, "now", cycles=CARRY + 2).clean


def test_a_time_that_is_wrong_for_another_reason() -> None:
    """A time that the timer did not have breaks the promise, and no line is accused for it."""

    class Ahead(Timekeeper):
        def now(self) -> int:
            return super().now() + 1000

    outcome = run(Ahead, "now")
    assert promises_of(outcome) == ["clock"]
    assert lines_of(outcome) == {}


# periods


def test_periods_of_the_wrong_length() -> None:
    """A period that is a cycle too long shows in the count, and leads to the length written."""

    class Long(Timekeeper):
        def every(self, cycles: int) -> None:
            super().every(cycles)
            self._io.write32(RELOAD, cycles)  # <- here

    outcome = run(Long, {"every": 40}, {"wait": "30 ms"}, "periods")
    assert promises_of(outcome) == ["count"]
    assert lines_of(outcome) == {"period-off": line_of(Long)}


def test_a_period_that_is_counted_for_nothing() -> None:
    """A handler that counts without a look counts interrupts, and the handler is named."""

    class Blind(Timekeeper):
        def _serve(self) -> None:  # <- here
            self._count += 1
            self._io.write32(STATUS, END | MATCH | MISSED)

    spurious = {"kind": "spurious-interrupt", "target": "panel.irq", "from": "2.5 ms"}
    outcome = run(Blind, *TEN, faults=[spurious])
    assert broken(outcome) == {"count": "periods returned 11, while 10 had ended"}
    assert lines_of(outcome) == {"counted-twice": line_of(Blind)}
    assert run(Blind, *TEN).clean
    assert run(Timekeeper, *TEN, faults=[spurious]).clean


def test_a_period_that_is_cleared_uncounted() -> None:
    """Where periods are lost, the line that cleared END is named."""

    class Careless(Timekeeper):
        def _serve(self) -> None:
            self._io.write32(STATUS, END | MATCH | MISSED)  # <- here

    outcome = run(Careless, *TEN)
    assert broken(outcome) == {"count": "periods returned 0, while 10 had ended"}
    assert lines_of(outcome) == {"event-cleared-uncounted": line_of(Careless)}


def test_a_period_that_has_ended_just_now_need_not_count() -> None:
    """A driver may be a tenth of a millisecond later than its timer, and no more."""

    class Late(Timekeeper):
        def periods(self) -> int:
            return self._count - (self._io.read32(COUNT) < 300)

    def after(time: str) -> Outcome:
        return run(Late, {"every": 1000}, {"wait": time}, "periods")

    assert after("10.05 ms").clean
    assert broken(after("10.15 ms")) == {"count": "periods returned 9, while 10 had ended"}


def test_periods_that_the_timer_merged() -> None:
    """A loss that the timer tells of must be counted, and none must be made up."""
    away = [{"every": 500}, {"work": 200_000}, "periods"]
    masked = {"kind": "cpu-stalled", "target": "cpu", "from": "1 ms", "duration": "2 ms"}

    class Unaware(Timekeeper):
        @property
        def missed(self) -> int:
            return 0

        @missed.setter
        def missed(self, count: int) -> None:
            pass

    class Gloomy(Timekeeper):
        def _serve(self) -> None:
            self.missed += 1
            super()._serve()

    assert run(Timekeeper, *away, faults=[masked]).clean
    told = broken(run(Unaware, *away, faults=[masked]))
    assert told == {"loss": "the timer raised MISSED once; missed is 0"}
    assert promises_of(run(Gloomy, *away)) == ["loss"]


# alarms


def test_an_alarm_at_the_wrong_time() -> None:
    """An alarm goes off neither before it is due nor long after."""

    class Early(Timekeeper):
        def alarm(self, cycles: int, timeout: float | None = None) -> bool:
            return True

    class Slow(Timekeeper):
        def alarm(self, cycles: int, timeout: float | None = None) -> bool:
            return super().alarm(cycles + 200, timeout)

    early, slow = run(Early, {"alarm": 100}), run(Slow, {"alarm": 100})
    assert "before it was due" in broken(early)["alarm"]
    assert "after it was due" in broken(slow)["alarm"]


def test_an_alarm_that_gives_up() -> None:
    """An alarm answers False only where the time-out is over first."""

    class Never(Timekeeper):
        def alarm(self, cycles: int, timeout: float | None = None) -> bool:
            return False

    assert promises_of(run(Never, {"alarm": 100})) == ["alarm"]
    assert run(Never, {"alarm": 50_000, "timeout": "5 ms"}).clean
    assert run(Timekeeper, {"alarm": 50_000, "timeout": "5 ms"}).clean


# the rest


def test_a_period_that_cannot_be_made() -> None:
    """A length out of range is refused, and a fault excuses nobody from that."""

    class Generous(Timekeeper):
        def every(self, cycles: int) -> None:
            self._run(cycles & 0xFFFF_FFFF, 0)

    gone = {"kind": "all-ones", "target": "panel"}
    for faults in ([], [gone]):
        outcome = run(Generous, {"every": 0}, faults=faults)
        assert broken(outcome) == {"range": "every took a period of 0 cycles"}
        assert lines_of(outcome) == {"unchecked-range": line_of(Generous, "def every")}
    assert run(Timekeeper, {"every": 0}, {"every": CARRY + 1}).clean


def test_a_start_from_any_state() -> None:
    """What the timer was before open excuses nobody."""

    class Trusting(Timekeeper):
        def open(self) -> None:
            self._io.write32(CONTROL, 0)
            self._cpu.connect(self._io.irq, self._serve)
            self._run(0xFFFF_FFFF, 0x03)

    state = [{"kind": "random-state", "target": "panel"}]
    assert run(Trusting, *TEN).clean
    assert promises_of(run(Trusting, *TEN, faults=state)) == ["count"]
    assert run(Timekeeper, *TEN, faults=state).clean


def test_what_goes_on_after_close() -> None:
    """After close the timer stands still and asks for nothing."""

    class Leaver(Timekeeper):
        def close(self) -> None:
            self._io.write32(CONTROL, END_IRQ)

    told = broken(run(Leaver, *TEN))["quiet"]
    assert "CONTROL is 0x10" in told
    assert "a handler is still connected to interrupt 7" in told


def test_a_fault_excuses_until_the_next_open() -> None:
    """What a reset in flight undoes is held against nobody, and what comes after a reopen is."""

    class Careless(Timekeeper):
        def periods(self) -> int:
            return 0

    reset = {"kind": "reset-in-flight", "target": "panel", "from": "5 ms"}
    assert run(Timekeeper, *TEN, faults=[reset]).clean
    assert run(Careless, *TEN, faults=[reset]).clean
    assert promises_of(run(Careless, *TEN, "reopen", *TEN, faults=[reset])) == ["count"]
