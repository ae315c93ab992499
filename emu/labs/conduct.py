"""What a submission may not even contain: whatever reaches around the bench and not through it.

The one idea: a driver needs `io`, `cpu` and plain Python. What it has no use for, imports of the
system or the bench's insides, hidden names, tricks with names at run time, is refused with its line
before any of it runs. It is a fence for the clumsy and a first hurdle for the others.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator, Sequence
from functools import cache
from typing import NamedTuple

from emu.kernel.board import Board
from emu.kernel.bus import WIDTHS, Window

__all__ = ["Misconduct", "misconduct"]

MOST_BYTES = 64 << 10
_MODULES = {
    "__future__", "abc", "bisect", "collections", "collections.abc", "contextlib", "dataclasses",
    "enum", "functools", "heapq", "itertools", "math", "operator", "struct", "types", "typing",
    "zlib",
}  # fmt: skip
_PUBLIC: list[str] = sys.modules[__name__.partition(".")[0]].__all__
_NAMES = {
    "__build_class__", "__builtins__", "__import__", "__loader__", "__spec__", "breakpoint",
    "compile", "delattr", "eval", "exec", "exit", "getattr", "globals", "help", "input", "locals",
    "open", "quit", "setattr", "vars",
}  # fmt: skip
_DUNDERS = {"__init__", "__enter__", "__exit__", "__name__", "__post_init__", "__doc__"}
_FRAMES = ("ag_", "co_", "cr_", "f_", "gi_", "tb_")
_IO = {
    "base", "beside", "clock_hz", "irq", "name", "stride",
    *(f"{way}{width}{rep}" for way in ("read", "write") for width in WIDTHS
      for rep in ("", "_rep")),
}  # fmt: skip
_CPU = {
    "connect", "disconnect", "interrupts_masked", "mask", "raise_interrupt", "sleep", "time",
    "unmask", "wait_for_interrupt", "work",
}  # fmt: skip
_CALLS = _IO | _CPU


class Misconduct(NamedTuple):
    """Say what is not allowed, and where."""

    line: int
    what: str


def misconduct(source: str, barred: Sequence[str] = ()) -> list[Misconduct]:
    """Return what a submission contains that it may not, in the order of its lines.

    Text that is not Python at all is a matter of its own: one entry, at the line that is wrong.

    Args:
        source: its text.
        barred: names of calls that the lab does not allow besides.
    """
    if len(source.encode()) > MOST_BYTES:
        return [Misconduct(0, f"it is longer than {MOST_BYTES >> 10} KiB")]
    try:
        tree = ast.parse(source)
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        line = error.lineno or 0 if isinstance(error, SyntaxError) else 0
        text = error.msg if isinstance(error, SyntaxError) else type(error).__name__
        return [Misconduct(line, f"it is not Python: {text}")]
    own, modules = _declared(tree), _modules(tree)
    found = {one for node in ast.walk(tree) for one in _wrong(node, own, modules)}
    return sorted(found.union(_barred(tree, barred)))


def _barred(tree: ast.Module, names: Sequence[str]) -> Iterator[Misconduct]:
    """Yield the calls that a lab does not allow."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in names:
            yield Misconduct(node.lineno, f"it uses {node.attr}, which this lab does not allow")


@cache
def _insides() -> set[str]:
    """Return the names that window and processor have for the bench alone."""
    given = (Board().cpu, Window)
    return {name for one in given for name in dir(one) if not name.startswith("_")} - _CALLS


def _declared(tree: ast.Module) -> set[str]:
    """Return the names of attributes that the submission's own classes have."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store) and _own(node.value):
            found.add(node.attr)
        elif isinstance(node, ast.ClassDef):
            found |= {one.name for one in node.body if isinstance(one, ast.FunctionDef)}
            found |= {
                one.target.id for one in node.body
                if isinstance(one, ast.AnnAssign) and isinstance(one.target, ast.Name)
            }  # fmt: skip
    return found


def _modules(tree: ast.Module) -> set[str]:
    """Return the names under which modules are known."""
    return {
        (one.asname or one.name).partition(".")[0]
        for node in ast.walk(tree) if isinstance(node, ast.Import)
        for one in node.names
    }  # fmt: skip


def _own(node: ast.expr) -> bool:
    return isinstance(node, ast.Name) and node.id in ("self", "cls")


def _wrong(node: ast.AST, own: set[str], modules: set[str]) -> Iterator[Misconduct]:
    match node:
        case ast.Import():
            yield from (
                Misconduct(node.lineno, f"it imports {one.name}")
                for one in node.names if one.name not in _MODULES and one.name != "emu"
            )  # fmt: skip
        case ast.ImportFrom():
            yield from _imports_from(node)
        case ast.Name() if node.id in _NAMES:
            yield Misconduct(node.lineno, f"it uses {node.id}")
        case ast.Attribute(value=ast.Name(id=name)) if name in modules:
            if not isinstance(node.ctx, ast.Load):
                yield Misconduct(node.lineno, f"it changes {name}.{node.attr}")
            elif name == "emu" and node.attr not in _PUBLIC:
                yield Misconduct(node.lineno, f"it reaches for emu.{node.attr}")
        case ast.Attribute():
            yield from _attribute(node, own)


def _imports_from(node: ast.ImportFrom) -> Iterator[Misconduct]:
    module = node.module or ""
    if module == "emu" and not node.level:
        for one in node.names:
            if one.name not in _PUBLIC:
                yield Misconduct(node.lineno, f"it imports emu.{one.name}, an inside of the bench")
    elif module.partition(".")[0] == "emu":
        yield Misconduct(node.lineno, f"it imports {module}, an inside of the bench")
    elif node.level or module not in _MODULES:
        yield Misconduct(node.lineno, f"it imports {'.' * node.level}{module}")


def _attribute(node: ast.Attribute, own: set[str]) -> Iterator[Misconduct]:
    name, line = node.attr, node.lineno
    frame = name.startswith(_FRAMES) and name not in own
    if frame or (name.startswith("__") and name not in _DUNDERS):
        yield Misconduct(line, f"it reaches for {name}")
    elif name.startswith("_") and not name.startswith("__") and name not in own:
        yield Misconduct(line, f"it reaches for {name}, a hidden name that is not its own")
    elif isinstance(node.ctx, ast.Store | ast.Del) and name in _CALLS and not _own(node.value):
        yield Misconduct(line, f"it replaces {name}, which is the bench's")
    elif name in _insides() and name not in own and not _own(node.value):
        yield Misconduct(line, f"it reaches for {name}, an inside of the bench")
