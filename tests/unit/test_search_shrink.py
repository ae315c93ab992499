"""Failing schedules made small: the same failure, fewer and smaller entries, a bounded effort."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from emu.search.schedule import Entry, Schedule
from emu.search.shrink import MOST_CALLS, MOST_TRIES, repeated, shrink
from emu.search.trial import Failure, Trial, Trying
from tests.search_bench import SteadySender, at, failing, scenario, trial

FAILURE = failing("stale", 3)


def judge(fails: Callable[[Schedule], bool], failure: Failure = FAILURE) -> Judge:
    """Return something that runs schedules, of which some fail."""
    return Judge(fails, failure)


class Judge:
    """Run schedules without a bench, and count them."""

    def __init__(self, fails: Callable[[Schedule], bool], failure: Failure) -> None:
        self._fails = fails
        self._failure = failure
        self.runs: list[Schedule] = []

    def __call__(self, schedule: Schedule) -> Trial:
        """Run a schedule."""
        self.runs.append(schedule)
        return trial(schedule, *([self._failure] if self._fails(schedule) else []))


def shrunk(schedule: Schedule, fails: Callable[[Schedule], bool], **more: int) -> Schedule:
    """Return the smallest schedule found."""
    run = judge(fails)
    failure, found = shrink(run(schedule), FAILURE, run, **more)
    assert failure.cause == FAILURE.cause
    assert fails(found.schedule)
    return found.schedule


def has(*entries: Entry) -> Callable[[Schedule], bool]:
    """Fail if each of some entries is there with so many events at least."""
    return lambda schedule: all(
        any(one.point == want.point and one.kind == want.kind and one.events >= want.events
            for one in schedule)
        for want in entries
    )  # fmt: skip


def test_entries_that_play_no_part_go() -> None:
    """What remains is what the failure takes, wherever it stood."""
    schedule = (at(1), at(4, events=7), at(6, kind="spurious"), at(9, 2, "pause"))
    assert shrunk(schedule, has(at(9, 2, "pause"))) == (at(9, 2, "pause"),)
    assert shrunk(schedule, has(at(4), at(9, 2, "pause"))) == (at(4), at(9, 2, "pause"))


@pytest.mark.parametrize("needed", [1, 2, 3, 5, 8, 63, 64])
def test_no_more_events_than_needed(needed: int) -> None:
    """The number of events comes down to the least that fails."""
    assert shrunk((at(4, events=64),), has(at(4, events=needed))) == (at(4, events=needed),)


def test_a_point_before_a_call_is_simpler_than_one_between_lines() -> None:
    """A failure that does not take a certain line is told at the call."""

    def anywhere(schedule: Schedule) -> bool:
        return any(one.point.call == 4 for one in schedule)

    assert shrunk((at(4, 6),), anywhere) == (at(4),)
    assert shrunk((at(4, 6),), has(at(4, 6))) == (at(4, 6),)


def test_a_failure_that_takes_no_delay() -> None:
    """What fails in the undisturbed run is told without a schedule."""
    assert shrunk((at(1), at(4, events=7)), lambda _schedule: True) == ()


def test_another_failure_does_not_count() -> None:
    """A smaller schedule that fails in another way is none."""
    other = failing("stale", 4)

    def run(schedule: Schedule) -> Trial:
        return trial(schedule, FAILURE if len(schedule) == 2 else other)

    failure, found = shrink(run((at(1), at(4))), FAILURE, run)
    assert (failure, found.schedule) == (FAILURE, (at(1), at(4)))


def test_the_failure_is_told_as_the_small_run_shows_it() -> None:
    """The message is that of the run that is kept, and further failures do not matter."""

    def run(schedule: Schedule) -> Trial:
        same = FAILURE._replace(message=f"{len(schedule)} delays")
        return trial(schedule, failing("other", 1), same)

    failure, found = shrink(run((at(1), at(4))), FAILURE, run)
    assert failure.message == "0 delays"
    assert failure in found.failures


@pytest.mark.parametrize("most", [0, 1, 2, 5])
def test_the_effort_is_bounded(most: int) -> None:
    """No more runs are made than allowed, and the best so far is returned."""
    run = judge(has(at(4, events=64)))
    first = run((at(4, events=64),))
    run.runs.clear()
    _, found = shrink(first, FAILURE, run, most=most)
    assert len(run.runs) <= most
    assert found is first


@pytest.mark.parametrize("needed", [1, 2, 3, 42, 57, 63, 64])
def test_the_number_of_events_is_found_in_few_runs(needed: int) -> None:
    """The least number of events is found by halving, and nothing is run twice."""
    run = judge(has(at(4, events=needed)))
    first = run((at(4, events=64),))
    run.runs.clear()
    _, found = shrink(first, FAILURE, run)
    assert found.schedule == (at(4, events=needed),)
    assert len(run.runs) == len(set(run.runs))
    assert len(run.runs) <= 25


def test_long_runs_are_few() -> None:
    """Runs that take long are not made by the dozen, so that a case is shown before long."""
    run = judge(has(at(4, events=60)))
    first = run((at(4, events=64),))
    run.runs.clear()
    calls = MOST_CALLS // 3

    def long(schedule: Schedule) -> Trial:
        return replace(run(schedule), calls=calls)

    shrink(first, FAILURE, long)
    assert len(run.runs) == 4  # the fourth is begun before the three are seen to be too many


def test_a_driver_that_fails_at_times_does_not_keep_us() -> None:
    """A failure that does not come again leaves the case as it was, after a bounded effort."""
    run = judge(lambda _schedule: False)
    first = trial((at(4, events=64), at(9, 3)), FAILURE)
    _, found = shrink(first, FAILURE, run)
    assert found is first
    assert len(run.runs) <= MOST_TRIES


# once more


def test_a_run_that_repeats() -> None:
    """A run that comes out the same is returned with its record."""
    first = trial((at(1),), FAILURE, behaviour="b")
    again, same = repeated(
        first, lambda schedule: trial(schedule, FAILURE, behaviour="b", record="r")
    )
    assert (again.record, same) == ("r", True)


@pytest.mark.parametrize("other", [trial((at(1),)), trial((at(1),), FAILURE, behaviour="c")])
def test_a_run_that_does_not_repeat(other: Trial) -> None:
    """A run that comes out otherwise leaves the first one as it is, and is told."""
    first = trial((at(1),), FAILURE, behaviour="b")
    assert repeated(first, lambda _schedule: other) == (first, False)


def test_a_lost_run_is_not_made_again() -> None:
    """What took a process down is not run a second time."""
    first = trial((at(1),), FAILURE, lost=True)
    run = judge(lambda _schedule: True)
    assert repeated(first, run) == (first, True)
    assert run.runs == []


# on the bench


class OneLate(SteadySender):
    """Loses count if an interrupt comes between two lines of `write`."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Write, unless somebody came between."""
        self._served = 0
        before = self._served
        self._noted = before
        if self._served != before:
            raise LookupError("somebody was here")
        return super().write(data, timeout)

    _served = 0

    def _handle(self) -> None:
        self._served += 1
        super()._handle()


class TwoLate(OneLate):
    """Loses count only if interrupts come between the lines of two calls of `write`."""

    _hits = 0

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Write, unless somebody came between twice."""
        self._served = 0
        before = self._served
        self._noted = before
        self._hits += self._served != before
        if self._hits > 1:
            raise LookupError("somebody was here twice")
        return SteadySender.write(self, data, timeout)


def moments(trying: Trying, text: str, schedule: Schedule = ()) -> list[Entry]:
    """Return a stall at each moment before a line of this file with a text in it."""
    lines = Path(__file__).read_text(encoding="utf-8").splitlines()
    return [
        at(*point, events=9)
        for point, what in trying.run(schedule, learn="line").seen.items()
        if what.place[0] == __file__ and text in lines[what.place[1] - 1]
    ]


ASKED = scenario(
    "[open, {send: a}, {wait: 1 ms}, {send: b}]",
    far_end="{kind: source, data: {count: 30}, start: 200 us}",
)


def test_a_race_of_one_delay_comes_down_to_it() -> None:
    """A hand-made race that takes one interrupt between two lines is told with one small entry."""
    trying = Trying(ASKED, OneLate)
    entry = moments(trying, "self._noted = before")[1]
    first = trying.run((at(5, events=4), entry, at(400)))
    failure, found = shrink(first, first.failures[0], trying.run)
    assert "somebody was here" in failure.message
    (small,) = found.schedule
    assert small == entry._replace(events=small.events)
    assert small.events <= 3


def test_a_race_of_two_delays_comes_down_to_two() -> None:
    """A hand-made race that takes interrupts in two calls keeps two entries, and no third."""
    trying = Trying(ASKED, TwoLate)
    start = at(3)
    one = moments(trying, "self._noted = before", (start,))[0]
    two = moments(trying, "self._noted = before", (start, one))[1]
    first = trying.run((start, one, two))
    failure, found = shrink(first, first.failures[0], trying.run)
    assert "somebody was here twice" in failure.message
    assert len(found.schedule) == 2
    assert trying.run(found.schedule[:1]).failures == ()
    assert trying.run(found.schedule[1:]).failures == ()
