"""`emu replay`: run a failing case again, exactly, or say what has changed since."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.driver_option import check_named, driver_class, drivers_of, shown_name
from emu.cli.leave import leave
from emu.cli.paint import painter

if TYPE_CHECKING:
    from emu.search.replay import Replayed

__all__ = ["command"]

_TIMELINE_EVENTS = 200_000


@click.command(
    epilog="""\b
Examples
  emu replay cases/01_read-when-empty.yaml
  emu replay cases/01_read-when-empty.yaml --timeline
  emu replay cases/01_read-when-empty.yaml --driver mended.py:MyDriver

Exit status: 0 the case does not fail any more, 1 it fails, 2 bad input.""",
)
@click.argument("case", type=click.Path())
@click.option("--driver", metavar="FILE.py:CLASS", help="Driver to run in place of the case's.")
@click.option("--timeline", is_flag=True, help="Print what happened, event by event.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(case: str, driver: str | None, *, timeline: bool, as_json: bool) -> int:
    """Run CASE, a file that emu hunt or emu check wrote, and say whether it still fails."""
    from emu.report.replay_summary import render_replay, replay_as_json
    from emu.scenario.driver_set import names_of_set
    from emu.scenario.trade import trade_of
    from emu.search.case import load_case
    from emu.search.replay import replay

    model = load_case(case)
    scenario, name = model.scenario, driver or model.driver
    if scenario.drivers or not name:
        check_named(case, scenario, driver)
    base = Path.cwd() if driver else Path(case).parent
    where = "--driver" if driver else f"{case}: driver"
    if scenario.drivers:
        kind, shown = drivers_of(scenario), names_of_set(scenario)
    else:
        methods = trade_of(scenario.board, scenario.port).methods
        kind = driver_class(name, base=base, methods=methods, where=where)
        shown = shown_name(name, base)

    def text(done: Replayed) -> str:
        if as_json:
            return json.dumps(replay_as_json(done, case, shown), indent=2) + "\n"
        hint = _next(done, case, shown, timeline=timeline)
        return render_replay(done, case, shown, painter(sys.stdout), next_step=hint)

    done = replay(
        model,
        kind,
        events=_TIMELINE_EVENTS if timeline else None,
        stuck=lambda done: leave(text(done), 1),
    )
    if timeline and not as_json:
        _print_timeline(done)
    click.echo(text(done), nl=False)
    return 1 if done.fails else 0


def _print_timeline(done: Replayed) -> None:
    from emu.record.timeline import timeline
    from emu.report.replay_summary import marks_of

    if done.recording is not None:
        recording, marks = done.recording, marks_of(done)
        click.echo(
            timeline(recording.events, findings=done.findings, marks=marks, cut=recording.cut)
        )


def _next(done: Replayed, case: str, driver: str, *, timeline: bool) -> str:
    if not done.fails:
        return f"emu check {shlex.quote(driver)} tries everything else again"
    return "" if timeline else f"emu replay {shlex.quote(case)} --timeline shows what led to it"
