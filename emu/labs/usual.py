"""How busy a driver keeps the processor, run by run: what a repair is measured against."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from pathlib import Path

from emu.labs.lab import LabRun
from emu.labs.trials import busy_ps
from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.runner import run_scenario
from emu.scenario.trade import trade_of

__all__ = ["busy_with"]


def busy_with(source: str, driver: str, runs: Iterable[LabRun]) -> dict[str, int]:
    """Return for each run the simulated time in ps for which the processor is busy.

    Args:
        source: text of a driver that is trusted, since it runs in this process.
        driver: name of its class.
        runs: of the lab.

    Raises:
        DriverBroken: the code fails, or lacks a method.
        InputError: there is no such class.
    """
    found: dict[str, int] = {}
    with tempfile.TemporaryDirectory(prefix="emu_lab_") as folder:
        path = Path(folder) / "driver.py"
        path.write_text(source, encoding="utf-8")
        for run in runs:
            scenario = run.scenario
            methods = trade_of(scenario.board, scenario.port).methods
            name = DriverName.parse(f"{path.name}:{driver}", base=path.parent)
            outcome = run_scenario(scenario, load_driver(name, methods))
            found[scenario.title] = busy_ps(outcome.measures)
    return found
