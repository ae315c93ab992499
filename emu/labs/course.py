"""The course: where the labs are, which there are, and how one is found by its number.

The one idea: a course is a folder of folders whose names begin with two digits. A wheel has the
course beside this file, the source tree beside the example drivers.
"""

from __future__ import annotations

import os
import shlex
from pathlib import Path

from emu.errors import Flaw, InputError, nearest
from emu.labs.lab import Lab
from emu.labs.load_lab import NAME, load_lab

__all__ = ["find_lab", "folder_of_labs", "labs", "names", "reference"]

_HERE = Path(__file__).resolve().parent
_PLACES = (_HERE / "course", _HERE.parents[1] / "drivers_example" / "labs")


def folder_of_labs() -> Path:
    """Return the folder of the course.

    Raises:
        InputError: it is not there.
    """
    for place in _PLACES:
        if place.is_dir():
            return place
    raise InputError([Flaw(str(_PLACES[0]), 0, 0, "the labs are not installed")])


def names(folder: Path | None = None) -> list[Path]:
    """Return the folders of all labs, in the order of their numbers."""
    root = folder or folder_of_labs()
    return sorted(one for one in root.iterdir() if one.is_dir() and NAME.fullmatch(one.name))


def labs(folder: Path | None = None) -> list[Lab]:
    """Read all labs.

    Raises:
        InputError: with every flaw of all of them.
    """
    found: list[Lab] = []
    flaws: list[Flaw] = []
    for one in names(folder):
        try:
            found.append(load_lab(one))
        except InputError as error:
            flaws += error.flaws
    if flaws:
        raise InputError(flaws)
    return found


def reference(lab: Lab) -> str:
    """Return what to type to name a lab: its number, or its folder if it is none of the course."""
    if lab.folder.parent == folder_of_labs():
        return str(lab.number)
    return shlex.quote(os.path.relpath(lab.folder))


def find_lab(named: str, folder: Path | None = None) -> Lab:
    """Return the lab that is named: its number, its folder's name, or the path of a folder.

    Raises:
        InputError: there is no such lab, or it cannot be read.
    """
    path = Path(named)
    if (path / "lab.yaml").is_file():
        return load_lab(path.resolve())
    known = names(folder)
    for one in known:
        number = one.name.partition("_")[0]
        if named == one.name or (named.isdecimal() and int(named) == int(number)):
            return load_lab(one)
    last = known[-1].name.partition("_")[0] if known else "none"
    raise InputError([Flaw(
        "lab", 0, 0, f"no lab {named!r}", allowed=f"a number from 1 to {int(last) if known else 0}",
        fix=nearest(named, [one.name for one in known]) if not named.isdecimal() else "",
    )])  # fmt: skip
