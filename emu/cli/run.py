"""`emu run`: one scenario, one driver, one verdict."""

from __future__ import annotations

import json
import shlex
import sys
import threading
from dataclasses import replace
from pathlib import Path

import click

from emu.cli.driver_option import check_named
from emu.cli.leave import leave
from emu.cli.paint import painter
from emu.cli.quantity import Duration
from emu.errors import Flaw, InputError, RunEnded
from emu.kernel.watchdog import Watchdog
from emu.report.run_summary import WIDTH
from emu.rules.catalogue import RULES
from emu.scenario.driver_source import DriverName
from emu.scenario.load import load_scenario
from emu.scenario.model import Scenario
from emu.scenario.outcome import Outcome
from emu.scenario.runner import Run
from emu.units import format_duration

__all__ = ["command", "next_step"]

_TIMELINE_EVENTS = 200_000
_LEGEND = (
    "-> a character leaves, <- one comes in; a bar | stands before what a handler does, a colon :\n"
    "before what comes several times; step is the time since the row before, from 1 us.\n"
)


@click.command(
    epilog="""\b
Examples
  emu run fixtures/first_day.yaml
  emu run fixtures/first_day.yaml --timeline --until "2 ms"
  emu run fixtures/quiet.yaml --driver mydriver.py:MyDriver --seed 7

Exit status: 0 clean, 1 the driver failed, 2 bad input.""",
)
@click.argument("scenario", type=click.Path(), required=False)
@click.option("--driver", metavar="FILE.py:CLASS", help="Driver to run in place of the scenario's.")
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    metavar="N",
    help="Seed of everything random, in place of the scenario's.",
)
@click.option(
    "--until",
    type=Duration(),
    metavar="TIME",
    help="End after this simulated time, such as 5ms; what is unfinished is not held against "
    "the driver.",
)
@click.option(
    "--timeline", is_flag=True, help="Print what happened, row by row, before the verdict."
)
@click.option(
    "--events",
    type=click.Path(dir_okay=False),
    metavar="FILE",
    help="Write every event to FILE as JSON Lines.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of scenario files.")
def command(
    scenario: str | None,
    driver: str | None,
    seed: int | None,
    until: int | None,
    *,
    timeline: bool,
    events: str | None,
    as_json: bool,
    schema: bool,
) -> int:
    """Run SCENARIO and say whether the driver is clean.

    SCENARIO is a YAML file that says board, driver, line, far end, what the driver is asked to do,
    what goes wrong and what is expected.
    """
    if schema:
        return _print_schema()
    if scenario is None:
        raise click.UsageError("name a scenario file, such as fixtures/first_day.yaml")
    if events:
        _check_writable(events)
    model = _load(scenario, driver or "")
    if seed is not None:
        model = replace(model, seed=seed)
    check_named(scenario, model, driver)
    wanted = None if not (timeline or events) else _TIMELINE_EVENTS
    run = Run(
        model, driver or "", base=Path.cwd(), places=wanted is not None, until_ps=until,
        **({} if wanted is None else {"events": wanted}),
    )  # fmt: skip
    outcome = _guarded(run, as_json=as_json)
    if events:
        _write_events(run, Path(events))
    if as_json:
        click.echo(json.dumps(outcome.as_json(), indent=2))
    else:
        if timeline:
            _print_timeline(run, outcome)
        same = _same_run(scenario, driver, seed, until if outcome.ended else None)
        _print(outcome, same, timeline=timeline)
    return 0 if outcome.clean else 1


def _load(path: str, driver: str) -> Scenario:
    """Return the scenario, having looked for the driver named in place of its own.

    Raises:
        InputError: with everything that is wrong with the two.
    """
    flaws: list[Flaw] = []
    found: list[Scenario] = []
    try:
        found.append(load_scenario(Path(path)))
    except InputError as error:
        flaws += error.flaws
    try:
        if driver:
            DriverName.parse(driver, base=Path.cwd(), where="--driver")
    except InputError as error:
        flaws += error.flaws
    if flaws:
        raise InputError(flaws)
    return found[0]


def _guarded(run: Run, *, as_json: bool) -> Outcome:
    """Run under the watchdog; a driver that cannot be stopped gets its verdict all the same."""
    verdict = threading.Lock()  # held by whoever gives it

    def last_resort(ended: RunEnded) -> None:
        if not verdict.acquire(blocking=False):
            return
        outcome = run.end(ended.rule, ended.message, (ended.file, ended.line))
        text = json.dumps(outcome.as_json(), indent=2) if as_json else _text(outcome, "")
        leave(text + "\n", 1)

    board = run.board
    with Watchdog(board.clock, board.cpu, run.scenario.limits.wall_s, last_resort=last_resort):
        outcome = run.outcome()
    if not verdict.acquire(blocking=False):
        threading.Event().wait()  # the last resort is ending the process
    return outcome


def _text(outcome: Outcome, next_step: str) -> str:
    from emu.report.run_summary import render_outcome

    return render_outcome(outcome, painter(sys.stdout), next_step=next_step)


def _same_run(scenario: str, driver: str | None, seed: int | None, until_ps: int | None) -> str:
    """Return the command that does the same run again."""
    words = ["emu", "run", scenario]
    words += ["--driver", driver] if driver else []
    words += ["--seed", str(seed)] if seed is not None else []
    words += ["--until", format_duration(until_ps).replace(" ", "")] if until_ps else []
    return shlex.join(words)


def _print(outcome: Outcome, command: str, *, timeline: bool) -> None:
    click.echo(_text(outcome, next_step(outcome, command, timeline=timeline)), nl=False)


def next_step(outcome: Outcome, command: str, *, timeline: bool) -> str:
    """Return what to do now: mend, look closer, or make it harder.

    Args:
        outcome: what came of the run.
        command: the command that does the run again.
        timeline: whether the timeline has been printed.
    """
    known = next((one.rule for one in outcome.findings if one.rule in RULES), "")
    if outcome.findings and known:
        return f"mend the first finding and run again; emu rules {known} says more"
    if outcome.clean and timeline:
        return "emu faults lists what can be made to go wrong; name some in the scenario"
    what = "every access" if outcome.clean else "what led to it"
    if not timeline:
        step = f"{command} --timeline shows {what}"
        fits = len(f"Next: {step}") <= WIDTH
        return step if fits else f"the same command with --timeline shows {what}"
    return "look in the timeline above for where it goes wrong, mend it and run again"


def _check_writable(path: str) -> None:
    """Refuse a file that cannot be written before anything is run."""
    try:
        Path(path).open("a", encoding="utf-8").close()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise InputError([Flaw(path, 0, 0, f"cannot be written: {reason}")]) from error


def _print_timeline(run: Run, outcome: Outcome) -> None:
    from emu.record.tape import read_tape
    from emu.record.timeline import timeline

    recording = read_tape(run.board)
    click.echo(_LEGEND)
    click.echo(timeline(recording.events, findings=outcome.findings, cut=recording.cut))


def _write_events(run: Run, path: Path) -> None:
    from emu.record.jsonl import write_events
    from emu.record.tape import read_tape

    with path.open("w", encoding="utf-8") as stream:
        write_events(read_tape(run.board).events, stream)


def _print_schema() -> int:
    from emu.scenario.schema import scenario_schema

    click.echo(json.dumps(scenario_schema(), indent=2))
    return 0
