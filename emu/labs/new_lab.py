"""A lab to begin with: the smallest of the course, with a word on each key."""

from __future__ import annotations

from pathlib import Path

from emu.errors import Flaw, InputError
from emu.labs.course import names
from emu.labs.exercise import fill
from emu.labs.load_lab import ANSWERS, LAB, NAME
from emu.scenario.shape import Table

__all__ = ["new_lab"]

_FILES = {"lab.yaml": LAB, "answers.yaml": ANSWERS, "driver.py": None}


def new_lab(name: str, into: Path) -> Path:
    """Write a lab that works into a new folder, and return that.

    Args:
        name: two digits, an underscore and a word.
        into: the folder of labs.

    Raises:
        InputError: the name is none for a lab, the folder is there already or cannot be written.
    """
    if not NAME.fullmatch(name):
        what, allowed = f"{name!r} is no name of a lab", "such as 51_the_night_ferry"
        raise InputError([Flaw("emu lab new", 0, 0, what, allowed=allowed)])
    folder, model = into / name, names()[0]
    texts = {
        file: _explained(table) + (model / file).read_text(encoding="utf-8")
        for file, table in _FILES.items()
    }
    fill(folder, texts)
    return folder


def _explained(table: Table | None) -> str:
    """Return comments that say what each key is for."""
    if table is None:
        return ""
    width = max(len(one.name) for one in table.keys)
    told = [f"#   {one.name:<{width}}  {one.meaning}" for one in table.keys]
    return "\n".join(["# What stands here:", *told, ""]) + "\n"
