"""Hunt: try the schedules of one scenario on one driver, and make what fails small.

The one idea: exploring and shrinking are two things. Exploring counts on the order of its waves and
is spread over workers; each cause found is then made small here, one run after the other.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

from emu.scenario.model import Scenario
from emu.search.explore import Explored, Explorer, Plan
from emu.search.shrink import shrink
from emu.search.trial import Failure, Trial, Trying
from emu.search.workers import Job, Workers

__all__ = ["Budget", "Found", "Hunted", "Telling", "hunt"]

Telling = Callable[[Explored, float], None]
_MOST_CAUSES = 8  # that are made small; the rest are told as they were found


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
    """

    failure: Failure
    trial: Trial
    scenario: Scenario
    first_s: float = 0.0


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
    workers: int = 1,
    told: Telling = lambda _found, _seconds: None,
) -> Hunted:
    """Try schedules until all are tried or the budget is used up.

    Args:
        scenario: what is asked for.
        driver: the driver's class.
        plan: what to try.
        budget_s: real seconds, None for no limit.
        workers: processes to use.
        told: called after each run with what was found so far and the seconds used.

    Side effects: starts and ends `workers` processes if there is more than one.
    """
    budget = Budget(budget_s)
    trying = Trying(scenario, driver, manner=plan.manner)
    times: dict[tuple[str, str, int], float] = {}

    def tell(explored: Explored) -> str:
        for cause in explored.causes:
            times.setdefault(cause, budget.used_s)
        told(explored, budget.used_s)
        return "time" if budget.over else ""

    with Workers([trying], workers) as crew:
        explorer = Explorer(
            plan,
            lambda chunk: crew.run(Job(0, schedule) for schedule in chunk),
            lambda: trying.run(learn=plan.manner),
            tell,
        )
        hunted = Hunted(explorer.found)
        try:
            explorer.explore()
        except KeyboardInterrupt:
            hunted.interrupted = True
    hunted.found = _small(explorer.found, trying, times)
    hunted.seconds = budget.used_s
    return hunted


def _small(
    explored: Explored, trying: Trying, times: dict[tuple[str, str, int], float]
) -> list[Found]:
    """Return the causes with their smallest cases, the surest first."""
    found = []
    for number, (cause, (failure, trial)) in enumerate(explored.causes.items()):
        if number < _MOST_CAUSES:
            failure, trial = shrink(trial, failure, trying.run)  # noqa: PLW2901 - the same, smaller
        found.append(Found(failure, trial, trying.scenario, times.get(cause, 0.0)))
    return sorted(found, key=lambda one: (one.failure.is_promise, len(one.trial.schedule)))
