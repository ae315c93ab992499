"""`emu check`: a driver, and nothing else, tried with everything."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.paint import painter
from emu.cli.progress import Progress
from emu.cli.quantity import Seconds
from emu.errors import Flaw, InputError
from emu.scenario.driver_source import DriverBroken, DriverName, load_driver

if TYPE_CHECKING:
    from emu.search.check import Checked
    from emu.search.suite import Bout

__all__ = ["command"]

_DEVICES = ("uart16550",)


@click.command()
@click.argument("driver", metavar="FILE.py:CLASS")
@click.option("--device", type=click.Choice(_DEVICES), default="uart16550", show_default=True,
              help="What the driver drives.")  # fmt: skip
@click.option("--budget", type=Seconds(), default="60 s", show_default=True, help="Real time.")
@click.option("--workers", type=click.IntRange(1, 64), default=os.cpu_count() or 1,
              show_default="one a processor", help="Processes to use.")  # fmt: skip
@click.option("--cases", type=click.Path(file_okay=False), metavar="DIR",
              help="Where to write a case file for each cause.")  # fmt: skip
@click.option("--junit", type=click.Path(dir_okay=False), metavar="FILE",
              help="Write the result as JUnit XML.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(
    driver: str,
    device: str,
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
    from emu.search.check import check
    from emu.search.suite import suite

    kind = _load(driver)
    bouts = suite()
    with Progress() as progress:

        def told(checked: Checked, seconds: float) -> None:
            rate = checked.runs / max(seconds, 1e-9)
            progress.tell(
                f"{checked.runs:,} runs, {rate:,.0f}/s, {checked.behaviours:,} behaviours, "
                f"{len(checked.rows) or _broken(checked):,} failing",
                seconds / budget,
            )

        checked = check(kind, bouts, budget_s=budget, workers=workers, told=told)
    files = _write_cases(checked, bouts, kind, driver, cases)
    if junit:
        from emu.report.junit import junit_xml

        _write(Path(junit), junit_xml(checked, driver, files))
    _print(checked, driver, files, as_json=as_json, device=device)
    if checked.stopped == "interrupted":
        return 130
    return 0 if checked.clean else 1


def _broken(checked: Checked) -> int:
    return sum(counts.get("broken", 0) for counts in checked.promises.values())


def _load(driver: str) -> type:
    """Return the driver's class.

    Raises:
        InputError: the name leads nowhere, or the code cannot be used.
    """
    name = DriverName.parse(driver, base=Path.cwd(), where="driver")
    try:
        return load_driver(name, where="driver")
    except DriverBroken as broken:
        file, line = broken.place
        raise InputError([Flaw(file or driver, line, 1 if line else 0, broken.message)]) from None


def _write_cases(
    checked: Checked, bouts: list[Bout], kind: type, driver: str, folder: str | None
) -> list[str]:
    """Write a case file for each cause if a folder is named; return their paths."""
    if folder is None:
        return [""] * len(checked.rows)
    from emu.search.case import case_of, write_case
    from emu.search.trial import Trying

    bodies = {bout.body["scenario"]: bout.body for bout in bouts}
    written = []
    for number, row in enumerate(checked.rows, 1):
        found = row.found
        path = Path(folder) / f"{number:02}_{found.failure.rule.replace(' ', '_')}.yaml"
        trial = Trying(found.scenario, kind).run(found.trial.schedule, records=True)
        name = _moved(driver, path.resolve().parent)
        case = case_of(found.scenario, kind, name, "line", found.failure, trial)
        write_case(path, case, trial, scenario=bodies[found.scenario.title])
        written.append(str(path))
    return written


def _moved(driver: str, folder: Path) -> str:
    """Return the name of a driver as it is found from another folder."""
    module, colon, kind = driver.rpartition(":")
    if not module.endswith(".py"):
        return driver
    return os.path.relpath(Path(module).resolve(), folder) + colon + kind


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise InputError([Flaw(str(path), 0, 0, f"cannot be written: {reason}")]) from error


def _print(checked: Checked, driver: str, files: list[str], *, as_json: bool, device: str) -> None:
    from emu.report.scorecard import checked_as_json, render_scorecard

    if as_json:
        plain = {"device": device, **checked_as_json(checked, driver, files)}
        click.echo(json.dumps(plain, indent=2))
        return
    click.echo(render_scorecard(checked, driver, files, painter(sys.stdout)), nl=False)
    click.echo(f"\nNext: {_next(checked, driver, files)}")


def _next(checked: Checked, driver: str, files: list[str]) -> str:
    if checked.clean:
        return f"emu check {driver} --budget 10min tries pairs of delays for longer"
    if files and files[0]:
        return f"emu replay {files[0]} --timeline shows what led to the first"
    return f"emu check {driver} --cases DIR keeps a case of each for emu replay"
