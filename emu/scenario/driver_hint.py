"""What may have been meant by the name of a driver that leads nowhere.

The one idea: a hint is a name that can be pasted as it stands, path and class included, and counts
from the same folder. Files are parsed and never run, so that looking does nothing.
"""

from __future__ import annotations

import ast
import difflib
import os
import warnings
from collections.abc import Iterable
from pathlib import Path

from emu.devices.serial_driver import SERIAL_METHODS

__all__ = ["hint_for_class", "hint_for_file", "may_bind", "plain_path"]

_MOST_ENTRIES = 500
_MOST_BYTES = 1 << 20
_MOST_SHOWN = 4
_MOST_FOLDERS = 5


def hint_for_file(path: str, class_name: str, base: Path) -> str:
    """Return a hint for a driver file that does not exist, ``""`` without any idea.

    Args:
        path: the file as named, to be read from `base`.
        class_name: the class asked for, empty when none was named.
        base: folder from which the path counts.
    """
    near = _elsewhere(Path(path), base) or _beside(Path(path), base)
    if near is None or not _classes(_parsed(base / near)):
        return ""
    return hint_for_class(base / near, str(near), class_name)


def hint_for_class(file: Path, path: str, class_name: str) -> str:
    """Return a hint for a class of a file that exists, as ``path:Class``.

    Args:
        file: the file.
        path: the file as named.
        class_name: the class asked for, empty when none was named.
    """
    classes = _classes(_parsed(file))
    drivers = [name for name, methods in classes.items() if methods.issuperset(SERIAL_METHODS)]
    close = _close(class_name, classes) or (drivers[0] if len(drivers) == 1 else "")
    if close:
        return f"did you mean '{path}:{close}'?"
    known = [f"{path}:{name}" for name in drivers or classes]
    more = ", ..." if len(known) > _MOST_SHOWN else ""
    return f"known: {', '.join(known[:_MOST_SHOWN])}{more}" if known else "it has no class at all"


def may_bind(path: Path, name: str) -> bool:
    """Say whether a file may give `name` a value at its top level; True where that is not clear.

    It is not clear where the file cannot be read as Python, or no class in it looks like a driver:
    running it will tell.
    """
    tree = _parsed(path)
    if tree is None or all(one.isdisjoint(SERIAL_METHODS) for one in _classes(tree).values()):
        return True
    for node in ast.walk(tree):
        match node:
            case ast.ClassDef(name=bound) | ast.FunctionDef(name=bound) | ast.Name(id=bound):
                pass
            case ast.alias(name=full, asname=other):
                bound = other or full.partition(".")[0]
            case _:
                continue
        if bound in (name, "*", "globals", "setattr", "exec", "__getattr__"):
            return True
    return False


def plain_path(module: str) -> str:
    """Return the file that the name of a module would be: ``pilots.gauge`` is pilots/gauge.py."""
    return module if module.endswith(".py") else f"{module.replace('.', '/')}.py"


def _elsewhere(path: Path, base: Path) -> Path | None:
    """Return the file as it is reached from `base`, if its path counts from another folder."""
    parts = [part for part in path.parts if part != os.pardir]
    start = base.resolve()
    for folder in [Path.cwd(), start, *start.parents][:_MOST_FOLDERS]:
        if not path.is_absolute() and folder.joinpath(*parts).is_file():
            return Path(os.path.relpath(folder.joinpath(*parts), start))
    return None


def _beside(path: Path, base: Path) -> Path | None:
    """Return the file that is called nearly as `path`, in the folder nearest to its own."""
    folder = path.parent
    if not (base / folder).is_dir():
        near = _close(folder.name, _entries(base / folder.parent, ""))
        folder = folder.parent / near
        if not near or not (base / folder).is_dir():
            return None
    near = _close(path.name, _entries(base / folder, ".py"))
    return folder / near if near else None


def _entries(folder: Path, suffix: str) -> list[str]:
    """Return the names in a folder that end in `suffix`."""
    try:
        with os.scandir(folder) as found:
            names = [one.name for one, _ in zip(found, range(_MOST_ENTRIES), strict=False)]
    except OSError:
        return []
    return sorted(name for name in names if name.endswith(suffix) and not name.startswith("."))


def _close(word: str, known: Iterable[str]) -> str:
    """Return the word of `known` that is nearest to `word`, ``""`` when none is near."""
    names = sorted(known)
    same = [name for name in names if name.casefold() == word.casefold()]
    return next(iter(same or difflib.get_close_matches(word, names, n=1, cutoff=0.6)), "")


def _classes(tree: ast.Module | None) -> dict[str, set[str]]:
    """Return the classes at the top level of a file, each with the names of its methods."""
    return {
        node.name: {one.name for one in node.body if isinstance(one, ast.FunctionDef)}
        for node in (tree.body if tree else ())
        if isinstance(node, ast.ClassDef)
    }


def _parsed(path: Path) -> ast.Module | None:
    """Return the syntax tree of a file, None when it has none."""
    try:
        with path.open("rb") as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # they are the driver's, and come when it is run
            return ast.parse(file.read(_MOST_BYTES))
    except (OSError, ValueError, SyntaxError, RecursionError, MemoryError):
        return None
