"""Write the cases of a search into files, each naming what it needs as seen from its own folder.

The one idea: a case is found again from where it lies, not from where the search was started, so
every path in it is relative to its folder. What a case holds is said in `emu.search.case`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, NamedTuple

from emu.errors import Flaw, InputError
from emu.search.case import case_of, write_case
from emu.search.hunt import Found

__all__ = ["Tried", "as_seen_from", "check_place", "numbered", "write_cases"]


class Tried(NamedTuple):
    """What was tried, for the cases of it.

    Args:
        driver: the driver's class.
        name: its name.
        base: the folder from which the name counts.
        manner: what the steps of the schedules are.
        faults: path of a fault plan that took the place of the scenario's, ``""`` for none.
    """

    driver: type
    name: str
    base: Path
    manner: str = "line"
    faults: str = ""


def write_cases(
    tried: Tried,
    cases: Iterable[tuple[Path, Found]],
    scenario: Callable[[Found], Path | dict[str, Any]],
) -> list[str]:
    """Write a file for each case and return their paths.

    Args:
        tried: what was tried.
        cases: where each case goes.
        scenario: returns the scenario's file, or the scenario as it would stand in a file.

    Raises:
        InputError: a file cannot be written.
    """
    written = []
    for path, found in cases:
        folder = path.resolve().parent
        asked = scenario(found)
        case = case_of(
            found.scenario, tried.driver, as_seen_from(folder, tried.name, tried.base),
            tried.manner, found.failure, found.trial,
        )  # fmt: skip
        write_case(
            path, case, found.trial,
            scenario=asked if isinstance(asked, dict) else _relative(asked, folder),
            faults=_relative(Path(tried.faults), folder) if tried.faults else "",
        )  # fmt: skip
        written.append(str(path))
    return written


def numbered(path: Path, count: int) -> list[Path]:
    """Return so many paths like `path`, which is the first: ``a.yaml``, ``a_2.yaml`` ..."""
    return [
        path if number == 1 else path.with_stem(f"{path.stem}_{number}")
        for number in range(1, count + 1)
    ]


def as_seen_from(folder: Path, name: str, base: Path) -> str:
    """Return the name of a driver as it is found from another folder.

    Args:
        folder: the other folder, absolute.
        name: the driver's name.
        base: the folder from which it counts.
    """
    module, colon, kind = name.rpartition(":")
    return _relative(base / module, folder) + colon + kind if module.endswith(".py") else name


def check_place(path: Path, *, folder: bool = False) -> None:
    """Refuse a place where no file could be written, before anything is run.

    Args:
        path: a file that may be written, or a folder for such files.
        folder: whether it is a folder.

    Raises:
        InputError: nothing can be written there.

    Side effects: makes the folder.
    """
    home = path if folder else path.parent
    try:
        home.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise InputError([Flaw(str(path), 0, 0, f"cannot be written: {reason}")]) from error
    if not os.access(home, os.W_OK):
        raise InputError([Flaw(str(path), 0, 0, "cannot be written: the folder is protected")])
    if not folder and path.is_dir():
        raise InputError([Flaw(str(path), 0, 0, "cannot be written: it is a folder")])


def _relative(path: Path, folder: Path) -> str:
    return os.path.relpath(path.resolve(), folder)
