"""The driver that a command line or a case names: its class, or one clear message.

The one idea: a search runs a driver thousands of times, so one that cannot even be imported is bad
input here, told at its own line; `emu run` gives a verdict on such a driver.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.devices.serial_driver import SERIAL_METHODS
from emu.errors import Flaw, InputError, RunEnded

if TYPE_CHECKING:
    from collections.abc import Callable

    from emu.scenario.model import Scenario

__all__ = ["check_named", "driver_class", "drivers_of", "shown_name"]

_PATIENCE_S = 2.0  # for code that runs while it is imported


def driver_class(
    name: str,
    *,
    base: Path,
    methods: Iterable[str] = SERIAL_METHODS,
    where: str = "driver",
    fix: str = "",
) -> type:
    """Return the class of a driver.

    Args:
        name: ``path/to/file.py:Class`` or ``package.module:Class``.
        base: folder from which a path counts.
        methods: what the class must have.
        where: what messages call the place of the name.
        fix: what to do about code that cannot be used.

    Raises:
        InputError: the name leads nowhere, or the code cannot be used at all.
    """
    from emu.scenario.driver_source import DriverName, load_driver

    found = DriverName.parse(name, base=base, where=where)
    return _imported(lambda: load_driver(found, methods, where=where), name, fix)


def drivers_of(scenario: Scenario, fix: str = "") -> type:
    """Return the class that stands for all drivers of a scenario that names several.

    Raises:
        InputError: a name leads nowhere, or the code of one cannot be used at all.
    """
    from emu.scenario.driver_set import load_driver_set

    return _imported(lambda: load_driver_set(scenario), scenario.path, fix)


def check_named(path: str, scenario: Scenario, driver: str | None) -> None:
    """Refuse a scenario that names no driver, or several beside one that is given.

    Args:
        path: its file.
        scenario: what the file says.
        driver: the driver that is given in place of the scenario's.

    Raises:
        UsageError: one of the two.
    """
    if scenario.drivers and driver:
        raise click.UsageError(f"{path} names several drivers; leave --driver out")
    if not (driver or scenario.driver or scenario.drivers):
        raise click.UsageError(f"{path} names no driver; give one with --driver FILE.py:CLASS")


def _imported(load: Callable[[], type], name: str, fix: str) -> type:
    """Return what is loaded, or tell the line of the code that cannot be."""
    from emu.kernel.board import Board
    from emu.kernel.watchdog import Watchdog
    from emu.scenario.driver_source import DriverBroken
    from emu.scenario.printed import Printed

    board = Board()
    try:
        with redirect_stdout(Printed()), Watchdog(board.clock, board.cpu, _PATIENCE_S):
            return load()
    except DriverBroken as broken:
        (file, line), why = broken.place, broken.message
    except RunEnded as ended:
        file, line, why = ended.file, ended.line, f"importing the driver failed: {ended.message}"
    place = Flaw(file or name, line, 1 if line else 0, why, fix=fix)
    raise InputError([place]) from None


def shown_name(name: str, base: Path) -> str:
    """Return a driver's name as it is found from the working folder."""
    module, colon, kind = name.rpartition(":")
    path = os.path.normpath(base / module) if module.endswith(".py") else module
    return f"{path}{colon}{kind}"
