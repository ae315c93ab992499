"""`emu check`: a driver, and nothing else, tried with everything."""

from __future__ import annotations

import json
import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.driver_option import driver_class
from emu.cli.paint import painter
from emu.cli.progress import Progress
from emu.cli.quantity import Seconds
from emu.cli.write_text import write_text
from emu.errors import Flaw, InputError, nearest
from emu.scenario.trade_names import BY_KIND

if TYPE_CHECKING:
    from emu.scenario.trade import Trade
    from emu.search.check import Checked
    from emu.search.suite import Bout

__all__ = ["command"]


@click.command(
    epilog="""\b
Examples
  emu check mydriver.py:MyDriver
  emu check mydriver.py:MyDriver --cases failing --budget 10min
  emu check mydriver.py:MyDriver --junit result.xml

Exit status: 0 clean, 1 the driver failed, 2 bad input, 130 interrupted.""",
)
@click.argument("driver", metavar="FILE.py:CLASS")
@click.option("--device", type=click.Choice(tuple(BY_KIND)), metavar="KIND",
              help=f"What the driver drives, one of {', '.join(BY_KIND)}; its methods tell if this "
              "is left out.")  # fmt: skip
@click.option("--board", type=click.Path(dir_okay=False), metavar="FILE",
              help="Try it on the board of this file, not on the tide gauge's.")  # fmt: skip
@click.option("--port", metavar="NAME", help="Which device of that board it drives.")
@click.option("--budget", type=Seconds(), metavar="TIME", default="60 s", show_default=True,
              help="Real time, such as 10min.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 64), metavar="N", default=os.cpu_count() or 1,
              show_default="one a processor", help="Processes to use.")  # fmt: skip
@click.option("--cases", type=click.Path(file_okay=False), metavar="DIR",
              help="Where to write a case file for each cause.")  # fmt: skip
@click.option("--junit", type=click.Path(dir_okay=False), metavar="FILE",
              help="Write the result as JUnit XML.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(
    driver: str,
    device: str | None,
    board: str | None,
    port: str | None,
    *,
    budget: float,
    workers: int,
    cases: str | None,
    junit: str | None,
    as_json: bool,
) -> int:
    """Try a driver with all line settings, starts, traffic, faults and timings; print a scorecard.

    Each bug is one row with its line, and with the smallest case that shows it.
    """
    from emu.search.case_files import check_place
    from emu.search.check import check
    from emu.search.suite import suite

    kind = driver_class(driver, base=Path.cwd(), methods=())
    trade = _trade(kind, driver, device)
    for place, folder in ((cases, True), (junit, False)):
        if place is not None:
            check_place(Path(place), folder=folder)
    bouts = suite(trade.name)
    every = len(bouts)
    if board is not None:
        bouts = _on_own_board(bouts, trade, board, port)
    elif port is not None:
        raise click.UsageError("--port names a device of the board that --board names")
    with Progress() as progress:

        def told(checked: Checked, seconds: float) -> None:
            progress.tell(_line(checked, seconds), seconds / budget)

        checked = check(kind, bouts, budget_s=budget, workers=workers, told=told)
    files = _write_cases(checked, bouts, kind, driver, cases)
    if junit:
        from emu.report.junit import junit_xml

        write_text(Path(junit), junit_xml(checked, driver, files))
    _print(checked, driver, files, as_json=as_json, device=trade.kind)
    if len(bouts) < every and not as_json:
        click.echo(f"{every - len(bouts)} of {every} bouts need a board of their own: left out")
    if checked.stopped == "interrupted":
        return 130
    return 0 if checked.clean else 1


def _trade(kind: type, driver: str, device: str | None) -> Trade:
    """Return the trade of a driver, by the device that it is said to drive, or by its methods.

    Raises:
        InputError: it has the methods of none.
    """
    from emu.scenario.trade import find_trade, trade_of_methods
    from emu.scenario.trade_names import TRADES

    name = BY_KIND[device] if device else trade_of_methods(kind)
    if not name:
        trades = [find_trade(one) for one in TRADES]
        allowed = "; or ".join(f"a {one.driver}: {', '.join(one.methods)}" for one in trades)
        what = f"class {kind.__name__} has the methods of no kind of driver"
        raise InputError([Flaw(driver, 0, 0, what, allowed=allowed)])
    return find_trade(name)


def _on_own_board(bouts: list[Bout], trade: Trade, path: str, port: str | None) -> list[Bout]:
    """Return the bouts that fit a user's board.

    Raises:
        InputError: the board cannot be read, or has no such device, or several and none is named.
    """
    from emu.scenario.load import load_any_board
    from emu.scenario.load_checks import driven_devices
    from emu.search.own_board import on_board

    model, _ = load_any_board(Path(path))
    names = [name for name, one in driven_devices(model).items() if one == trade.name]
    if port is None and len(names) == 1:
        port = names[0]
    if port not in names:
        what = f"no device {port!r} for a {trade.driver}" if port else "no port is named"
        fix = nearest(port or "", names) if port else f"add --port, one of {', '.join(names)}"
        if not names:
            what, fix = f"no device for a {trade.driver} on the board", f"add a {trade.kind}"
        raise InputError([Flaw(path, 0, 0, what, fix=fix)])
    fitting = on_board(bouts, model, port)
    if not fitting:
        raise InputError([Flaw(path, 0, 0, f"no bout for a {trade.driver} fits this board")])
    return fitting


def _line(checked: Checked, seconds: float) -> str:
    rate = checked.runs / max(seconds, 1e-9)
    failures = f"{checked.causes:,} {'failure' if checked.causes == 1 else 'failures'}"
    return f"{failures}, {checked.runs:,} runs, {rate:,.0f}/s, {checked.behaviours:,} behaviours"


def _write_cases(
    checked: Checked, bouts: list[Bout], kind: type, driver: str, folder: str | None
) -> list[str]:
    """Write a case file for each cause if a folder is named; return their paths."""
    from emu.search.case_files import Tried, write_cases

    if folder is None:
        return [""] * len(checked.rows)
    bodies = {bout.body["scenario"]: bout.body for bout in bouts}
    found = [row.found for row in checked.rows]
    names = [
        f"{number:02}_{one.failure.rule.replace(' ', '_')}.yaml"
        for number, one in enumerate(found, 1)
    ]
    pairs = [(Path(folder) / name, one) for name, one in zip(names, found, strict=True)]
    return write_cases(
        Tried(kind, driver, Path.cwd()), pairs, lambda one: bodies[one.scenario.title]
    )


def _print(checked: Checked, driver: str, files: list[str], *, as_json: bool, device: str) -> None:
    from emu.report.scorecard import checked_as_json, render_scorecard

    if as_json:
        plain = {"device": device, **checked_as_json(checked, driver, files)}
        click.echo(json.dumps(plain, indent=2))
        return
    paint, hint = painter(sys.stdout), _next(checked, driver, files)
    click.echo(render_scorecard(checked, driver, files, paint, next_step=hint), nl=False)


def _next(checked: Checked, driver: str, files: list[str]) -> str:
    again = f"emu check {shlex.quote(driver)}"
    if checked.clean:
        longer = max(10, round(checked.seconds / 6))  # ten times as long
        return f"{again} --budget {longer}min tries pairs of delays for longer"
    if files and files[0]:
        return f"emu replay {shlex.quote(files[0])} --timeline shows what led to the first"
    return f"{again} --cases DIR keeps a case of each for emu replay"
