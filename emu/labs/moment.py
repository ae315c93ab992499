"""The moment at which a driver breaks, as lanes of a few rows.

The one idea: the shortest case is run once more with everything noted, and cut to what lies around
the place where it goes wrong.
"""

from __future__ import annotations

from pathlib import PurePath

from emu.labs.lab import LabRun
from emu.labs.trials import Told
from emu.record.events import AnyEvent, CallEnd
from emu.record.gauges import Gauges
from emu.record.lanes import Remark, lanes
from emu.record.tape import read_tape
from emu.scenario.outcome import Outcome
from emu.scenario.runner import Run
from emu.search.schedule import Entry, Point
from emu.search.stepper import Acted
from emu.search.trial import Trying

__all__ = ["moment_of"]

_MOST_EVENTS = 200_000


def moment_of(driver: type, runs: tuple[LabRun, ...], told: Told, *, rows: int = 24) -> str:
    """Return the rows around the moment of a failure.

    Args:
        driver: the driver's class.
        runs: of the lab; the failure is in one of them.
        told: the failure.
        rows: how many rows to show.
    """
    tried = next(one for one in runs if one.scenario.title == told.run)
    scenario = tried.scenario
    schedule = tuple(
        Entry(Point(call, step), kind, events) for call, step, kind, events in told.schedule
    )
    kept: list[Run] = []
    gauges: list[Gauges] = []

    def ready(run: Run) -> None:
        gauges.append(Gauges(run.board, scenario.port))

    trying = Trying(scenario, driver, manner=tried.manner)
    trial = trying.run(schedule, events=_MOST_EVENTS, places=True, ready=ready, keep=kept.append)
    events = read_tape(kept[0].board).events
    assert trying.outcome is not None, "a run has an outcome"
    moment_ps = _moment_ps(told, events, kept[0], trying.outcome)
    since_ps = _since_ps(told, events, trial.acted, moment_ps)
    remarks = [Remark(one.from_ps, _delay(one)) for one in trial.acted]
    remarks.append(Remark(moment_ps, f"{told.rule}: {told.message}"))
    return lanes(
        events, gauges[0], moment_ps=moment_ps, since_ps=since_ps, remarks=remarks, rows=rows
    )


def _moment_ps(told: Told, events: list[AnyEvent], run: Run, outcome: Outcome) -> int:
    """Return when it goes wrong: when that was found, or else when the last call ended."""
    found = [one.time_ps for one in run.findings.all() if one.rule == told.rule]
    broken = [
        one.broken_ps for one in outcome.promises
        if one.broken_ps is not None and told.rule == f"promise {one.promise}"
    ]  # fmt: skip
    ends = [one.time_ps for one in events if isinstance(one, CallEnd)]
    return next((times[-1] for times in (found, broken, ends) if times), 0)


def _since_ps(told: Told, events: list[AnyEvent], acted: tuple[Acted, ...], moment_ps: int) -> int:
    """Return when it began to: when the processor was late, or the driver at the line named."""
    late = [one.from_ps for one in acted]
    at_line = [
        one.time_ps for one in events
        if told.line and one.line == told.line and one.time_ps <= moment_ps
    ]  # fmt: skip
    return next((times[-1] for times in (late, at_line) if times), moment_ps)


def _delay(acted: Acted) -> str:
    file, line = acted.place
    where = f" at {PurePath(file).name}:{line}" if file else ""
    texts = {
        "stall": "the whole processor stands still here",
        "pause": "main code is held up here, handlers run",
        "spurious": "an interrupt comes here without a cause",
    }
    what = texts.get(acted.entry.kind, f"another task calls {acted.entry.kind} here")
    lasts = acted.until_ps - acted.from_ps
    return f"{what}{where}" + (f", for {lasts / 10**6:.1f} us" if lasts else "")
