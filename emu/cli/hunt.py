"""`emu hunt`: one scenario at every timing."""

from __future__ import annotations

import json
import shlex
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.driver_option import driver_class, drivers_of, shown_name
from emu.cli.paint import painter
from emu.cli.progress import Progress
from emu.cli.quantity import Seconds
from emu.errors import Flaw, InputError

if TYPE_CHECKING:
    from emu.scenario.model import Scenario
    from emu.search.case_files import Tried
    from emu.search.explore import Explored
    from emu.search.hunt import Hunted

__all__ = ["command"]

_ALL = 10**9
_MOST_SEED = 2**63 - 1


@click.command(
    epilog="""\b
Examples
  emu hunt fixtures/quiet.yaml
  emu hunt fixtures/quiet.yaml --driver mydriver.py:MyDriver --case failing.yaml
  emu hunt fixtures/quiet.yaml --step opcode --stalls 1 --budget 5min

Exit status: 0 clean, 1 the driver failed, 2 bad input, 130 interrupted.""",
)
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
@click.option("--seed", type=click.IntRange(0, _MOST_SEED), metavar="N",
              help="Seed of everything random, in place of the scenario's.")  # fmt: skip
@click.option("--budget", type=Seconds(), metavar="TIME", default="30 s", show_default=True,
              help="Real time, such as 5min.")  # fmt: skip
@click.option("--runs", type=click.IntRange(1, _ALL), metavar="N",
              help="Most runs; the result is always the same, if --budget suffices.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 64), metavar="N", default=1, show_default=True,
              help="Processes to use.")  # fmt: skip
@click.option("--case", metavar="FILE", help="Where to write the first failing case; others beside "
              "it, with numbers.")  # fmt: skip
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
    from emu.scenario.driver_set import names_of_set
    from emu.scenario.trade import trade_of
    from emu.search.case_files import Tried, check_place
    from emu.search.explore import Plan
    from emu.search.hunt import hunt

    model = _load(scenario, driver, faults, seed)
    name = driver or model.driver
    base = Path.cwd() if driver else Path(scenario).parent
    fix = f"emu run {scenario} says more"
    if model.drivers:
        kind, shown = drivers_of(model, fix), names_of_set(model)
    else:
        methods = trade_of(model.board, model.port).methods
        kind, shown = (
            driver_class(name, base=base, methods=methods, fix=fix),
            shown_name(name, base),
        )
    if case is not None:
        check_place(Path(case))
    plan = Plan(entries=stalls, manner=step, spurious=spurious, most=runs, seed=model.seed)
    with Progress() as progress:

        def told(found: Explored, seconds: float) -> None:
            progress.tell(_line(found, seconds), seconds / budget)

        hunted = hunt(model, kind, plan, budget_s=budget, workers=workers, told=told)
    cases = _write_cases(hunted, Tried(kind, name, base, step, faults or ""), case, scenario)
    if as_json:
        from emu.report.hunt_summary import hunted_as_json

        plain = hunted_as_json(hunted, model.title, shown, cases)
        click.echo(json.dumps(plain, indent=2))
    else:
        _print(hunted, model.title, shown, cases, scenario, several=bool(model.drivers))
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
    from emu.scenario.load import load_fault_plan, load_scenario

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
    if model is not None and not (driver or model.driver or model.drivers):
        fix = "give one with --driver FILE.py:CLASS"
        flaws.append(Flaw(path, 0, 0, "the scenario names no driver", fix=fix))
    if model is not None and driver and model.drivers:
        fix = "leave --driver out"
        flaws.append(Flaw(path, 0, 0, "the scenario names several drivers", fix=fix))
    if flaws or model is None:
        raise InputError(flaws)
    return model if seed is None else replace(model, seed=seed)


def _write_cases(hunted: Hunted, tried: Tried, path: str | None, scenario: str) -> list[str]:
    """Write a case file for each cause if one is asked for; return their paths."""
    from emu.search.case_files import numbered, write_cases

    if path is None:
        return [""] * len(hunted.found)
    places = numbered(Path(path), len(hunted.found))
    pairs = zip(places, hunted.found, strict=True)
    return write_cases(tried, pairs, lambda _found: Path(scenario))


def _print(
    hunted: Hunted, title: str, driver: str, cases: list[str], scenario: str, *, several: bool
) -> None:
    from emu.report.hunt_summary import render_hunt

    if not hunted.found and several:
        hint = "emu check tries one of the drivers with everything else"
    elif not hunted.found:
        hint = f"emu check {shlex.quote(driver)} tries all scenarios, faults and timings"
    elif cases[0]:
        hint = f"emu replay {shlex.quote(cases[0])} --timeline shows what led to it"
    else:
        hint = (
            f"emu hunt {shlex.quote(scenario)} --case FILE keeps the failing cases for emu replay"
        )
    paint = painter(sys.stdout)
    click.echo(render_hunt(hunted, title, driver, cases, paint, next_step=hint), nl=False)
