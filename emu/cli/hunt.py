"""`emu hunt`: one scenario at every timing."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.paint import painter
from emu.cli.progress import Progress
from emu.cli.quantity import Seconds
from emu.errors import Flaw, InputError
from emu.scenario.driver_source import DriverBroken, DriverName, load_driver
from emu.scenario.load import load_fault_plan, load_scenario
from emu.scenario.model import Scenario

if TYPE_CHECKING:
    from emu.search.explore import Explored
    from emu.search.hunt import Hunted

__all__ = ["command"]

_ALL = 10**9


@click.command()
@click.argument("scenario", type=click.Path())
@click.option("--driver", metavar="FILE.py:CLASS", help="Driver to try in place of the scenario's.")
@click.option(
    "--stalls", type=click.IntRange(0, 9), default=2, show_default=True,
    help="How many times in a run the processor may be late.",
)  # fmt: skip
@click.option(
    "--step", type=click.Choice(("access", "line", "opcode")), default="line", show_default=True,
    help="Between which steps of the driver.",
)  # fmt: skip
@click.option("--faults", metavar="PLAN", help="A fault plan to put in place of the scenario's.")
@click.option("--spurious", is_flag=True, help="Let interrupts come for nothing, too.")
@click.option("--seed", type=click.IntRange(min=0), help="Seed of everything random.")
@click.option("--budget", type=Seconds(), default="30 s", show_default=True, help="Real time.")
@click.option("--runs", type=click.IntRange(1, _ALL), help="Most runs; with it results repeat.")
@click.option("--workers", type=click.IntRange(1, 64), default=1, show_default=True,
              help="Processes to use.")  # fmt: skip
@click.option("--case", metavar="FILE", help="Where to write the first failing case.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(
    scenario: str,
    driver: str | None,
    stalls: int,
    step: str,
    faults: str | None,
    *,
    spurious: bool,
    seed: int | None,
    budget: float,
    runs: int | None,
    workers: int,
    case: str | None,
    as_json: bool,
) -> int:
    """Run SCENARIO at every timing and hand back the smallest that breaks the driver.

    The processor is held up at each step of the driver until 1, 4 or 64 hardware events have
    passed, once in a run first, then at two points, as long as the time lasts.
    """
    from emu.search.explore import Plan
    from emu.search.hunt import hunt

    model = _load(scenario, driver, faults, seed)
    name = driver or model.driver
    kind = _driver_class(name, scenario, Path.cwd() if driver else Path(scenario).parent)
    plan = Plan(entries=stalls, manner=step, spurious=spurious, most=runs, seed=model.seed)
    with Progress() as progress:

        def told(found: Explored, seconds: float) -> None:
            progress.tell(_line(found, seconds), seconds / budget)

        hunted = hunt(model, kind, plan, budget_s=budget, workers=workers, told=told)
    cases = _write_cases(hunted, case, model, scenario, kind, name, driver, step, faults)
    _print(hunted, model, name, cases, as_json=as_json, scenario=scenario)
    if hunted.interrupted:
        return 130
    return 1 if hunted.found else 0


def _line(found: Explored, seconds: float) -> str:
    rate = found.runs / max(seconds, 1e-9)
    return (
        f"{found.runs:,} runs, {rate:,.0f}/s, {len(found.behaviours):,} behaviours, "
        f"{found.failing:,} failed"
    )


def _load(path: str, driver: str | None, faults: str | None, seed: int | None) -> Scenario:
    """Return the scenario as asked for, having gathered what is wrong with all inputs."""
    flaws: list[Flaw] = []
    model: Scenario | None = None
    try:
        model = load_scenario(path)
    except InputError as error:
        flaws += error.flaws
    if faults is not None and model is not None:
        try:
            model = replace(model, faults=load_fault_plan(faults, model.board))
        except InputError as error:
            flaws += error.flaws
    if model is not None and not (driver or model.driver):
        fix = "give one with --driver FILE.py:CLASS"
        flaws.append(Flaw(path, 0, 0, "the scenario names no driver", fix=fix))
    if flaws or model is None:
        raise InputError(flaws)
    return model if seed is None else replace(model, seed=seed)


def _driver_class(name: str, scenario: str, base: Path) -> type:
    """Return the driver's class.

    Raises:
        InputError: the name leads nowhere, or the code cannot be used at all.
    """
    found = DriverName.parse(name, base=base, where="driver")
    try:
        return load_driver(found, where="driver")
    except DriverBroken as broken:
        file, line = broken.place
        fix = f"emu run {scenario} says more"
        raise InputError(
            [Flaw(file or name, line, 1 if line else 0, broken.message, fix=fix)]
        ) from None


def _write_cases(
    hunted: Hunted,
    path: str | None,
    model: Scenario,
    scenario: str,
    kind: type,
    name: str,
    driver: str | None,
    step: str,
    faults: str | None,
) -> list[str]:
    """Write a case file for each cause if one is asked for; return their paths."""
    if path is None or not hunted.found:
        return [""] * len(hunted.found)
    from emu.search.case import case_of, write_case
    from emu.search.trial import Trying

    written = []
    for number, found in enumerate(hunted.found):
        file = Path(path) if not number else Path(path).with_stem(f"{Path(path).stem}_{number + 1}")
        trial = Trying(model, kind, manner=step).run(found.trial.schedule, records=True)
        folder = file.resolve().parent
        base = Path.cwd() if driver else Path(scenario).resolve().parent
        case = case_of(model, kind, _moved(name, base, folder), step, found.failure, trial)
        write_case(
            file, case, trial,
            scenario=os.path.relpath(Path(scenario).resolve(), folder),
            faults=os.path.relpath(Path(faults).resolve(), folder) if faults else "",
        )  # fmt: skip
        written.append(str(file))
    return written


def _moved(name: str, base: Path, folder: Path) -> str:
    """Return the name of a driver as it is found from the case's folder."""
    module, colon, kind = name.rpartition(":")
    if not module.endswith(".py"):
        return name
    return os.path.relpath((base / module).resolve(), folder) + colon + kind


def _print(
    hunted: Hunted,
    model: Scenario,
    name: str,
    cases: list[str],
    *,
    as_json: bool,
    scenario: str,
) -> None:
    from emu.report.hunt_summary import hunted_as_json, render_hunt

    if as_json:
        click.echo(json.dumps(hunted_as_json(hunted, model.title, name, cases), indent=2))
        return
    click.echo(render_hunt(hunted, model.title, name, cases, painter(sys.stdout)), nl=False)
    if cases and cases[0]:
        hint = f"emu replay {cases[0]} --timeline shows what led to it"
    elif cases:
        hint = f"emu hunt {scenario} --case FILE keeps the failing cases for emu replay"
    else:
        hint = "emu check FILE.py:CLASS tries all scenarios, faults and timings"
    click.echo(f"\nNext: {hint}")
