"""The drivers of a scenario that runs several at once, as one class that stands for all of them.

The one idea: a search hands one class on to every run, worker and case. So a set of drivers is a
class too, whose members are those that are constructed.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import ClassVar

from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.model import Scenario
from emu.scenario.trade import trade_of

__all__ = ["DriverSet", "driver_set", "load_driver_set", "names_of_set"]


class DriverSet:
    """Stand for several drivers; never constructed.

    Attributes:
        members: their classes, by the device that each drives.
    """

    members: ClassVar[Mapping[str, type]] = {}


def driver_set(members: Mapping[str, type]) -> type[DriverSet]:
    """Return the class that stands for drivers, given by the device that each drives."""
    return type("DriverSet", (DriverSet,), {"members": dict(members)})


def load_driver_set(scenario: Scenario) -> type[DriverSet]:
    """Return the drivers that a scenario names.

    Raises:
        InputError: a name leads nowhere.
        DriverBroken: the code of one fails, or lacks a method.
    """
    base = Path(scenario.path).parent
    found = {}
    for one in scenario.drivers:
        where = f"{scenario.path}: drivers: {one.port}"
        name = DriverName.parse(one.driver, base=base, where=where)
        found[one.port] = load_driver(name, trade_of(scenario.board, one.port).methods, where=where)
    return driver_set(found)


def names_of_set(scenario: Scenario) -> str:
    """Return the names of the drivers in a line, each with what it drives."""
    return ", ".join(f"{one.driver.rpartition(':')[2]} on {one.port}" for one in scenario.drivers)
