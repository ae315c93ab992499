"""See to it that the code of the bench is, after a submission has run, what it was before.

The one idea: whoever patches the grader changes what a name of the bench stands for, in a module
or in a class. All of them are noted before and compared after. Python itself sets some names late,
such as caches and modules that are loaded when they are first needed: a name that is new in a
module is no change, one that stands for something else is.
"""

from __future__ import annotations

import builtins
import sys
from types import FunctionType, ModuleType

__all__ = ["Untouched"]

_BENCH = "emu"
_FIXED = (bool, bytes, classmethod, float, frozenset, int, property, staticmethod, str, tuple)


class Untouched:
    """Note what all names of the bench's modules and classes, and of the built-ins, stand for."""

    def __init__(self) -> None:
        self._spaces = dict(_spaces())

    def changes(self) -> list[str]:
        """Return the names that stand for something else now, or for nothing."""
        return sorted(
            f"{space}.{name}"
            for space, (owner, names) in self._spaces.items()
            for name in (*names, *_new(owner, names))
            if name not in names or not _same(vars(owner).get(name), *names[name])
        )


_Names = dict[str, tuple[object, object]]


def _spaces() -> list[tuple[str, tuple[ModuleType | type, _Names]]]:
    found: list[tuple[str, tuple[ModuleType | type, _Names]]] = []
    for name, module in [*sys.modules.items(), ("builtins", builtins)]:
        if not isinstance(module, ModuleType) or name.partition(".")[0] not in (_BENCH, "builtins"):
            continue
        found.append((name, (module, _names(module))))
        found += [
            (f"{name}.{value.__qualname__}", (value, _names(value)))
            for value in list(vars(module).values())
            if isinstance(value, type) and value.__module__ == name != "builtins"
        ]
    return found


def _names(owner: ModuleType | type) -> _Names:
    """Return what stands under each name, of modules only code and constants, and its code."""
    return {
        name: (value, _code(value))
        for name, value in vars(owner).items()
        if isinstance(owner, type) or callable(value) or isinstance(value, _FIXED)
    }


def _new(owner: ModuleType | type, names: _Names) -> list[str]:
    """Return the names that a class did not have before; Python itself sets none but its own."""
    if not isinstance(owner, type):
        return []
    return [name for name in vars(owner) if name not in names and not name.startswith("__")]


def _code(value: object) -> object:
    return value.__code__ if isinstance(value, FunctionType) else None


def _same(now: object, value: object, code: object) -> bool:
    return now is value and _code(now) is code
