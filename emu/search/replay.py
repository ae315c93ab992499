"""Replay a case: the same run again, and whether it is the same.

The one idea: a replay has three questions, does it still fail, does it fail in the same way, and is
it the same run to the picosecond; what has changed since explains a no.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from emu.record.tape import Recording, read_tape
from emu.rules.finding import Finding
from emu.scenario.runner import Run
from emu.search.case import Case, scenario_hash, source_hash
from emu.search.trial import Failure, Trial, Trying

__all__ = ["Replayed", "replay"]

_ELSEWHERE = (
    "neither the driver's source nor the scenario has changed, so the bench has, or something else "
    "that the driver uses"
)
_UNSTEADY = (
    "the driver does not do the same twice: it depends on threads, real time, random numbers or "
    "something else outside the bench"
)


@dataclass(slots=True)
class Replayed:
    """What a replay came to.

    Args:
        case: what was replayed.
        trial: its run.
        same_failure: the failure of the case as it shows now, None if it does not.
        exact: whether the whole record is the same.
        changes: what has changed since the case was written, in words.
        unreached: entries of the schedule whose point the run did not reach.
        recording: what happened, where it was asked for.
        findings: of the rules.
    """

    case: Case
    trial: Trial
    same_failure: Failure | None
    exact: bool
    changes: list[str] = field(default_factory=list)
    unreached: int = 0
    recording: Recording | None = None
    findings: list[Finding] = field(default_factory=list)

    @property
    def fails(self) -> bool:
        """Whether anything speaks against the driver."""
        return bool(self.trial.failures)


def replay(
    case: Case,
    driver: type,
    *,
    events: int | None = None,
    stuck: Callable[[Replayed], None] | None = None,
) -> Replayed:
    """Run a case again.

    Args:
        case: what to run.
        driver: the driver's class.
        events: how many events to record with the driver's lines, None for no recording.
        stuck: called, in a thread of its own, with what is known of a driver that spins and
            swallows whatever ends its run; None goes on trying.

    Raises:
        InputError: the driver of a far end cannot be found.
    """
    trying = Trying(case.scenario, driver, manner=case.manner)
    if stuck is not None:
        trying.last_resort = lambda trial: stuck(_replayed(case, driver, trial))
    trial = trying.run(case.schedule, records=True, expects=not case.schedule)
    kept: list[Run] = []
    if events is not None:  # a run of its own, since what is noted besides is in the record too
        trying.run(case.schedule, events=events, places=True, keep=kept.append)
    done = _replayed(case, driver, trial)
    if case.record and not done.exact and not done.changes:
        repeats = trying.run(case.schedule, records=True).record == trial.record
        done.changes.append(_ELSEWHERE if repeats else _UNSTEADY)
    for run in kept:
        done.recording, done.findings = read_tape(run.board), run.findings.all()
    return done


def _replayed(case: Case, driver: type, trial: Trial) -> Replayed:
    """Compare a run with what the case says of it.

    Where nothing has changed, the case knows the line to begin with better than one run does.
    """
    exact, changes = bool(case.record) and trial.record == case.record, _changes(case, driver)
    failures = list(trial.failures)
    same = [at for at, one in enumerate(failures) if one.rule == case.failure.rule]
    same.sort(key=lambda at: failures[at].cause != case.failure.cause)
    if same and exact and not changes and case.failure.file:
        at = same[0]
        failures[at] = failures[at]._replace(file=case.failure.file, line=case.failure.line)
    return Replayed(
        case,
        replace(trial, failures=tuple(failures)),
        failures[same[0]] if same else None,
        exact,
        changes,
        len(case.schedule) - len(trial.acted),
    )


def _changes(case: Case, driver: type) -> list[str]:
    changes = []
    if case.source and source_hash(driver) != case.source:
        changes.append("the driver's source has changed since the case was written")
    if case.asked and scenario_hash(case.scenario) != case.asked:
        changes.append("the scenario has changed since the case was written")
    return changes
