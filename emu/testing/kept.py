"""Keep a failing run of a test as a case file that `emu replay` runs again.

The one idea: a case must not need the test. So it names the scenario's file where the run was of
that file as it stands, and else holds the scenario itself; and it names the driver by the file and
class where there is such a name.
"""

from __future__ import annotations

import inspect
import os
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from emu.errors import InputError
from emu.scenario.driver_set import DriverSet
from emu.scenario.from_python import scenario_of
from emu.scenario.load import load_scenario
from emu.scenario.model import Scenario
from emu.scenario.written import scenario_as_plain
from emu.search.case import case_of, scenario_hash, write_case
from emu.search.schedule import Schedule
from emu.search.trial import Failure, Trying

__all__ = ["CaseKeeper", "KeptCase", "Subject", "name_of"]

_LONGEST_NAME = 120


class Subject(NamedTuple):
    """What is run.

    Args:
        scenario: what is asked for.
        driver: the driver's class.
        name: what it is called, for people.
        manner: what steps are.
    """

    scenario: Scenario
    driver: type
    name: str
    manner: str


class KeptCase(NamedTuple):
    """A case file that was written.

    Args:
        path: the file.
        finds_driver: whether it names the driver, so that it can be replayed as it stands.
    """

    path: str
    finds_driver: bool


class CaseKeeper:
    """Write case files, named like the tests they come from.

    Args:
        folder: where they go; it is made when it is needed.
        test: tells the name of the test that is running.
    """

    def __init__(self, folder: Path, test: Callable[[], str]) -> None:
        self._folder = folder
        self._test = test
        self._owners: dict[str, str] = {}

    def keep(
        self, subject: Subject, failure: Failure, schedule: Schedule, number: int = 1
    ) -> KeptCase:
        """Write a case and return it.

        Args:
            subject: what was run.
            failure: what failed.
            schedule: when the processor was late.
            number: which of the causes that one call found.
        """
        folder = self._folder.resolve()
        path = folder / f"{self._stem()}{'' if number == 1 else f'_{number}'}.yaml"
        kept, scenario = _as_kept(subject.scenario, folder)
        trying = Trying(kept, subject.driver, manner=subject.manner)
        trial = trying.run(schedule, records=True, expects=not schedule)
        name = name_of(subject.driver, folder)
        case = case_of(kept, subject.driver, name, subject.manner, failure, trial)
        write_case(path, case, trial, scenario=scenario)
        return KeptCase(str(path), bool(name or kept.drivers))

    def _stem(self) -> str:
        """Return a file name for the test that is running, and for no other."""
        test = self._test()
        stem = re.sub(r"[^\w.]+", "-", test).strip("-")[:_LONGEST_NAME] or "test"
        number, name = 1, stem
        while self._owners.setdefault(name, test) != test:
            number += 1
            name = f"{stem}-{number}"
        return name


def name_of(driver: type, folder: Path) -> str:
    """Return how a driver is found again from a folder, ``""`` if it is not.

    A class that is made in a function, or inside another class, cannot be found.
    """
    if issubclass(driver, DriverSet):
        return ""
    module = sys.modules.get(driver.__module__)
    if getattr(module, driver.__name__, None) is not driver:
        return ""
    try:
        file = inspect.getsourcefile(driver)
    except (OSError, TypeError):
        file = None
    return f"{os.path.relpath(file, folder)}:{driver.__name__}" if file else ""


def _as_kept(scenario: Scenario, folder: Path) -> tuple[Scenario, str | dict[str, Any]]:
    """Return a scenario as a case in `folder` gives it back, and what stands for it there."""
    if scenario.path and _is_as_in_file(scenario):
        return scenario, os.path.relpath(scenario.path, folder)
    plain = scenario_as_plain(scenario, folder)
    plain.pop("driver", None)  # the case has it; several drivers stand in the scenario alone
    plain.pop("seed", None)  # the case has it
    kept = scenario_of(plain, path=str(folder / "case"), folder=folder)
    return replace(kept, seed=scenario.seed), plain


def _is_as_in_file(scenario: Scenario) -> bool:
    """Say whether a scenario is what its file says, but for the seed."""
    try:
        found = load_scenario(scenario.path)
    except InputError:
        return False
    return scenario_hash(replace(found, seed=scenario.seed)) == scenario_hash(scenario)
