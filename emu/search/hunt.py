"""Hunt: try the schedules of one scenario on one driver, and make what fails small.

The one idea: exploring and shrinking are two things. Exploring counts on the order of its waves and
is spread over workers; each cause found is then made small, one run after the other.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

from emu.errors import AccessError
from emu.scenario.model import Scenario
from emu.search.explore import Explored, Explorer, Plan
from emu.search.schedule import Schedule
from emu.search.shrink import MOST_TRIES, repeated, shrink
from emu.search.trial import Failure, Trial, Trying
from emu.search.workers import Job, Workers

__all__ = ["Budget", "Found", "Hunted", "Telling", "hunt", "make_small"]

Telling = Callable[[Explored, float], None]
Cause = tuple[str, str, int]
_MOST_CAUSES = 8  # that are made small; the rest are told as they were found
_SHRINK_S = 10.0  # real time that making cases small may take when the budget is used up


class Budget:
    """Say how long a search may take.

    Args:
        seconds: of real time, None for as long as it takes.
        clock: tells real time in seconds.
    """

    def __init__(self, seconds: float | None, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._start_s = clock()
        self.seconds = seconds

    @property
    def used_s(self) -> float:
        """Real seconds since the search began."""
        return self._clock() - self._start_s

    @property
    def over(self) -> bool:
        """Whether the time is used up."""
        return self.seconds is not None and self.used_s >= self.seconds


@dataclass(slots=True)
class Found:
    """One cause, as the smallest case shows it.

    Args:
        failure: what fails.
        trial: the run that shows it.
        scenario: what was asked for there.
        first_s: real seconds from the beginning of the search until it was first seen.
        repeats: whether the same run came out the same once more.
    """

    failure: Failure
    trial: Trial
    scenario: Scenario
    first_s: float = 0.0
    repeats: bool = True


@dataclass(slots=True)
class Hunted:
    """What a hunt came to.

    Args:
        explored: counts and behaviours.
        found: the causes, each with its smallest case.
        seconds: real time taken.
        interrupted: whether the user ended it.
    """

    explored: Explored
    found: list[Found] = field(default_factory=list)
    seconds: float = 0.0
    interrupted: bool = False


def hunt(
    scenario: Scenario,
    driver: type,
    plan: Plan,
    *,
    budget_s: float | None = None,
    workers: int = 0,
    told: Telling = lambda _found, _seconds: None,
) -> Hunted:
    """Try schedules until all are tried or the budget is used up.

    The scenario says which calls another task may make.

    Args:
        scenario: what is asked for.
        driver: the driver's class.
        plan: what to try.
        budget_s: real seconds, None for no limit.
        workers: processes to use, 0 for this one.
        told: called after each run with what was found so far and the seconds used.

    Raises:
        AccessError: the plan goes on for ever and nothing bounds it.

    Side effects: starts `workers` processes and ends them.
    """
    if plan.entries > 2 and plan.most is None and budget_s is None:
        raise AccessError(
            f"entries={plan.entries} without an end", where="hunt",
            allowed="up to 2", fix="give a budget, or the plan a number of runs",
        )  # fmt: skip
    plan = plan.fitted(scenario)
    budget = Budget(budget_s)
    trying = Trying(scenario, driver, manner=plan.manner)
    times: dict[Cause, float] = {}

    def tell(explored: Explored) -> str:
        for cause in explored.causes:
            times.setdefault(cause, budget.used_s)
        told(explored, budget.used_s)
        return "time" if budget.over else ""

    with Workers([trying], workers) as crew:
        explorer = Explorer(
            plan,
            lambda chunk: crew.run(Job(0, schedule) for schedule in chunk),
            lambda: crew.one(Job(0, learn=plan.manner)),
            tell,
        )
        hunted = Hunted(explorer.found)
        try:
            explorer.explore()
        except KeyboardInterrupt:
            hunted.interrupted = True
            crew.renew()
        hunted.found = _smallest(hunted, crew, scenario, times)
    hunted.seconds = budget.used_s
    return hunted


def _smallest(
    hunted: Hunted, crew: Workers, scenario: Scenario, times: dict[Cause, float]
) -> list[Found]:
    """Return the causes with their smallest cases, the surest first."""
    limit = Budget(_SHRINK_S if hunted.explored.stopped == "time" else None)
    found = []
    for number, (cause, (failure, trial)) in enumerate(hunted.explored.causes.items()):
        one = Found(failure, trial, scenario, times.get(cause, 0.0))
        small = number < _MOST_CAUSES and not limit.over and not hunted.interrupted
        try:
            make_small(one, crew, 0, most=MOST_TRIES if small else 0)
        except KeyboardInterrupt:
            hunted.interrupted = True
            crew.renew()
        found.append(one)
    return sorted(found, key=lambda one: (one.failure.is_promise, len(one.trial.schedule)))


def make_small(found: Found, crew: Workers, bout: int, *, most: int) -> None:
    """Make a case small, see that it comes out the same once more, and where it comes from.

    Args:
        found: the case, which is changed.
        crew: runs it.
        bout: its number there.
        most: how many runs may be made to make it smaller.
    """

    def run(schedule: Schedule, *, records: bool = False) -> Trial:
        return crew.one(Job(bout, schedule, records=records))

    if most and not found.trial.lost:
        found.failure, found.trial = shrink(found.trial, found.failure, run, most=most)
    found.trial, found.repeats = repeated(found.trial, lambda schedule: run(schedule, records=True))
    if most and found.repeats and not found.trial.lost:
        job = Job(bout, found.trial.schedule, explain=found.failure.rule)
        found.failure = _explained(found, crew.one(job))


def _explained(found: Found, explained: Trial) -> Failure:
    """Return the failure of a case with the line to begin with, as a run shows that was followed.

    Where the processor had to be late for it, that is the line of a broken promise, unless it is
    about time or ``drain``: the wait that took too long, or what was seen last, says more.
    """
    failure = found.failure
    place = explained.places.get(failure.cause)
    late = any(one.place[0] for one in found.trial.acted)
    if late and failure.is_promise and failure.rule not in ("promise time", "promise drain"):
        return failure
    if place is None:  # a rule may know more where the tape has the driver's lines
        alike = [one for one in explained.failures if one.rule == failure.rule]
        place = (alike[0].file, alike[0].line) if len(alike) == 1 else None
    return failure if place is None else failure._replace(file=place[0], line=place[1])
