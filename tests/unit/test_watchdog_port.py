"""What a watchdog did and what its driver says, compared: right drivers pass, wrong ones do not."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import pytest

from drivers_example.watchkeeper import (
    CAUSE,
    CAUSES,
    CONTROL,
    ENABLE,
    LOCK,
    OPENS,
    RESET,
    RESET_KEY,
    TIMEOUT,
    Watchkeeper,
)
from emu import Cpu, Window
from emu.errors import InputError
from emu.record.events import Note
from emu.record.tape import read_tape
from emu.scenario.runner import Run
from emu.scenario.written import scenario_as_plain
from emu.search.schedule import Entry, Point
from emu.search.trial import Trying
from tests.device_trial import asked, line_of, lines_of, promises_of
from tests.driven_run import broken
from tests.watchdog_bench import KIND, LOCKED, LOST, STARVE, STRAY, WINDOW, Blind, run, texts

# the life of a board


def test_a_good_driver_keeps_all_promises() -> None:
    """Fed in its window, too early, starved, restarted: each driver tells what ended the last."""
    outcome = run(
        Watchkeeper, "open", "causes", WINDOW, {"wait": "600 us"}, "feed", {"wait": "200 us"},
        "feed", {"wait": "500 us"}, "feed", STARVE, "open", "causes", "restart", "open", "causes",
    )  # fmt: skip
    assert outcome.clean
    assert not outcome.findings
    assert texts(outcome, "feed") == ["fed", "not now", "fed"]
    assert texts(outcome, "causes") == ["power-on", "late", "software"]


def test_a_reset_ends_a_driver_and_begins_another() -> None:
    """What a driver knew is gone with it, nothing is masked or connected, and the steps go on."""
    made: list[Watchkeeper] = []

    class Counted(Watchkeeper):
        def __init__(self, io: Window, cpu: Cpu) -> None:
            super().__init__(io, cpu)
            made.append(self)

        def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
            self._cpu.connect(7, self.close)
            return super().guard(timeout, opens, locked)

        def restart(self) -> None:
            self._cpu.mask()
            self._io.write32(RESET, RESET_KEY)

    scenario = asked(KIND, WINDOW, STARVE, WINDOW, "restart", WINDOW, STARVE, "causes")
    played = Run(scenario, Counted)
    outcome = played.outcome()
    assert outcome.clean
    assert (len(made), len({id(one) for one in made})) == (4, 4)
    assert not played.board.cpu.masked
    assert not played.board.cpu.interrupts.line(7).handlers


def test_the_rest_of_a_wait_is_waited() -> None:
    """A board that is reset during a wait goes on when the wait was to end."""
    scenario = asked(KIND, {"guard": 1000}, {"wait": "5 ms"})
    played = Run(scenario, Watchkeeper)
    assert texts(played.outcome(), "wait") == ["the board was reset after 999.8 us: late"]
    assert 5.0 < played.board.clock.now_ps / 10**9 < 5.01
    assert played.board.cpu.idle_ps > 4.99 * 10**9


def test_a_reset_stands_on_the_tape() -> None:
    """The timeline tells that the board was reset, and why."""
    played = Run(asked(KIND, {"guard": 1000}, STARVE), Watchkeeper)
    played.outcome()
    (note,) = [one for one in read_tape(played.board).events if isinstance(one, Note)]
    assert (note.source, note.what) == ("board", "reset because")
    assert note.value == "panel bit: not fed for 1 ms"


class Swallowing(Watchkeeper):
    """Goes on after its own end, as no program could."""

    def restart(self) -> None:
        with suppress(BaseException):
            super().restart()


class Renaming(Watchkeeper):
    """Makes another error of its own end."""

    def restart(self) -> None:
        try:
            super().restart()
        finally:
            raise RuntimeError("what?")


@pytest.mark.parametrize("driver", [Swallowing, Renaming])
def test_what_a_driver_makes_of_its_end_is_its_own_business(driver: type) -> None:
    """A driver is gone with the reset, whatever its code does about the exception."""
    outcome = run(driver, "open", "restart", "open", "causes")
    assert outcome.clean
    assert texts(outcome, "causes") == ["software"]


# what it guards


class Early(Watchkeeper):
    """A tick less."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        super().guard(timeout, opens, locked)
        self._io.write32(CONTROL, 0)
        self._io.write32(TIMEOUT, timeout - 1)  # <- here
        self._io.write32(CONTROL, ENABLE)
        return True


class Late(Watchkeeper):
    """A tick more."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        super().guard(timeout, opens, locked)
        self._io.write32(CONTROL, 0)
        self._io.write32(TIMEOUT, timeout + 1)  # <- here
        self._io.write32(CONTROL, ENABLE)
        return True


class Deaf(Watchkeeper):
    """Never enables it."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        self._io.write32(TIMEOUT, timeout)
        self._io.write32(CONTROL, 0)  # <- here
        return True


@pytest.mark.parametrize(
    ("driver", "told"),
    [
        (Early, "it bit 1 us too early"),
        (Late, "it bit 1 us too late"),
        (Deaf, "it was not fed for 1.1 ms, and did not bite"),
    ],
)
def test_a_bite_at_the_wrong_time(driver: type, told: str) -> None:
    """A bite comes with the tick at which it is due, and the setting that is off is named."""
    outcome = run(driver, {"guard": 1000}, STARVE)
    assert broken(outcome) == {"bite": told}
    assert lines_of(outcome) == {"watchdog-set-otherwise": line_of(driver)}


class Hasty(Watchkeeper):
    """Enables it first."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        self._io.write32(CONTROL, ENABLE)
        self._io.write32(OPENS, opens)
        self._io.write32(TIMEOUT, timeout)  # <- here
        return True


def test_what_is_set_too_late() -> None:
    """Settings written while it runs are not in force before it is fed, and do no harm after."""
    outcome = run(Hasty, {"guard": 1000}, STARVE)
    assert promises_of(outcome) == ["bite"]
    assert lines_of(outcome) == {"watchdog-set-too-late": line_of(Hasty)}
    assert run(Hasty, {"guard": 1000}, "feed", STARVE).clean


class Locker(Watchkeeper):
    """Locks it before it is enabled."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        self._io.write32(TIMEOUT, timeout)
        self._io.write32(OPENS, opens)
        if locked:
            self._io.write32(CONTROL, LOCK)
        self._io.write32(CONTROL, ENABLE)  # <- here
        return True


class Open(Watchkeeper):
    """Takes no notice of the lock that is asked for."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        return super().guard(timeout, opens)


def test_a_lock_that_does_not_hold() -> None:
    """Whether it is locked is proved by another program that stops it."""
    late = run(Locker, LOCKED, STARVE)
    assert promises_of(late) == ["bite"]
    assert lines_of(late) == {"watchdog-set-too-late": line_of(Locker)}
    told = broken(run(Open, LOCKED, {"stray": "stop"}, STARVE))
    assert told == {"window": "another program has stopped it, which was to be locked"}
    assert run(Open, LOCKED, STARVE).clean
    assert run(Watchkeeper, LOCKED, {"stray": "stop"}, STARVE, "open", "causes").clean
    assert run(Watchkeeper, WINDOW, {"stray": "stop"}, STARVE, "feed", "close").clean


def test_a_lock_outlives_close_and_open() -> None:
    """A locked one goes on after close, can be fed after open, and bites when nobody does."""
    long = {"guard": 3000, "opens": 400, "locked": True}
    outcome = run(
        Watchkeeper, long, "close", "open", "feed", {"guard": 20}, {"wait": "2.5 ms"}, "feed",
        "reopen", {"wait": "2.1 ms"}, "open", "causes",
    )  # fmt: skip
    assert outcome.clean
    assert texts(outcome, "feed") == ["fed", "fed"]
    assert texts(outcome, "guard") == ["3000 ticks, open from 400, locked", "it is locked"]
    assert texts(outcome, "causes") == ["late"]
    left = run(Watchkeeper, LOCKED, "close", {"wait": "2 ms"}, "open", "causes")
    assert left.clean
    assert texts(left, "causes") == ["late"]


class Bold(Watchkeeper):
    """Says that it guards, whatever holds it."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        super().guard(timeout, opens, locked)
        return True


class Shy(Watchkeeper):
    """Says that it does not guard."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        super().guard(timeout, opens, locked)
        return False


def test_what_guard_answers() -> None:
    """True is told where the window is in force, False where a lock holds another one."""
    told = "guard returned True, while a lock holds 1000 ticks, open from 400, locked"
    assert broken(run(Bold, LOCKED, {"guard": 500}, "restart")) == {"answer": told}
    assert run(Bold, LOCKED, LOCKED, "restart").clean
    told = "guard returned False, and no lock keeps it from guarding"
    assert broken(run(Shy, WINDOW, STARVE)) == {"answer": told}


class Soft(Watchkeeper):
    """Keeps the window to itself."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        return super().guard(timeout, 0, locked)  # and writes OPENS there


def test_a_window_that_only_the_driver_knows() -> None:
    """A feed from elsewhere before the window opens must reset the board, and within it must not.

    What the driver is asked after that, which may keep its own time, is not judged.
    """
    outcome = run(Soft, WINDOW, STRAY)
    told = "a feed from elsewhere before the window opened did no harm"
    assert broken(outcome) == {"window": told}
    assert lines_of(outcome) == {
        "watchdog-set-otherwise": line_of(Watchkeeper.guard, "write32(OPENS, opens)")
    }
    assert run(Watchkeeper, WINDOW, STRAY, "open", "causes").clean
    assert run(Watchkeeper, WINDOW, {"wait": "500 us"}, STRAY, "feed", STARVE).clean
    assert run(Blind, WINDOW, {"wait": "500 us"}, STRAY, "feed", "open", "causes").clean


def test_what_another_program_leaves_running() -> None:
    """A watchdog that runs before open is stopped by it; nobody is accused for what it was."""

    class Trusting(Watchkeeper):
        def open(self) -> None:  # <- here
            self._io.read32(CAUSE)

    steps = ["open", "close", {"stray": "start"}, "open", {"wait": "50 ms"}, "close"]
    assert run(Watchkeeper, *steps).clean
    outcome = run(Trusting, *steps)
    assert broken(outcome) == {"fed": "it bit, and nothing was guarded"}
    assert lines_of(outcome) == {"watchdog-left-running": line_of(Trusting)}
    assert run(Watchkeeper, "open", "close", {"stray": "start"}, {"wait": "50 ms"}).clean


@pytest.mark.parametrize("values", [(0, 0), (2**32, 0), (10, 10), (10, 11), (1, 1)])
def test_a_window_that_cannot_be_made(values: tuple[int, int]) -> None:
    """It is refused, and a fault excuses nobody from that."""

    class Generous(Watchkeeper):
        def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
            return super().guard(100)

    step = {"guard": values[0], "opens": values[1]}
    gone = {"kind": "all-ones", "target": "panel"}
    assert run(Watchkeeper, step, {"guard": 2**32 - 1, "opens": 2**32 - 2}).clean
    for faults in ([], [gone]):
        outcome = run(Generous, step, STARVE, faults=faults)
        assert promises_of(outcome) == ["range"]
        assert lines_of(outcome) == {"unchecked-range": line_of(Generous, "def guard")}


# causes


class Keeping(Watchkeeper):
    """Leaves them in the device."""

    def open(self) -> None:
        cause = self._io.read32(CAUSE)  # <- here
        self._causes = frozenset(name for bit, name in CAUSES.items() if cause & bit)


class Clearing(Watchkeeper):
    """Clears them before it looks."""

    def open(self) -> None:
        self._io.write32(CAUSE, 0x707)  # <- here
        self._causes = frozenset()


class Guessing(Watchkeeper):
    """Takes every bite for a late one."""

    def open(self) -> None:
        cause = self._io.read32(CAUSE)  # <- here
        self._io.write32(CAUSE, cause)
        self._causes = frozenset({"late"} if cause & 2 else ())


@pytest.mark.parametrize(
    ("driver", "rule", "told"),
    [
        (Keeping, "cause-told-again", "causes tells of early, power-on, while there was early"),
        (Clearing, "event-cleared-uncounted", "causes tells of nothing, while there was early"),
        (Guessing, "cause-mistaken", "causes tells of late, while there was early"),
    ],
)
def test_causes_that_are_wrong(driver: type, rule: str, told: str) -> None:
    """Each reset is told once, by its cause; the line that decides it is named."""
    outcome = run(driver, "open", WINDOW, STRAY, "open", "causes")
    assert broken(outcome) == {"causes": told}
    assert lines_of(outcome) == {rule: line_of(driver)}


def test_causes_that_are_no_causes() -> None:
    """A name that is none, or no collection of names, is a wrong value."""

    class Wordy(Watchkeeper):
        def causes(self) -> frozenset[str]:
            return frozenset({"watchdog"})

    class Single(Watchkeeper):
        def causes(self) -> Any:
            return "late"

    class Listing(Watchkeeper):
        def causes(self) -> Any:
            return sorted(super().causes())

    for driver in (Wordy, Single):
        assert list(lines_of(run(driver, "causes"))) == ["bad-return-value"]
    assert run(Listing, "causes", "restart", "causes").clean


@pytest.mark.parametrize("opens", [["open", "open"], ["open"], []])
def test_an_open_that_was_cut_off_may_have_taken_them(opens: list[str]) -> None:
    """What an open that a reset ended may have taken out of the device is asked of nobody.

    The next driver is opened in its place, whether a step says so or not.
    """
    locked = {"guard": 1200, "locked": True}
    scenario = asked(KIND, locked, "restart", locked, "close", *opens, "causes")
    trying = Trying(scenario, Watchkeeper)
    for call in range(1, trying.run().calls + 1):
        for events in (1, 2):
            assert trying.run((Entry(Point(call), "stall", events),)).failures == ()


# the rest


def test_what_goes_on_after_close() -> None:
    """After close it stands still, unless it is locked as it was asked to be."""

    class Leaver(Watchkeeper):
        def close(self) -> None:  # <- here
            pass

    class Jailer(Watchkeeper):
        def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
            return super().guard(timeout, opens, True)

    outcome = run(Leaver, {"guard": 90_000})
    assert broken(outcome) == {"quiet": "after close it still counts"}
    assert lines_of(outcome) == {"watchdog-left-running": line_of(Leaver)}
    jailed = run(Jailer, {"guard": 90_000})
    assert promises_of(jailed) == ["quiet"]
    assert list(lines_of(jailed)) == ["watchdog-set-otherwise"]
    assert run(Jailer, {"guard": 90_000, "locked": True}).clean


def test_a_fault_excuses_until_the_next_open() -> None:
    """A write that was lost is held against nobody, and what comes after a reopen is."""
    lost = {**LOST, "until": "1 ms"}
    assert run(Watchkeeper, {"guard": 1000}, STARVE, faults=[lost]).clean
    again = ["reopen", {"guard": 1000}, STARVE]
    assert run(Watchkeeper, {"guard": 1000}, STARVE, *again, faults=[lost]).clean
    assert promises_of(run(Early, {"guard": 1000}, STARVE, *again, faults=[lost])) == ["bite"]


def test_a_fault_that_a_lock_has_fixed() -> None:
    """What a fault made of a locked one goes on after a reopen, and is held against nobody."""
    lost = {**LOST, "until": "1 ms"}
    locked = {"guard": 3000, "locked": True}
    assert run(Watchkeeper, locked, "reopen", "feed", {"wait": "3.1 ms"}, "feed", {"wait": "40 ms"},
               faults=[lost]).clean  # fmt: skip


def test_causes_that_a_fault_has_left() -> None:
    """A cause that could not be cleared may be told again by the next open."""
    lost = {"kind": "dropped-write", "target": "panel.CAUSE", "until": "1 ms"}
    outcome = run(Watchkeeper, "open", "causes", {"wait": "2 ms"}, "reopen", "causes", "reopen",
                  "causes", faults=[lost])  # fmt: skip
    assert outcome.clean
    assert texts(outcome, "causes") == ["power-on", "power-on", "nothing"]


@pytest.mark.parametrize(
    ("step", "told"),
    [
        ({"guard": -1}, "-1 (int)"),
        ({"guard": 10, "locked": 2}, "2 (int)"),
        ({"stray": "bite"}, "'bite'"),
        ({"feed": 3}, "3 (int) where nothing belongs"),
        ({"get": 3}, "a watchdog driver is not asked to 'get'"),
    ],
)
def test_steps_that_cannot_be_played(step: Any, told: str) -> None:
    """A flawed step is refused with what it is."""
    with pytest.raises(InputError) as caught:
        asked(KIND, step)
    assert told in str(caught.value)


def test_steps_are_written_as_they_were_read() -> None:
    """A window, a lock and a stray program read back as the same."""
    steps = ["open", LOCKED, {"guard": 5}, "feed", "causes", STRAY, "restart"]
    plain = scenario_as_plain(asked(KIND, *steps))
    assert plain["do"] == steps


def test_only_feed_is_called_by_another_task() -> None:
    """Other calls are refused, with what is allowed."""
    with pytest.raises(InputError, match="allowed: feed"):
        asked(KIND, "open", callers=["guard"])
