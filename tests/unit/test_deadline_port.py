"""What was booked and what was called, compared: right drivers pass, wrong ones do not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers_example.deadline_keeper import (
    COMPARE_HIGH,
    COMPARE_LOW,
    NEVER,
    TIME_HIGH,
    TIME_LOW,
    WORD,
    DeadlineKeeper,
)
from emu.errors import InputError
from emu.scenario.outcome import Outcome
from tests.device_trial import asked, line_of, lines_of, promises_of, trial
from tests.driven_run import broken

CARRY = 2**32
ONE = [{"book": 300}, {"wait": "1 ms"}]
SPURIOUS = {"kind": "spurious-interrupt", "target": "panel.irq", "from": "100 us"}


def run(driver: type, *steps: Any, cycles: int = 0, **more: Any) -> Outcome:
    """Run steps on a machine timer at 1 MHz whose time begins at some count."""
    device = {"kind": "mtimer", "clock": "1 MHz", "cycles": cycles}
    return trial(driver, device, *steps, **more)


def test_a_good_driver_keeps_all_promises() -> None:
    """The time across a carry, several deadlines, rows of them, and one that is taken back."""
    outcome = run(DeadlineKeeper, "time", "time", {"book": 800}, {"book": 100, "times": 5},
                  {"wait": "400 us"}, {"cancel": 1}, {"cancel": 2}, *ONE, "time",
                  cycles=CARRY - 300)  # fmt: skip
    assert outcome.clean
    assert not outcome.findings
    texts = [one.text for one in outcome.steps]
    assert texts[3:5] == ["in 800 ticks", "in 100 ticks, 5 times"]
    assert texts[6:8] == ["deadline 1 in time", "deadline 2 too late"]


def test_a_time_from_both_sides_of_a_carry() -> None:
    """Halves that were read on both sides of a carry make no time, and the second read is named."""

    class Torn(DeadlineKeeper):
        def time(self) -> int:
            low = self._io.read32(TIME_LOW)
            self._cpu.work(100)
            return self._io.read32(TIME_HIGH) << 32 | low  # <- here

    outcome = run(Torn, "time", cycles=CARRY - 2)
    assert promises_of(outcome) == ["clock"]
    assert lines_of(outcome) == {"torn-counter-read": line_of(Torn)}
    assert run(Torn, "time", cycles=CARRY + 2).clean


def test_a_time_of_one_half() -> None:
    """The low half alone is the time as long as the high half is 0, and then it is named."""

    class Half(DeadlineKeeper):
        def time(self) -> int:
            return self._io.read32(TIME_LOW)  # <- here

    outcome = run(Half, "time", cycles=CARRY + 2)
    assert promises_of(outcome) == ["clock"]
    assert lines_of(outcome) == {"counter-half-read": line_of(Half)}
    assert run(Half, "time", *ONE).clean


def test_a_deadline_that_is_called_early() -> None:
    """A handler that calls without a look at the time is found by an interrupt for nothing."""

    class Trusting(DeadlineKeeper):
        def _serve(self) -> None:
            if self._waiting:
                _, number = self._waiting.pop(0)
                self._calls.pop(number)()  # <- here
            self._arm()

    outcome = run(Trusting, *ONE, faults=[SPURIOUS])
    assert "ticks before it was due" in broken(outcome)["due"]
    assert lines_of(outcome) == {"deadline-too-early": line_of(Trusting)}
    assert run(Trusting, *ONE).clean
    assert run(DeadlineKeeper, *ONE, faults=[SPURIOUS]).clean


def test_a_deadline_that_is_called_late() -> None:
    """A driver may be a tenth of a millisecond later than its timer, and no more."""

    class Slow(DeadlineKeeper):
        delay = 90

        def book(self, ticks: int, call: Callable[[], None]) -> int:
            return super().book(ticks + self.delay, call)

    class Slower(Slow):
        delay = 110

    assert run(Slow, *ONE).clean
    assert "after it was due" in broken(run(Slower, *ONE))["due"]


def test_a_deadline_that_is_never_called() -> None:
    """Where the compare was left too late, the line is named where others write it."""

    class First(DeadlineKeeper):
        def book(self, ticks: int, call: Callable[[], None]) -> int:
            self._last = number = self._last + 1
            self._calls[number] = call
            self._waiting = sorted([*self._waiting, (ticks, number)])
            if len(self._waiting) == 1:
                self._arm()  # <- here
            return number

    outcome = run(First, {"book": 9000}, *ONE)
    assert promises_of(outcome) == ["due"]
    assert lines_of(outcome) == {"deadline-not-armed": line_of(First)}
    assert run(First, *ONE, *ONE).clean


def test_a_handler_that_forgets_the_next() -> None:
    """Where the handler left the compare too late, the last thing that it did is named."""

    class Once(DeadlineKeeper):
        def _serve(self) -> None:
            while self._waiting and self._waiting[0][0] <= self.time():
                self._calls.pop(self._waiting.pop(0)[1])()
            self._io.write32(COMPARE_HIGH, WORD)  # <- here

    outcome = run(Once, *ONE, {"book": 100}, {"book": 400}, {"wait": "2 ms"})
    assert promises_of(outcome) == ["due"]
    assert lines_of(outcome) == {"deadline-not-armed": line_of(Once)}


def test_a_compare_of_two_halves() -> None:
    """A compare whose halves are of two times leads to the write that left it so."""

    class Half(DeadlineKeeper):
        def _arm(self) -> None:
            ticks = self._waiting[0][0] if self._waiting else NEVER
            self._io.write32(COMPARE_LOW, ticks & WORD)  # <- here

    outcome = run(Half, *ONE)
    assert promises_of(outcome) == ["due"]
    assert lines_of(outcome) == {"compare-half-written": line_of(Half)}


def test_a_compare_that_is_not_moved() -> None:
    """A handler that leaves the compare in the past is named besides the storm that it makes."""

    class Stuck(DeadlineKeeper):
        def _serve(self) -> None:
            while self._waiting and self._waiting[0][0] <= self.time():
                self._calls.pop(self._waiting.pop(0)[1])()  # <- here

    outcome = run(Stuck, *ONE)
    assert lines_of(outcome)["compare-not-moved"] == line_of(Stuck)


def test_a_deadline_that_is_called_twice() -> None:
    """What was called, or is forgotten, is not called again."""

    class Twice(DeadlineKeeper):
        def book(self, ticks: int, call: Callable[[], None]) -> int:
            def again() -> None:
                call()
                call()  # <- here

            return super().book(ticks, again)

    class Faithful(DeadlineKeeper):
        kept: list[Callable[[], None]]

        def book(self, ticks: int, call: Callable[[], None]) -> int:
            self.kept = [call]
            return super().book(ticks, call)

        def open(self) -> None:
            for call in getattr(self, "kept", []):
                call()
            super().open()

    outcome = run(Twice, *ONE)
    assert broken(outcome) == {"once": "deadline 1 was called again"}
    assert lines_of(outcome) == {"deadline-called-again": line_of(Twice)}
    outcome = run(Faithful, {"book": 900}, "reopen")
    assert broken(outcome) == {"once": "deadline 1 was called after close"}


@pytest.mark.parametrize("answer", [True, False])
def test_what_cancel_says(answer: bool) -> None:
    """Whoever says that it came in time never calls; whoever says that it did not, has called."""

    class Liar(DeadlineKeeper):
        def cancel(self, number: int) -> bool:
            return answer

    near = [{"book": 100}, {"wait": "1 ms"}, {"cancel": 1}]
    far = [{"book": 900}, {"cancel": 1}, {"wait": "2 ms"}]
    assert run(DeadlineKeeper, *near).clean
    assert run(DeadlineKeeper, *far).clean
    assert promises_of(run(Liar, *near)) == (["cancel"] if answer else [])
    assert promises_of(run(Liar, *far)) == (["once"] if answer else ["cancel"])


def test_numbers_of_deadlines() -> None:
    """A number may be used again once its deadline is over, and not before."""

    class Frugal(DeadlineKeeper):
        def open(self) -> None:
            self._last = 0
            super().open()

        def book(self, ticks: int, call: Callable[[], None]) -> int:
            self._last = len(self._calls)
            return super().book(ticks, call)

    class Careless(DeadlineKeeper):
        def book(self, ticks: int, call: Callable[[], None]) -> int:
            super().book(ticks, call)
            return 1

    assert run(Frugal, *ONE, *ONE, {"cancel": 1}).clean
    told = run(Careless, {"book": 500}, *ONE)
    assert list(lines_of(told)) == ["bad-return-value"]


def test_times_that_never_come() -> None:
    """A time that does not fit in the timer is refused, and a fault excuses nobody from that."""

    class Generous(DeadlineKeeper):
        def book(self, ticks: int, call: Callable[[], None]) -> int:
            return super().book(ticks & NEVER, call)

    outcome = run(Generous, {"book": 2**64}, faults=[{"kind": "all-ones", "target": "panel"}])
    assert broken(outcome) == {"range": "book took a time that never comes"}
    assert run(DeadlineKeeper, {"book": 2**64}, *ONE).clean


def test_a_call_may_book_and_a_driver_may_call_at_once() -> None:
    """What has passed when it is booked may be called by `book` itself."""

    class Prompt(DeadlineKeeper):
        def book(self, ticks: int, call: Callable[[], None]) -> int:
            if ticks <= self.time():
                call()
                return 10**6
            return super().book(ticks, call)

    assert run(Prompt, {"book": 0}, {"book": 2, "times": 30}, *ONE).clean


def test_what_is_left_after_close() -> None:
    """After close nothing interrupts any more, not even when a deadline would have come."""

    class Leaver(DeadlineKeeper):
        def close(self) -> None:
            self._cpu.disconnect(self._io.irq, self._serve)
            self._io.write32(COMPARE_HIGH, 0)  # <- here

    outcome = run(Leaver, {"book": 50_000})
    assert promises_of(outcome) == ["quiet"]
    assert lines_of(outcome) == {"deadline-left-armed": line_of(Leaver)}
    assert run(DeadlineKeeper, {"book": 50_000}).clean


def test_a_fault_excuses_until_the_next_open() -> None:
    """What a reset in flight undoes is held against nobody, and what comes after a reopen is."""

    class Idle(DeadlineKeeper):
        def _arm(self) -> None:
            pass

    reset = {"kind": "reset-in-flight", "target": "panel", "from": "50 us"}
    assert run(DeadlineKeeper, *ONE, faults=[reset]).clean
    assert run(Idle, *ONE, faults=[reset]).clean
    assert promises_of(run(Idle, *ONE, "reopen", *ONE, faults=[reset])) == ["due"]


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ({"book": -1}, "-1 (int) is out of range"),
        ({"book": 10, "times": 0}, "0 (int) is out of range"),
        ({"cancel": 0}, "0 (int) is out of range"),
        ({"every": 10}, "a deadlines driver is not asked to 'every'"),
    ],
)
def test_steps_that_make_no_sense(step: dict[str, Any], said: str) -> None:
    """A flaw in a step is told at its place."""
    with pytest.raises(InputError) as caught:
        asked({"kind": "mtimer"}, step)
    assert said in str(caught.value)
