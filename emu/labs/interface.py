"""Whether a repair can still be called as the driver that was handed out could.

The one idea: the bench calls by position, others may not. So the arguments of the methods that make
the driver up must have the names, the order and the defaults that they had.
"""

from __future__ import annotations

import ast
from collections.abc import Sequence

from emu.labs.conduct import Misconduct, parsed

__all__ = ["changed_calls"]


def changed_calls(
    source: str, original: str, driver: str, methods: Sequence[str]
) -> list[Misconduct]:
    """Return the methods that are to be called in another way than before.

    Args:
        source: text of the repair, which is Python.
        original: text of the driver as it was handed out.
        driver: name of the class.
        methods: names of the methods that count.
    """
    now, before = _methods(source, driver), _methods(original, driver)
    return [
        Misconduct(now[name].lineno, f"it takes {_shown(now[name])}, not {_shown(before[name])}")
        for name in methods
        if name in now and name in before and _calls(now[name]) != _calls(before[name])
    ]


def _methods(source: str, driver: str) -> dict[str, ast.FunctionDef]:
    """Return the methods that a class defines itself, by name."""
    for node in parsed(source).body:
        if isinstance(node, ast.ClassDef) and node.name == driver:
            return {one.name: one for one in node.body if isinstance(one, ast.FunctionDef)}
    return {}


def _calls(method: ast.FunctionDef) -> tuple[list[str], list[str], list[str]]:
    """Return what a caller has to know of a method: names in their order, and defaults."""
    given = method.args
    names = [one.arg for one in (*given.posonlyargs, *given.args)][1:]
    defaults = [ast.unparse(one) for one in given.defaults]
    return names, defaults, [one.arg for one in given.kwonlyargs]


def _shown(method: ast.FunctionDef) -> str:
    names, _, more = _calls(method)
    return f"{method.name}({', '.join([*names, *more])})"
