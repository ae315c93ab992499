"""Make a failing schedule small: fewer entries first, then fewer events, then simpler points.

The one idea: a smaller schedule counts only if it shows the same failure, so the case that a person
gets to read is about that bug and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from emu.search.schedule import Entry, Point, Schedule
from emu.search.trial import Failure, Trial

__all__ = ["MOST_TRIES", "repeated", "shrink"]

MOST_TRIES = 200
MOST_CALLS = 4_000_000  # calls to the bench in all those runs


def shrink(
    trial: Trial,
    failure: Failure,
    run: Callable[[Schedule], Trial],
    *,
    most: int = MOST_TRIES,
) -> tuple[Failure, Trial]:
    """Return the failure as the smallest schedule found shows it, and that schedule's trial.

    Args:
        trial: the trial that showed it.
        failure: what must still be shown.
        run: runs a schedule.
        most: how many runs may be made; fewer if they are long.
    """
    tried: set[Schedule] = set()
    calls = 0
    smaller = True
    while smaller:
        smaller = False
        for schedule in _smaller(trial.schedule):
            if schedule in tried:
                continue
            if len(tried) >= most or calls > MOST_CALLS:
                return failure, trial
            tried.add(schedule)
            candidate = run(schedule)
            calls += candidate.calls
            same = [one for one in candidate.failures if one.cause == failure.cause]
            if same:
                trial, failure = candidate, same[0]
                smaller = True
                break
    return failure, trial


def repeated(trial: Trial, run: Callable[[Schedule], Trial]) -> tuple[Trial, bool]:
    """Run a trial again, with its record hashed; return it and whether it failed in the same way.

    Args:
        trial: the trial.
        run: runs a schedule and hashes the record.

    Returns:
        The trial as it was and False where the driver does not do the same twice.
    """
    if trial.lost:
        return trial, True
    again = run(trial.schedule)
    same = (again.failures, again.behaviour) == (trial.failures, trial.behaviour)
    return (again, True) if same else (trial, False)


def _smaller(schedule: Schedule) -> Iterator[Schedule]:
    """Yield schedules that are smaller in one respect, the greatest steps first."""
    if schedule:
        yield ()
    if len(schedule) > 1:
        for at in range(len(schedule)):
            yield schedule[:at] + schedule[at + 1 :]
    for at, entry in enumerate(schedule):
        for other in _simpler(entry):
            yield (*schedule[:at], other, *schedule[at + 1 :])


def _simpler(entry: Entry) -> Iterator[Entry]:
    events = 1
    while events < entry.events:
        yield entry._replace(events=events)
        events *= 2
    step = (entry.events - events // 2) // 2
    while step > 0:
        yield entry._replace(events=entry.events - step)
        step //= 2
    if entry.point.step:
        yield entry._replace(point=Point(entry.point.call))
