"""One trial: run a scenario under a schedule, and say in plain data what came of it.

What comes back can be sent between processes. A failure is a finding of a rule or a broken promise;
what a scenario expects beyond the contract is not asked for here, since a processor that is late
may lose what it would have had in time.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from emu.devices.uart16550 import Uart16550
from emu.errors import RunEnded
from emu.kernel.bus import Window
from emu.kernel.cpu import Cpu
from emu.kernel.journal import DEFAULT_EVENTS
from emu.kernel.watchdog import Watchdog
from emu.kernel.where import Place
from emu.record.fingerprint import behaviour_hash, record_hash
from emu.scenario.model import Scenario
from emu.scenario.outcome import Outcome
from emu.scenario.promise import Promise
from emu.scenario.runner import Run
from emu.search.coverage import Coverage, Covering
from emu.search.explain import EXPLAINED, Explainer
from emu.search.schedule import Point, Schedule
from emu.search.stepper import Acted, Seen, Stepper

__all__ = ["Failure", "Trial", "Trying"]


class Failure(NamedTuple):
    """One thing that speaks against the driver.

    Args:
        rule: the rule, or ``promise NAME``.
        file, line: the driver's place; ``""`` and 0 where it is not known.
        register: the register concerned, ``""`` for none.
        message: what is wrong.
    """

    rule: str
    file: str
    line: int
    register: str
    message: str

    @property
    def cause(self) -> tuple[str, str, int]:
        """What makes two failures the same bug: the rule and the place, without a place the rule.

        A promise names no place of its own.
        """
        return self.rule, self.file, self.line

    @property
    def is_promise(self) -> bool:
        """Whether it is a promise that was broken."""
        return self.rule.startswith("promise ")


@dataclass(slots=True)
class Trial:
    """What came of one run.

    Args:
        schedule: what was tried.
        failures: what speaks against the driver, in order.
        behaviour: hash of what happened, times left out.
        record: hash of the whole record.
        acted: what the entries did.
        calls: bench calls that the driver made.
        ended: why the run ended early, ``""`` if it did not.
        seen: the points, where they were asked for.
        promises: of each promise whether it was ``kept``, ``broken`` or ``waived``.
        coverage: what was read and written, where it was asked for.
        places: for failures by their cause a better line to begin with, where that was asked for.
        lost: whether the driver took the process down that ran it, so that little is known.
    """

    schedule: Schedule
    failures: tuple[Failure, ...]
    behaviour: str
    record: str
    acted: tuple[Acted, ...]
    calls: int
    ended: str = ""
    seen: dict[Point, Seen] = field(default_factory=dict)
    promises: dict[str, str] = field(default_factory=dict)
    coverage: Coverage | None = None
    places: dict[tuple[str, str, int], Place] = field(default_factory=dict)
    lost: bool = False


class Trying:
    """Run one scenario with one driver again and again.

    Args:
        scenario: what is asked for.
        driver: the driver's class.
        manner: what steps between calls are: one of `emu.search.schedule.MANNERS`.

    Attributes:
        outcome: everything that the last run showed, None before the first.
        last_resort: called, in a thread of its own, with the trial of a driver that spins and
            swallows whatever ends its run; None goes on trying.
    """

    def __init__(self, scenario: Scenario, driver: type, *, manner: str = "line") -> None:
        self.outcome: Outcome | None = None
        self.last_resort: Callable[[Trial], None] | None = None
        self.scenario = scenario
        self.driver = driver
        self.manner = manner

    def run(
        self,
        schedule: Schedule = (),
        *,
        learn: str = "",
        records: bool = False,
        events: int | None = DEFAULT_EVENTS,
        places: bool = False,
        cover: bool = False,
        ready: Callable[[Run], None] | None = None,
        keep: Callable[[Run], None] | None = None,
        expects: bool = False,
        explain: str = "",
    ) -> Trial:
        """Run once.

        Args:
            schedule: when the processor is late.
            learn: note all points: ``access``, ``line`` or ``opcode``.
            records: hash the record with its times too.
            events: how many entries of the journal to keep, None for all.
            places: note the driver's line with every entry.
            cover: note what of the device was read and written.
            ready: given the run before it begins, for whoever wants to watch it.
            keep: given the run once it is over, for whoever wants to look at it.
            expects: hold what the scenario expects beyond the contract against the driver, too.
            explain: the rule for which to find the line to begin with, ``""`` for none.

        Raises:
            InputError: the driver cannot be found.
        """
        run = Run(self.scenario, self.driver, events=events, places=places or bool(explain))
        stepper = self._stepper(run, schedule, learn)
        board, port = run.board, self.scenario.port
        covering = Covering(board, port) if cover else None
        alone = isinstance(board.device(port), Uart16550) and not self.scenario.drivers
        explained = explain in EXPLAINED and alone
        explainer = Explainer(run, port) if explained else None

        def hand_out(name: str) -> tuple[Window, Cpu]:
            cpu = stepper.cpu(board.cpu)
            return stepper.window(board.window(name)), explainer.cpu(cpu) if explainer else cpu

        def trial_of(outcome: Outcome) -> Trial:
            failures = failures_of(outcome, expects=expects)
            return Trial(
                schedule,
                failures,
                behaviour_hash(board, *run.stage.results()),
                record_hash(board) if records else "",
                tuple(stepper.acted),
                stepper.calls,
                outcome.ended,
                stepper.seen,
                {one.promise: _how(one) for one in outcome.promises},
                covering.coverage() if covering else None,
                _explained(failures, explainer) if explainer else {},
            )

        run.bench.hand_out = hand_out
        if ready is not None:
            ready(run)

        verdict = threading.Lock()  # held by whoever gives it
        with self._watchdog(run, trial_of, verdict):
            try:
                if explainer:
                    explainer.start()
                stepper.start()
                outcome = self.outcome = run.outcome()
            finally:
                stepper.stop()
                if explainer:
                    explainer.stop()
        if not verdict.acquire(blocking=False):
            threading.Event().wait()  # the last resort is ending the process
        if keep is not None:
            keep(run)
        return trial_of(outcome)

    def _watchdog(
        self, run: Run, trial_of: Callable[[Outcome], Trial], verdict: threading.Lock
    ) -> Watchdog:
        last_resort = self.last_resort

        def leave(ended: RunEnded) -> None:
            assert last_resort is not None
            if verdict.acquire(blocking=False):
                last_resort(trial_of(run.end(ended.rule, ended.message, (ended.file, ended.line))))

        return Watchdog(
            run.board.clock,
            run.board.cpu,
            self.scenario.limits.wall_s,
            last_resort=leave if last_resort else None,
        )

    def _stepper(self, run: Run, schedule: Schedule, learn: str) -> Stepper:
        port = self.scenario.port
        return Stepper(
            run.board,
            schedule,
            line=run.board.window(port).irq,
            learn=learn,
            manner=self.manner,
            tasks=run.stage.tasks,
        )


def _explained(
    failures: tuple[Failure, ...], explainer: Explainer
) -> dict[tuple[str, str, int], Place]:
    """Return better lines for those failures that have one."""
    places = {one.cause: explainer.place(one.rule, one.line, one.message) for one in failures}
    return {cause: place for cause, place in places.items() if place is not None}


def _how(promise: Promise) -> str:
    if promise.waived:
        return "waived"
    return "kept" if promise.kept else "broken"


def failures_of(outcome: Outcome, *, expects: bool = False) -> tuple[Failure, ...]:
    """Return what speaks against the driver: findings first, then broken promises.

    Args:
        outcome: what came of the run.
        expects: whether expectations that were not met count, after those.
    """
    findings = [
        Failure(one.rule, one.file, one.line, one.register, one.message) for one in outcome.findings
    ]
    promises = [
        Failure(f"promise {one.promise}", "", 0, "", one.detail)
        for one in outcome.promises
        if not one.kept
    ]
    unmet = [Failure("expectation", "", 0, "", one) for one in outcome.unmet] if expects else []
    return (*findings, *promises, *unmet)
