"""How long a good driver takes, and how busy it keeps the processor: what repairs are held to."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from emu.labs.lab import LabRun
from emu.labs.trials import busy_ps
from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.runner import run_scenario
from emu.scenario.trade import trade_of

__all__ = ["Usual", "usual_of"]


class Usual(NamedTuple):
    """Say how long a run takes, and for how much of it the processor is busy."""

    time_ps: int
    busy_ps: int


def usual_of(source: str, driver: str, runs: Iterable[LabRun]) -> dict[str, Usual]:
    """Return how each run goes with a driver.

    Args:
        source: text of a driver that is trusted, since it runs in this process.
        driver: name of its class.
        runs: of the lab.

    Raises:
        DriverBroken: the code fails, or lacks a method.
        InputError: there is no such class.
    """
    found: dict[str, Usual] = {}
    with tempfile.TemporaryDirectory(prefix="emu_lab_") as folder:
        path = Path(folder) / "driver.py"
        path.write_text(source, encoding="utf-8")
        for run in runs:
            scenario = run.scenario
            methods = trade_of(scenario.board, scenario.port).methods
            name = DriverName.parse(f"{path.name}:{driver}", base=path.parent)
            outcome = run_scenario(scenario, load_driver(name, methods))
            found[scenario.title] = Usual(outcome.measures.time_ps, busy_ps(outcome.measures))
    return found
