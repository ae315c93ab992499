"""Try a driver with all that a lab brings, and say in plain data what came of it.

The one idea: what is quick and tells most comes first. Every run is made once; only a driver that
gets through them all is tried at every timing, first with one delay at each point, then with pairs
as far as the budget goes. The budget is a number of runs and not a time, so that the same driver
fares the same on every machine.
"""

from __future__ import annotations

import linecache
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import PurePath

from emu.labs.lab import LabRun
from emu.scenario.outcome import Measures
from emu.search.explore import Explored, Explorer, Plan
from emu.search.hunt import Budget, Found, make_small
from emu.search.schedule import Schedule, describe, weight
from emu.search.trial import Failure, Trial, Trying
from emu.search.workers import Job, Workers

__all__ = ["Setting", "Told", "Tried", "busy_ps", "try_driver"]

_AFTER_A_FAILURE = 150  # runs that are made to see whether something smaller fails, too
_RUNS_A_CASE = 40
_MOST_TOLD = 4
_LONG_S = 3.0  # real time after which a driver that has failed already is tried no further
_OF_OURS = ("expectation", "time-limit")  # what no run but the undisturbed one is judged by


@dataclass(frozen=True, slots=True)
class Setting:
    """Bound what is tried.

    Args:
        pairs: how many runs are made at every timing once each point was tried with one delay.
        seconds: real time after which no further run is begun.
        busy_ps: for each run how long the processor may be busy; one that is busier is tried no
            further.
    """

    pairs: int = 300
    seconds: float = 60.0
    busy_ps: dict[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class Told:
    """Say what failed, as the shortest case shows it.

    Args:
        run: title of the run.
        rule: the rule, ``promise NAME`` or ``expectation``.
        message: what is wrong.
        line: the driver's line, 0 where none is known.
        code: what stands in that line.
        delays: when the processor was late, in words; empty for a driver that fails undisturbed.
        schedule: the same as data: call, step, kind, events.
    """

    run: str
    rule: str
    message: str
    line: int
    code: str
    delays: list[str] = field(default_factory=list)
    schedule: list[tuple[int, int, str, int]] = field(default_factory=list)


@dataclass(slots=True)
class Tried:
    """What it came to.

    Args:
        failures: the surest first; empty if nothing fails.
        time_ps: for each run the simulated time that it took.
        busy_ps: for how much of that the processor was busy.
        runs: how many runs were made.
        complete: whether every point of every hunted run was tried with one delay.
        printed: what the driver printed when it ran undisturbed.
    """

    failures: list[Told] = field(default_factory=list)
    time_ps: dict[str, int] = field(default_factory=dict)
    busy_ps: dict[str, int] = field(default_factory=dict)
    runs: int = 0
    complete: bool = False
    printed: str = ""


def busy_ps(measures: Measures) -> int:
    """Return for how long the processor was busy in a run."""
    return measures.time_ps - measures.idle_ps - measures.stalled_ps


def try_driver(
    driver: type,
    runs: Iterable[LabRun],
    setting: Setting | None = None,
    *,
    stuck: Callable[[Tried], None] | None = None,
) -> Tried:
    """Try a driver with all runs of a lab.

    Args:
        driver: its class.
        runs: what it is tried with.
        setting: bounds.
        stuck: called, in a thread of its own, with what is known of a driver that spins and
            swallows whatever ends its run; None goes on trying.
    """
    return _Trials(driver, tuple(runs), setting or Setting(), stuck).all()


class _Trials:
    def __init__(
        self,
        driver: type,
        runs: tuple[LabRun, ...],
        setting: Setting,
        stuck: Callable[[Tried], None] | None,
    ) -> None:
        self._trying = [Trying(one.scenario, driver, manner=one.manner) for one in runs]
        if stuck is not None:
            for one in self._trying:
                one.last_resort = self._resort(one, stuck)
        self._runs = runs
        self._setting = setting
        self._budget = Budget(setting.seconds)
        self._tried = Tried()

    def all(self) -> Tried:
        """Try everything that is called for."""
        with Workers(self._trying) as crew:
            for number in range(len(self._runs)):
                if not (self._tried.failures and self._budget.used_s > _LONG_S):
                    self._undisturbed(number, crew)
            if not (self._tried.failures or self._too_busy()):
                hunted = [number for number, one in enumerate(self._runs) if one.hunt]
                self._tried.complete = all(self._at_every_timing(one, crew) for one in hunted)
        return self._tried

    def _undisturbed(self, number: int, crew: Workers) -> None:
        """Run once as if nothing ever came between, and hold expectations against the driver."""
        trying = self._trying[number]
        trial = trying.run(expects=True)
        outcome = trying.outcome
        assert outcome is not None, "a run has an outcome"
        self._tried.runs += 1
        self._tried.time_ps[trying.scenario.title] = outcome.measures.time_ps
        self._tried.busy_ps[trying.scenario.title] = busy_ps(outcome.measures)
        self._tried.printed = self._tried.printed or outcome.printed
        failures = _surest(trial)
        if trial.ended and not failures:
            failures = [Failure("time-limit", "", 0, "", f"it took too long: {trial.ended}")]
        for failure in failures:
            self._tell(Found(failure, trial, trying.scenario), number, crew)

    def _too_busy(self) -> bool:
        """Whether the processor was busier in some run than it may be."""
        allowed = self._setting.busy_ps
        return any(busy > allowed.get(run, busy) for run, busy in self._tried.busy_ps.items())

    def _at_every_timing(self, number: int, crew: Workers) -> bool:
        """Try one run at every timing; return whether each point was tried with one delay."""
        found = _Found(self._setting.pairs, self._budget)

        def run(chunk: Iterable[Schedule]) -> Iterator[Trial]:
            yield from crew.run(Job(number, schedule) for schedule in chunk)

        scenario = self._runs[number].scenario
        plan = Plan(entries=2, manner=self._runs[number].manner).fitted(scenario)
        explorer = Explorer(
            plan, run, lambda: crew.one(Job(number, learn=plan.manner)), found.enough
        )
        explorer.explore()
        self._tried.runs += explorer.found.runs
        smallest = sorted(explorer.found.causes.values(), key=lambda one: weight(one[1].schedule))
        for failure, trial in smallest[:_MOST_TOLD]:
            self._tell(Found(failure, trial, scenario), number, crew)
        return explorer.found.complete

    def _resort(self, trying: Trying, stuck: Callable[[Tried], None]) -> Callable[[Trial], None]:
        def leave(trial: Trial) -> None:
            told = [_told(Found(one, trial, trying.scenario)) for one in _surest(trial)]
            stuck(replace(self._tried, failures=told))

        return leave

    def _tell(self, found: Found, number: int, crew: Workers) -> None:
        if found.failure.rule not in _OF_OURS and self._budget.used_s < _LONG_S:
            make_small(found, crew, number, most=_RUNS_A_CASE)
        self._tried.failures.append(_told(found))


class _Found:
    """Say when enough of one run was tried: some more after a failure, or the budget of pairs."""

    def __init__(self, pairs: int, budget: Budget) -> None:
        self._pairs = pairs
        self._budget = budget
        self._failed_at = self._complete_at = 0

    def enough(self, explored: Explored) -> str:
        """Return why to stop, "" for going on."""
        if explored.causes and not self._failed_at:
            self._failed_at = explored.runs
        if explored.complete and not self._complete_at:
            self._complete_at = explored.runs
        if self._failed_at and explored.runs >= self._failed_at + _AFTER_A_FAILURE:
            return "count"
        if self._complete_at and explored.runs >= self._complete_at + self._pairs:
            return "count"
        return "time" if self._budget.over else ""


def _surest(trial: Trial) -> list[Failure]:
    """Return the findings of a run, else its first broken promise, else what was not met."""
    findings = [one for one in trial.failures if one.line and not one.is_promise]
    promises = [one for one in trial.failures if one.is_promise]
    return findings or promises[:1] or list(trial.failures[:1])


def _told(found: Found) -> Told:
    failure, trial = found.failure, found.trial
    return Told(
        found.scenario.title,
        failure.rule,
        failure.message,
        failure.line,
        linecache.getline(failure.file, failure.line).strip() if failure.line else "",
        [describe(one.entry, _place(*one.place)) for one in trial.acted],
        [(*one.point, one.kind, one.events) for one in trial.schedule],
    )


def _place(file: str, line: int) -> str:
    return f"{PurePath(file).name}:{line}" if file else ""
