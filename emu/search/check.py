"""Check a driver with nothing else given: all bouts, then every timing of the hunted ones.

The one idea: what is likelier to fail comes first. Every plain bout is run once; then every hunted
one is held up once at each call, at each line, and so on to pairs, wave by wave over all of them,
until everything is tried or the time is used up. What fails is gathered by cause: one bug is one
row, however many runs show it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from emu.scenario.trade import trade_of
from emu.search.bout import Bout
from emu.search.coverage import Coverage
from emu.search.explore import Explored, Explorer, Plan, leading
from emu.search.hunt import Budget, Found, make_small
from emu.search.schedule import Schedule, weight
from emu.search.trial import Failure, Trial, Trying
from emu.search.workers import Job, Workers

__all__ = ["Checked", "Row", "check"]

Cause = tuple[str, str, int]
_SHRINK_S = 10.0  # real time that making cases small may take when the budget is used up
_RUNS_A_CASE = 60
_DONE = object()


@dataclass(slots=True)
class Row:
    """One cause, over all runs.

    Args:
        found: the smallest case.
        runs: how many runs showed it.
        bouts: titles of the bouts that showed it.
        promises: promises broken in the same runs.
        lines: other lines at which the same was found.
    """

    found: Found
    runs: int = 0
    bouts: dict[str, None] = field(default_factory=dict)
    promises: dict[str, None] = field(default_factory=dict)
    lines: dict[int, None] = field(default_factory=dict)

    def take(self, other: Row) -> None:
        """Take in what another row tells of the same bug."""
        self.runs += other.runs
        self.bouts |= other.bouts
        self.promises |= other.promises
        self.lines |= other.lines
        if other.found.failure.line and not other.found.failure.is_promise:
            self.lines[other.found.failure.line] = None


@dataclass(slots=True)
class Checked:
    """What a check came to.

    Args:
        rows: the causes.
        causes: how many there seem to be while they are still looked for.
        meanings: the promises of the contract, and what each means.
        promises: for each promise how many runs kept it, broke it, and had it waived.
        coverage: what of the device was used.
        bouts: how many bouts were tried.
        runs, decided: runs made, schedules decided.
        behaviours: how many different behaviours were seen.
        seconds: real time taken.
        complete: whether every hunted bout was tried with one entry at each point.
        stopped: ``time`` if the budget ended the check, ``interrupted`` if the user did.
        first_s: real seconds until something failed, None if nothing did.
    """

    rows: list[Row] = field(default_factory=list)
    causes: int = 0
    meanings: dict[str, str] = field(default_factory=dict)
    promises: dict[str, dict[str, int]] = field(default_factory=dict)
    coverage: Coverage = field(default_factory=Coverage)
    bouts: int = 0
    runs: int = 0
    decided: int = 0
    behaviours: int = 0
    seconds: float = 0.0
    complete: bool = False
    stopped: str = ""
    first_s: float | None = None

    @property
    def clean(self) -> bool:
        """Whether nothing speaks against the driver."""
        return not self.rows


Telling = Callable[["Checked", float], None]


def check(
    driver: type,
    bouts: list[Bout],
    *,
    budget_s: float | None = 60.0,
    linger_s: float | None = None,
    workers: int = 0,
    plan: Plan = Plan(entries=2),  # noqa: B008 - a tuple, never changed
    told: Telling = lambda _checked, _seconds: None,
) -> Checked:
    """Try a driver with everything.

    Args:
        driver: the driver's class.
        bouts: what to try.
        budget_s: real seconds, None for as long as it takes.
        linger_s: real seconds to go on once something has failed, None for the whole budget.
        workers: processes to use, 0 for this one.
        plan: how the hunted bouts are tried.
        told: called after each run with what was found so far and the seconds used.
    """
    trying = [Trying(bout.scenario(), driver, manner=plan.manner) for bout in bouts]
    checker = _Checker(trying, bouts, Budget(budget_s), told, linger_s)
    with Workers(trying, workers) as crew:
        try:
            checker.run(crew, plan)
        except KeyboardInterrupt:
            checker.checked.stopped = "interrupted"
            crew.renew()
        return checker.finish(crew)


class _Checker:
    """Gather what all runs of a check show."""

    def __init__(
        self,
        trying: list[Trying],
        bouts: list[Bout],
        budget: Budget,
        told: Telling,
        linger_s: float | None,
    ) -> None:
        self.checked = Checked()
        self._trying = trying
        self._bouts = bouts
        self._hunted = [number for number, bout in enumerate(bouts) if bout.hunted]
        self._plain = [number for number, bout in enumerate(bouts) if not bout.hunted]
        self._budget = budget
        self._linger_s = linger_s
        self._told = told
        self._rows: dict[Cause, Row] = {}
        self._smallest: dict[Cause, tuple[int, Failure, Trial]] = {}
        for one in trying[:1]:
            trade = trade_of(one.scenario.board, one.scenario.port)
            self.checked.meanings = dict(trade.promises)
        self.checked.promises = {name: {} for name in self.checked.meanings}
        self._behaviours: set[tuple[int, str]] = set()
        self._begun: set[int] = set()

    def run(self, crew: Workers, plan: Plan) -> None:
        """Run the plain bouts, then the waves of the hunted ones."""
        plain = (Job(number, cover=True) for number in self._plain)
        for number, trial in zip(self._plain, crew.run(plain), strict=True):
            self._take(number, trial)
            if self._over:
                self.checked.stopped = "time"
                return
        explorers = [self._explorer(number, crew, plan) for number in self._hunted]
        in_turn([one.steps() for one in explorers])
        self.checked.complete = all(
            explorer.found.complete
            for number, explorer in zip(self._hunted, explorers, strict=True)
            if self._bouts[number].most is None
        )
        if any(one.found.stopped == "time" for one in explorers):
            self.checked.stopped = "time"

    @property
    def _over(self) -> bool:
        """Whether the time is used up."""
        first_s, linger_s = self.checked.first_s, self._linger_s
        if first_s is None or linger_s is None:
            return self._budget.over
        return self._budget.over or self._budget.used_s >= first_s + linger_s

    def _explorer(self, number: int, crew: Workers, plan: Plan) -> Explorer:
        before = Explored()

        def told(found: Explored) -> str:
            self.checked.decided += found.decided - before.decided
            before.decided = found.decided
            return "time" if self._over else ""

        def run(chunk: Iterable[Schedule]) -> Iterator[Trial]:
            for trial in crew.run(Job(number, schedule) for schedule in chunk):
                self._take(number, trial, decided=False)
                yield trial

        def learn() -> Trial:
            trial = crew.one(Job(number, learn=plan.manner, cover=True))
            self._take(number, trial, decided=False)
            return trial

        bout_plan = plan._replace(most=self._bouts[number].most)
        bout_plan = bout_plan.fitted(self._trying[number].scenario)
        return Explorer(bout_plan, run, learn, told)

    def _take(self, number: int, trial: Trial, *, decided: bool = True) -> None:
        """Take a run in."""
        checked = self.checked
        self._begun.add(number)
        checked.bouts = len(self._begun)
        checked.runs += 1
        checked.decided += decided
        checked.seconds = self._budget.used_s
        self._behaviours.add((number, trial.behaviour))
        checked.behaviours = len(self._behaviours)
        for promise, how in trial.promises.items():
            counts = checked.promises.setdefault(promise, {})
            counts[how] = counts.get(how, 0) + 1
        if trial.coverage is not None:
            checked.coverage.add(trial.coverage)
        if trial.failures and checked.first_s is None:
            checked.first_s = checked.seconds
        for failure in leading(trial):
            self._enter(number, failure, trial)
        self._told(checked, checked.seconds)

    def _enter(self, number: int, failure: Failure, trial: Trial) -> None:
        cause = failure.cause
        scenario = self._trying[number].scenario
        row = self._rows.get(cause)
        if row is None:
            found = Found(failure, trial, scenario, self._budget.used_s)
            row = self._rows[cause] = Row(found)
            self._smallest[cause] = (number, failure, trial)
            self.checked.causes = len(self._rows)
        elif weight(trial.schedule) < weight(self._smallest[cause][2].schedule):
            self._smallest[cause] = (number, failure, trial)
        row.runs += 1
        row.bouts[scenario.title] = None
        for one in trial.failures:
            if one.is_promise and one.rule != failure.rule:
                row.promises[one.rule] = None

    def finish(self, crew: Workers) -> Checked:
        """Put rows of one bug together, make their cases small, and return the result."""
        checked = self.checked
        limit = Budget(_SHRINK_S if checked.stopped == "time" else None)
        for cause, row in self._rows.items():
            number, failure, trial = self._smallest[cause]
            row.found = Found(failure, trial, self._trying[number].scenario, row.found.first_s)
        checked.rows = together(list(self._rows.values()))
        for row in checked.rows:
            number = self._smallest[row.found.failure.cause][0]
            small = not limit.over and checked.stopped != "interrupted"
            try:
                make_small(row.found, crew, number, most=_RUNS_A_CASE if small else 0)
            except KeyboardInterrupt:
                checked.stopped = "interrupted"
                crew.renew()
        checked.rows.sort(key=_surest)
        checked.seconds = self._budget.used_s
        return checked


def in_turn(searches: list[Iterator[None]]) -> None:
    """Let each search do a bit in turn until all are done."""
    while searches:
        searches = [one for one in searches if next(one, _DONE) is not _DONE]


def together(rows: list[Row]) -> list[Row]:
    """Put together what is most likely one bug.

    A race shows at every line at which it may strike, with the same words: the line with the
    smallest case stands for all. A broken promise without a finding goes to the finding that breaks
    the same promise elsewhere, of several to the one that shows in most runs. What names a line
    and has the smallest case stands first.
    """
    findings: list[Row] = []
    races: dict[tuple[str, str, str], Row] = {}
    for row in sorted((one for one in rows if not one.found.failure.is_promise), key=_surest):
        failure = row.found.failure
        race = failure.rule, failure.register, failure.message
        if row.found.trial.schedule and race in races:
            races[race].take(row)
            continue
        races[race] = row
        findings.append(row)
    kept = list(findings)
    for row in rows:
        if not row.found.failure.is_promise:
            continue
        hosts = [one for one in findings if row.found.failure.rule in one.promises]
        if hosts:
            host = max(hosts, key=lambda one: one.runs)
            host.take(row)
        else:
            kept.append(row)
    return sorted(kept, key=_surest)


def _surest(row: Row) -> tuple[bool, tuple[int, int, int]]:
    return row.found.failure.is_promise, weight(row.found.trial.schedule)
