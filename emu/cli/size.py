"""`emu size`: polling, interrupts, FIFO or DMA, and is it worth it?"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emu.cli.driver_option import driver_class
from emu.cli.paint import painter
from emu.cli.progress import Progress
from emu.cli.quantity import Duration, Quantity
from emu.errors import UnitError
from emu.units import parse_cycles, parse_duration, parse_frequency, parse_line, parse_ratio

if TYPE_CHECKING:
    from emu.sizing.handler import HandlerCost
    from emu.sizing.strategies import Strategy
    from emu.sizing.study import Study
    from emu.sizing.sweep import Sweep
    from emu.sizing.workload import Workload

__all__ = ["command"]

_DEVICES = ("uart16550",)
_NOTHING_ELSE = "none"
_MOST = 65_536


def _share(value: object) -> float:
    """Read a share above 0, up to 1 or 100 %."""
    share = float(parse_ratio(value))
    if not 0 < share <= 1:
        raise UnitError(f"{value!r} is out of range", allowed="above 0, up to 1 or 100 %")
    return share


def _other(value: object) -> tuple[int, int, bool] | str:
    """Read another interrupt, as ``1ms:200`` or ``1ms:200:after``, or ``none``."""
    words = str(value).split(":")
    if words == [_NOTHING_ELSE]:
        return _NOTHING_ELSE
    if len(words) not in (2, 3) or words[2:] not in ([], ["before"], ["after"]):
        raise UnitError(
            f"{value!r} is not another interrupt",
            allowed="PERIOD:CYCLES, with :after where it is served after the device, or none",
        )
    period_ps = parse_duration(words[0])
    if not period_ps:
        raise UnitError(f"{value!r} has a period of 0", allowed="above 0")
    return period_ps, parse_cycles(words[1]), words[2:] != ["after"]


def _sweep(value: object) -> Sweep:
    """Read a sweep, such as ``baud=1200..921600``."""
    from emu.sizing.sweep import parse_sweep

    return parse_sweep(str(value))


@click.command(
    epilog="""\b
Examples
  emu size
  emu size --line "921600 8N1" --clock 16MHz --other 100us:150
  emu size fixtures/sizing/tide_gauge.yaml --driver mydriver.py:MyDriver
  emu size --sweep baud=1200..921600
  emu size --sweep fifo=1,4,16,64,128 --csv > fifo.csv

Exit status: 0 answered, 2 bad input.""",
)
@click.argument("file", type=click.Path(), required=False)
@click.option("--clock", type=Quantity("frequency", parse_frequency), metavar="HZ",
              help="Clock of the processor  [50 MHz].")  # fmt: skip
@click.option("--access", type=Quantity("cycles", parse_cycles), metavar="CYCLES",
              help="Of a register access  [10].")  # fmt: skip
@click.option("--entry", type=Quantity("cycles", parse_cycles), metavar="CYCLES",
              help="To enter a handler  [20].")  # fmt: skip
@click.option("--exit", "leave", type=Quantity("cycles", parse_cycles), metavar="CYCLES",
              help="To leave it  [15].")  # fmt: skip
@click.option("--nesting", is_flag=True, default=None, help="Higher priorities interrupt handlers.")
@click.option("--line", type=Quantity("line", parse_line), metavar="LINE",
              help="Rate and format  [115200 8N1].")  # fmt: skip
@click.option("--traffic", type=click.Choice(("steady", "bursty", "random")),
              help="How characters come  [steady].")  # fmt: skip
@click.option("--use", type=Quantity("share", _share), metavar="SHARE",
              help="Of what the line could carry  [100 %, bursty or random 50 %].")  # fmt: skip
@click.option("--burst", type=click.IntRange(1, _MOST), metavar="N",
              help="Characters in a burst  [64].")  # fmt: skip
@click.option("--fifo", type=click.IntRange(1, _MOST), metavar="N",
              help="Characters the receive FIFO holds, 1 for none  [16].")  # fmt: skip
@click.option("--trigger", "triggers", type=click.IntRange(1, _MOST), metavar="N", multiple=True,
              help="Level at which it interrupts, repeatable  [1, 1/4, 1/2, 7/8].")  # fmt: skip
@click.option("--other", "others", type=Quantity("interrupt", _other), metavar="PERIOD:CYCLES",
              multiple=True, help="Another interrupt, with :after if of lower priority; "
              "repeatable, or none  [1ms:200].")  # fmt: skip
@click.option("--masked", type=Duration(), metavar="TIME",
              help="Longest section with interrupts masked  [20 us].")  # fmt: skip
@click.option("--masked-every", type=Duration(), metavar="TIME",
              help="Time between two such sections  [10 ms].")  # fmt: skip
@click.option("--moderation", type=Duration(), metavar="TIME",
              help="Least time between moderated interrupts  [500 us].")  # fmt: skip
@click.option("--block", type=click.IntRange(1, _MOST), metavar="N",
              help="Characters that DMA moves before it interrupts  [64].")  # fmt: skip
@click.option("--compute", type=Quantity("cycles", parse_cycles), metavar="CYCLES",
              help="Of computing that go with each character  [1000].")  # fmt: skip
@click.option("--device", type=click.Choice(_DEVICES), default="uart16550", show_default=True,
              help="What --driver drives.")  # fmt: skip
@click.option("--driver", metavar="FILE.py:CLASS",
              help="Measure this driver's handler and compute with its cost.")  # fmt: skip
@click.option("--sweep", type=Quantity("sweep", _sweep), metavar="NAME=VALUES",
              help="Ask for several values of baud or fifo: 1,4,16 or LOW..HIGH.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 64), metavar="N", default=os.cpu_count() or 1,
              show_default="one a processor", help="Processes to use for a sweep.")  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), metavar="N", default=1, show_default=True,
              help="Seed of the simulation.")  # fmt: skip
@click.option("--computed-only", is_flag=True, help="Do not simulate.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--csv", "as_csv", is_flag=True, help="Print the result as comma-separated values.")
def command(file: str | None, **given: Any) -> int:  # noqa: ANN401 - options of many types
    """Compare the ways of receiving: CPU load, latency, loss, and what they are worth.

    Bit-banging, polling, interrupts, a FIFO at each trigger level, moderated interrupts and DMA are
    computed and simulated side by side. FILE is a YAML file with the same settings; an option
    overrules it. Defaults stand in brackets.
    """
    if given["as_json"] and given["as_csv"]:
        raise click.UsageError("--json and --csv exclude each other")
    workload = _workload(file, given)
    cost, own = _measured(workload, given["driver"])
    sweep: Sweep | None = given["sweep"]
    with Progress() as progress:
        if sweep is None:
            studies = [_study(workload, cost, own, given, progress)]
        else:
            studies = _swept(workload, sweep, cost, given, progress)
    _print(studies, sweep, given)
    return 0


def _workload(file: str | None, given: dict[str, Any]) -> Workload:
    """Return the workload of a file, with what the options say in its place.

    Raises:
        InputError: the file is faulty.
        UsageError: the settings do not fit together.
    """
    from emu.sizing.load import load_workload, misfit_of
    from emu.sizing.workload import Workload

    workload = _with_options(load_workload(file) if file else Workload(), given)
    misfit = misfit_of(workload)
    if misfit is not None:
        raise click.UsageError(f"{misfit.what}; allowed: {misfit.allowed}")
    return workload


def _with_options(workload: Workload, given: dict[str, Any]) -> Workload:
    from emu.sizing.workload import Neighbour

    others = [one for one in given["others"] if one != _NOTHING_ELSE]
    changes: dict[str, Any] = {
        "cpu": _changed(workload.cpu, given, clock_hz="clock", entry_cycles="entry",
                        exit_cycles="leave", nesting="nesting"),
        "traffic": _changed(workload.traffic, given, pattern="traffic", use="use",
                            burst_bytes="burst"),
        "masked": _changed(workload.masked, given, length_ps="masked", period_ps="masked_every"),
        "dma": _changed(workload.dma, given, block_bytes="block"),
        "triggers": tuple(sorted(set(given["triggers"]))) or workload.triggers,
        "others": tuple(Neighbour(*one) for one in others) if given["others"] else workload.others,
    }  # fmt: skip
    changed = _changed(workload, given, access_cycles="access", line="line", fifo="fifo",
                       moderation_ps="moderation", compute_cycles="compute")  # fmt: skip
    result: Workload = replace(changed, **changes)
    return result


def _changed(settings: Any, given: dict[str, Any], **names: str) -> Any:  # noqa: ANN401 - any of the dataclasses
    """Return settings with each option that was given in the place of its field."""
    changes = {field: given[option] for field, option in names.items()}
    return replace(settings, **{one: value for one, value in changes.items() if value is not None})


def _measured(
    workload: Workload, driver: str | None
) -> tuple[HandlerCost | None, tuple[Strategy, type] | None]:
    """Measure the handler of a driver, if one is named."""
    if driver is None:
        return None, None
    from emu.sizing.handler_trial import measured_handler

    kind = driver_class(driver, base=Path.cwd(), where="--driver")
    cost, strategy = measured_handler(workload, kind, kind.__name__)
    return cost, (strategy, kind)


def _study(
    workload: Workload,
    cost: HandlerCost | None,
    own: tuple[Strategy, type] | None,
    given: dict[str, Any],
    progress: Progress,
) -> Study:
    from emu.sizing.study import study

    return study(
        workload, cost=cost, own=own, seed=given["seed"], simulated=not given["computed_only"],
        told=progress.tell,
    )  # fmt: skip


def _swept(
    workload: Workload,
    sweep: Sweep,
    cost: HandlerCost | None,
    given: dict[str, Any],
    progress: Progress,
) -> list[Study]:
    from emu.sizing.sweep import run_sweep

    return run_sweep(
        workload, sweep, cost=cost, seed=given["seed"], simulated=not given["computed_only"],
        workers=given["workers"],
        told=lambda value, share: progress.tell(f"{sweep.name} {value}", share),
    )  # fmt: skip


def _print(studies: list[Study], sweep: Sweep | None, given: dict[str, Any]) -> None:
    from emu.report.size_data import study_as_json, sweep_as_csv
    from emu.report.size_table import render_study, render_sweep

    if given["as_csv"]:
        click.echo(sweep_as_csv(studies), nl=False)
    elif given["as_json"] and sweep is None:
        click.echo(json.dumps(study_as_json(studies[0]), indent=2))
    elif given["as_json"]:
        plain = {"sweep": sweep.name if sweep else "", "studies": [*map(study_as_json, studies)]}
        click.echo(json.dumps(plain, indent=2))
    elif sweep is None:
        hint = "emu size --sweep baud=1200..921600 shows the same at other rates"
        click.echo(render_study(studies[0], painter(sys.stdout), next_step=hint), nl=False)
    else:
        hint = f"emu size with one {sweep.name} shows everything; --csv keeps all figures"
        text = render_sweep(sweep.name, sweep.values, studies, painter(sys.stdout), next_step=hint)
        click.echo(text, nl=False)
