"""Grade a repair: does it hold, does it still do its work, and what has been misunderstood if not.

The one idea: a submission passes if nothing at all speaks against it. It is looked at before it is
run, tried in a process of its own, and measured against the solution; what fails first is told,
never how to mend it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from emu.labs.conduct import Misconduct, misconduct
from emu.labs.course import folder_of_labs
from emu.labs.diagnose import is_the_bug, misunderstanding
from emu.labs.interface import changed_calls
from emu.labs.keeper import Hold, hold
from emu.labs.lab import Lab, LabRun
from emu.labs.trials import Told, Tried
from emu.labs.usual import usual_of
from emu.scenario.trade import trade_of

__all__ = ["FAILED", "PASSED", "REFUSED", "STOPPED", "Grade", "Grader"]

PASSED, FAILED, REFUSED, STOPPED = "passed", "failed", "refused", "stopped"
_SPIN_S = 0.5  # real time without a call of the bench
_TIMES, _MORE_PS = 10, 300_000_000_000  # simulated time that a submission may take
_LEAST_BUSY_PS = 20_000_000  # of computing more ruins nobody's timing


@dataclass(slots=True)
class Grade:
    """Say how a submission fared.

    Args:
        verdict: ``passed``, ``failed``, ``refused`` before it was run, or ``stopped``.
        reason: why it did not pass, in a sentence.
        line: the line that is meant, 0 for none.
        failures: what fails, the surest first.
        misunderstood: what the failure is a sign of, in the words of the lab; may be empty.
        same_bug: whether the bug of the lab is still there.
        load: how busy it keeps the processor in terms of the solution, 0 where not measured.
        runs: how many runs were made.
        seconds: real time taken.
        printed: what it printed.
        moment: the moment at which it breaks, where that was asked for.
    """

    verdict: str
    reason: str = ""
    line: int = 0
    failures: list[Told] = field(default_factory=list)
    misunderstood: str = ""
    same_bug: bool = False
    load: float = 0.0
    runs: int = 0
    seconds: float = 0.0
    printed: str = ""
    moment: str = ""

    @property
    def passed(self) -> bool:
        """Whether nothing speaks against it."""
        return self.verdict == PASSED


def _bounded(run: LabRun, usual_ps: int) -> LabRun:
    """Return a run that ends in good time whatever the driver does.

    Args:
        run: the run.
        usual_ps: how long it takes with the solution.
    """
    scenario = run.scenario
    limits = replace(
        scenario.limits, wall_s=min(_SPIN_S, scenario.limits.wall_s),
        time_ps=scenario.limits.time_ps or _TIMES * usual_ps + _MORE_PS,
    )  # fmt: skip
    return replace(run, scenario=replace(scenario, limits=limits))


def _of(busy_ps: int) -> int:
    """Return how busy a driver counts as: a little more or less is nobody's business."""
    return busy_ps + _LEAST_BUSY_PS


def _most_ps(lab: Lab, usual_ps: int) -> int:
    """Return for how long a repair may keep the processor busy."""
    return int(lab.load * _of(usual_ps)) - _LEAST_BUSY_PS


class Grader:
    """Grade submissions for one lab.

    Args:
        lab: the lab.
        limits: bounds for each submission.

    Raises:
        InputError: the solution cannot be used at all.

    Side effects: runs the solution once, to know how busy the processor has to be.
    """

    def __init__(self, lab: Lab, limits: Hold | None = None) -> None:
        self.lab = lab
        limits = limits or Hold()
        self._private = (lab.folder, folder_of_labs())
        usual = usual_of(lab, limits)
        self._usual_ps = {run: one.busy_ps for run, one in usual.items()}
        most_ps = {run: _most_ps(lab, one.busy_ps) for run, one in usual.items()}
        self._limits = replace(limits, setting=replace(limits.setting, busy_ps=most_ps))
        self._runs = tuple(_bounded(one, usual[one.scenario.title].time_ps) for one in lab.runs)

    def grade(self, source: str, *, rows: int = 0) -> Grade:
        """Grade a submission.

        Args:
            source: its text.
            rows: how many rows to tell of the moment at which it breaks, 0 for none.

        Side effects: starts a process and ends it.
        """
        wrong = misconduct(source, self.lab.barred) or self._changed_calls(source)
        if wrong:
            more = f", and {len(wrong) - 1} more such lines" if len(wrong) > 1 else ""
            return Grade(REFUSED, f"{wrong[0].what}{more}", wrong[0].line)
        lab = self.lab
        held = hold(
            source, lab.driver, self._runs, private=self._private, rows=rows, first=lab.fails.run,
            limits=self._limits,
        )  # fmt: skip
        found = Grade(STOPPED, held.stopped, held.line, seconds=held.seconds, moment=held.moment)
        return found if held.tried is None else self._judged(source, held.tried, found)

    def _changed_calls(self, source: str) -> list[Misconduct]:
        """Return the methods that are to be called in another way than before."""
        scenario = self.lab.runs[0].scenario
        methods = trade_of(scenario.board, scenario.port).methods
        return changed_calls(source, self.lab.broken, self.lab.driver, methods)

    def _judged(self, source: str, tried: Tried, found: Grade) -> Grade:
        """Return what is to be said of a submission that ran to its end."""
        found = replace(found, runs=tried.runs, printed=tried.printed)
        if tried.failures:
            first = tried.failures[0]
            reason = f"{first.rule}: {first.message}"
            return self._failed(source, replace(found, reason=reason, failures=tried.failures))
        found.load, run = self._load(tried)
        if found.load <= self.lab.load and tried.complete:
            return replace(found, verdict=PASSED, reason="")
        if found.load <= self.lab.load:
            reason = "it takes so long that not every timing could be tried"
            return replace(found, verdict=FAILED, reason=reason)
        reason = (
            f"it keeps the processor busy {found.load:.1f} times as long as needed in {run!r}; "
            f"{self.lab.load:g} times is allowed"
        )
        told = Told(run, "load", reason, 0, "")
        return self._failed(source, replace(found, reason=reason, failures=[told]))

    def _failed(self, source: str, found: Grade) -> Grade:
        lab, failures = self.lab, found.failures
        repair = misunderstanding(lab, failures, source)
        return replace(
            found, verdict=FAILED, line=failures[0].line,
            misunderstood=repair.tells if repair else "",
            same_bug=is_the_bug(lab, failures, source),
        )  # fmt: skip

    def _load(self, tried: Tried) -> tuple[float, str]:
        """Return how much busier than usual the processor is, and in which run most of all."""
        ratios = [
            (_of(busy_ps) / _of(self._usual_ps[run]), run) for run, busy_ps in tried.busy_ps.items()
        ]
        return max(ratios, default=(0.0, ""))
