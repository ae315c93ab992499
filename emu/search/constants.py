"""Which named constant of a driver stands for a bit, and where it is given its value.

The one idea: a wrong constant does its harm where it is used, and is right to be read there; the
line to change is where it gets its value. So the names on a line are looked up, and the assignment
of the one with that value is looked for in the source.
"""

from __future__ import annotations

import ast
import dis
from collections.abc import Iterator, Mapping
from enum import IntEnum, IntFlag
from inspect import getattr_static
from pathlib import Path
from types import CodeType

from emu.kernel.where import Place

__all__ = ["names_on", "place_of_constant"]


def names_on(code: CodeType, line: int) -> list[str]:
    """Return the names that are loaded on a line of a function, globals and attributes."""
    return [
        str(one.argval)
        for one in dis.get_instructions(code)
        if one.positions is not None
        and one.positions.lineno == line
        and one.opname in ("LOAD_GLOBAL", "LOAD_ATTR", "LOAD_NAME", "LOAD_METHOD")
    ]


def place_of_constant(
    code: CodeType, line: int, names: Mapping[str, object], bits: int
) -> Place | None:
    """Return where a constant used on a line is given its value.

    Args:
        code: the function that uses it.
        line: on which line.
        names: what names mean there: those of the module, and of the driver's class.
        bits: its value is one of these bits.

    Returns:
        None if no name on the line is such a constant, or its assignment is in another file.
    """
    used = names_on(code, line)
    for name in used:
        if any(value & bits and not value & (value - 1) for value in _values(name, used, names)):
            return _assigned(code.co_filename, name)
    return None


def _values(name: str, used: list[str], names: Mapping[str, object]) -> Iterator[int]:
    """Yield what a name stands for: itself, or as an attribute of something on the same line.

    Tables stand for all the numbers in them. No code of the driver is run to find out.
    """
    yield from _numbers(names.get(name))
    for other in used:
        if other != name and other in names:
            yield from _numbers(getattr_static(names[other], name, None))


def _numbers(value: object, depth: int = 2) -> Iterator[int]:
    """Yield the number that a value is, or those in a table of few levels."""
    kind = type(value)
    if kind is int or issubclass(kind, IntEnum | IntFlag):
        yield int.__int__(value)  # type: ignore[arg-type]  # no code of the driver's is run
    elif depth and kind in (tuple, list):
        for one in value:  # type: ignore[attr-defined]
            yield from _numbers(one, depth - 1)
    elif depth and kind is dict:
        for key, one in value.items():  # type: ignore[attr-defined]
            yield from _numbers((key, one), depth)


def _assigned(file: str, name: str) -> Place | None:
    try:
        tree = ast.parse(Path(file).read_text(encoding="utf-8"))
    except (OSError, SyntaxError, ValueError):
        return None
    for node in ast.walk(tree):
        targets = node.targets if isinstance(node, ast.Assign) else []
        if isinstance(node, ast.AnnAssign):
            targets = [node.target]
        for target in targets:
            for one in ast.walk(target):
                if isinstance(one, ast.Name) and one.id == name:
                    return file, one.lineno
    return None
