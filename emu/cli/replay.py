"""`emu replay`: run a failing case again, exactly, or say what has changed since."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from emu.cli.paint import painter
from emu.errors import Flaw, InputError
from emu.scenario.driver_source import DriverBroken, DriverName, load_driver

__all__ = ["command"]

_TIMELINE_EVENTS = 200_000


@click.command()
@click.argument("case", type=click.Path())
@click.option("--driver", metavar="FILE.py:CLASS", help="Driver to run in place of the case's.")
@click.option("--timeline", is_flag=True, help="Print what happened, event by event.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(case: str, driver: str | None, *, timeline: bool, as_json: bool) -> int:
    """Run CASE, a file that emu hunt or emu check wrote, and say whether it still fails."""
    from emu.report.replay_summary import render_replay, replay_as_json
    from emu.search.case import load_case
    from emu.search.replay import replay

    model = load_case(case)
    name = driver or model.driver
    if not name:
        raise click.UsageError(f"{case} names no driver; give one with --driver FILE.py:CLASS")
    base = Path.cwd() if driver else Path(case).parent
    kind = _load(name, base, case)
    done = replay(model, kind, events=_TIMELINE_EVENTS if timeline else None)
    if as_json:
        click.echo(json.dumps(replay_as_json(done, case, name), indent=2))
    else:
        if timeline:
            from emu.record.timeline import timeline as lines

            events = done.recording.events if done.recording else []
            click.echo(lines(events, findings=done.findings, cut=False))
        click.echo(render_replay(done, case, name, painter(sys.stdout)), nl=False)
        hint = "" if timeline else f"emu replay {case} --timeline shows what led to it"
        if not done.fails:
            hint = "emu check FILE.py:CLASS tries everything else again"
        if hint:
            click.echo(f"\nNext: {hint}")
    return 1 if done.fails else 0


def _load(name: str, base: Path, case: str) -> type:
    found = DriverName.parse(name, base=base, where=f"{case}: driver")
    try:
        return load_driver(found, where=f"{case}: driver")
    except DriverBroken as broken:
        file, line = broken.place
        raise InputError([Flaw(file or name, line, 1 if line else 0, broken.message)]) from None
