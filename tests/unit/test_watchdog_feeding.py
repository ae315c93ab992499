"""A watchdog that is fed: in time, too early, wrongly, by two at once, and what feed answers."""

from __future__ import annotations

import pytest

from drivers_example.watchkeeper import (
    CONTROL,
    ENABLE,
    FEED,
    FIRST_KEY,
    HALF_FED,
    OPEN,
    RESET,
    RESET_KEY,
    SECOND_KEY,
    STATUS,
    Watchkeeper,
)
from emu.search.explore import Plan
from emu.search.hunt import hunt
from emu.search.schedule import Entry, Point
from emu.search.trial import Trying
from tests.device_trial import asked, line_of, lines_of, promises_of
from tests.driven_run import broken
from tests.watchdog_bench import KIND, STARVE, WINDOW, Blind, run, texts


class Wrong(Watchkeeper):
    """Leaves out the first key."""

    def feed(self) -> bool:
        self._io.write32(FEED, SECOND_KEY)  # <- here
        return True


@pytest.mark.parametrize(
    ("driver", "rule", "told"),
    [
        (Blind, "fed-too-early", "it was fed too early"),
        (Wrong, "wrong-key", "a wrong key was written"),
    ],
)
def test_a_feed_that_resets_the_board(driver: type, rule: str, told: str) -> None:
    """A driver that makes it bite is told where, and the run is over."""
    outcome = run(driver, WINDOW, "feed", "causes")
    assert broken(outcome) == {"fed": told}
    assert lines_of(outcome) == {rule: line_of(driver)}
    assert outcome.ended == f"the board was reset: {told}"
    assert run(Blind, {"guard": 1000}, "feed", "feed", STARVE).clean


class Hopeful(Watchkeeper):
    """Takes every feed for done."""

    def feed(self) -> bool:
        super().feed()
        return True


class Modest(Watchkeeper):
    """Takes no feed for done."""

    def feed(self) -> bool:
        super().feed()
        return False


class Lazy(Watchkeeper):
    """Never feeds."""

    def feed(self) -> bool:
        return False


def test_what_feed_answers() -> None:
    """It is True if it was fed, and False if not; a window that has just opened may be missed."""
    told = {"answer": "feed returned True, and nothing was fed"}
    look = line_of(Watchkeeper.feed, "status = ")
    for steps in ([WINDOW, "feed"], ["open", "feed"]):
        outcome = run(Hopeful, *steps)
        assert broken(outcome) == told
        assert lines_of(outcome) == {"feed-unconfirmed": look}
    assert broken(run(Modest, {"guard": 1000}, "feed")) == {
        "answer": "feed returned False, and it was fed"
    }
    refused = run(Lazy, WINDOW, {"wait": "600 us"}, "feed")
    assert broken(refused) == {"answer": "feed returned False, 200.2 us after the window opened"}
    assert run(Lazy, WINDOW, {"wait": "450 us"}, "feed").clean


class Dawdling(Watchkeeper):
    """Sleeps before it feeds."""

    def feed(self) -> bool:
        self._cpu.sleep(1e-3)
        return super().feed()


def test_a_feed_that_takes_until_it_bites() -> None:
    """Who is asked to feed in time and is not held up must do so at once."""
    outcome = run(Dawdling, {"guard": 1000}, {"wait": "500 us"}, "feed")
    assert broken(outcome)["fed"] == "it bit during feed, which began 499.8 us before"
    assert promises_of(run(Dawdling, {"guard": 1000}, {"wait": "950 us"}, "feed")) == []


def test_who_is_held_up_is_not_accused() -> None:
    """A bite while the processor stood still is nobody's fault, and the next driver tells of it."""
    scenario = asked(KIND, WINDOW, {"wait": "600 us"}, "feed", "open", "causes")
    trying = Trying(scenario, Watchkeeper)
    calls = trying.run().calls
    for call in range(1, calls + 1):
        tried = trying.run((Entry(Point(call), "stall", 2),))
        assert tried.failures == ()
    stalled = {"kind": "cpu-stalled", "target": "cpu", "from": "700 us", "duration": "2 ms"}
    late = run(Watchkeeper, WINDOW, {"wait": "800 us"}, "open", "causes", faults=[stalled])
    assert late.clean
    assert texts(late, "causes") == ["late"]


def test_another_task_feeds_in_between() -> None:
    """Look and keys that another task can part are found, and the good driver's are not parted."""

    class Parted(Watchkeeper):
        def feed(self) -> bool:
            if not self._io.read32(STATUS) & OPEN:  # <- here
                return False
            self._io.write32(FEED, FIRST_KEY)
            self._io.write32(FEED, SECOND_KEY)
            return True

    class Halved(Watchkeeper):
        def feed(self) -> bool:
            if self._io.read32(STATUS) & HALF_FED:
                self._io.write32(FEED, SECOND_KEY)
            else:
                self._io.write32(FEED, FIRST_KEY)
                self._io.write32(FEED, SECOND_KEY)  # <- here
            return True

    def found(driver: type, window: dict[str, int]) -> list[tuple[str, int]]:
        scenario = asked(KIND, window, {"wait": "600 us"}, "feed", callers=["feed"])
        plan = Plan(entries=1, manner="access")
        return [(one.failure.rule, one.failure.line) for one in hunt(scenario, driver, plan).found]

    assert ("feed-torn", line_of(Parted)) in found(Parted, WINDOW)
    assert found(Halved, {"guard": 1000}) == [("feed-torn", line_of(Halved))]
    assert found(Watchkeeper, WINDOW) == []
    assert found(Watchkeeper, {"guard": 1000}) == []


def test_nobody_resets_the_board_unasked() -> None:
    """A reset by software outside restart is a broken promise, and so is a restart without one."""

    class Desperate(Watchkeeper):
        def feed(self) -> bool:
            self._io.write32(RESET, RESET_KEY)
            return True

    class Idle(Watchkeeper):
        def restart(self) -> None:
            self._io.write32(RESET, 0)

    class Biting(Watchkeeper):
        def restart(self) -> None:
            self._io.write32(CONTROL, ENABLE)
            self._io.write32(FEED, 0)

    assert broken(run(Desperate, WINDOW, "feed")) == {"fed": "nobody asked for a reset by software"}
    told = "restart returned, and the board was not reset"
    assert broken(run(Idle, "restart")) == {"restart": told}
    told = "restart made it bite, and the cause is wrong-key"
    assert broken(run(Biting, "restart")) == {"restart": told}


def test_who_waits_for_a_reset_that_a_fault_keeps_off() -> None:
    """A driver may wait for ever for the reset that it has asked for; a lost write excuses it."""

    class Waiting(Watchkeeper):
        def restart(self) -> None:
            super().restart()
            while True:
                self._cpu.work(100)

    lost = {"kind": "dropped-write", "target": "panel.RESET"}
    assert run(Waiting, "restart", "causes").clean
    outcome = run(Waiting, "restart", "causes", faults=[lost])
    assert outcome.clean
    assert outcome.ended == "restart waits for a reset that a fault has kept off"
    assert run(Watchkeeper, "restart", "causes", faults=[lost]).clean
