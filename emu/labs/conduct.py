"""What a submission may not even contain: whatever reaches around the bench and not through it.

The one idea: a driver needs `io`, `cpu` and plain Python. What it has no use for, imports of the
system or the bench's insides, hidden names, tricks with names at run time, is refused with its line
before any of it runs. It is a fence for the clumsy and a first hurdle for the others.
"""

from __future__ import annotations

import ast
import re
import sys
import types
from collections.abc import Iterator, Sequence
from functools import cache
from importlib import import_module
from threading import Lock
from typing import NamedTuple

from emu.kernel.board import Board
from emu.kernel.bus import WIDTHS, Window

__all__ = ["MOST_BYTES", "Misconduct", "misconduct", "parsed"]

MOST_BYTES = 64 << 10
_PARSING = Lock()
_BENCH = __name__.partition(".")[0]
_MODULES = {
    "__future__", "abc", "bisect", "collections", "collections.abc", "contextlib", "dataclasses",
    "enum", "functools", "heapq", "itertools", "math", "operator", "struct", "types", "typing",
    "zlib",
}  # fmt: skip
_BUILDS = {"Board", "Device", "Field", "Register"}  # a bench of one's own is no driver's business
_BY_NAME = {
    "CodeType", "ForwardRef", "FunctionType", "LambdaType", "attrgetter", "get_type_hints",
    "global_enum", "methodcaller", "singledispatch", "singledispatchmethod", "update_wrapper",
}  # fmt: skip
"""What plain Python's modules have to run text, or to reach for attributes that are named in it."""

_NAMES = _BY_NAME | {
    "__build_class__", "__builtins__", "__import__", "__loader__", "__match_args__", "__spec__",
    "breakpoint", "compile", "delattr", "eval", "exec", "exit", "getattr", "globals", "help",
    "input", "locals", "open", "quit", "setattr", "vars",
}  # fmt: skip
_DUNDERS = {
    "__bool__", "__call__", "__contains__", "__doc__", "__enter__", "__eq__", "__exit__",
    "__getitem__", "__hash__", "__index__", "__init__", "__init_subclass__", "__int__", "__iter__",
    "__len__", "__members__", "__name__", "__new__", "__next__", "__post_init__", "__qualname__",
    "__repr__", "__setitem__", "__str__",
}  # fmt: skip
_DOCUMENTED = {"_asdict", "_field_defaults", "_fields", "_make", "_name_", "_replace", "_value_"}
_PREFIXES = ("ag_", "co_", "cr_", "f_", "gi_", "tb_")
_FRAMES = {
    name
    for kind in (types.AsyncGeneratorType, types.CodeType, types.CoroutineType, types.FrameType,
                 types.GeneratorType, types.TracebackType)
    for name in dir(kind) if name.startswith(_PREFIXES)
}  # fmt: skip
_FIELD = re.compile(r"\{[^{}]*\}")  # of a text to be formatted, which reaches for attributes too
_REACHED = re.compile(r"\.(_\w+)")
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


class _Known(NamedTuple):
    """Say what names of a submission stand for.

    Args:
        modules: module by the name under which it is known.
        given: names that the bench gave.
        handed: what window and processor are called, by their last name.
        selves: names of what the submission made: its classes, functions, and ``self``.
        own: the attributes of those.
        owners: the nodes that stand before a dot.
    """

    modules: dict[str, str]
    given: set[str]
    handed: set[str]
    selves: set[str]
    own: set[str]
    owners: set[ast.expr]

    @classmethod
    def of(cls, tree: ast.Module) -> _Known:
        """Gather the names of a submission."""
        nodes = list(ast.walk(tree))
        selves = {"self", "cls", *_selves(nodes)}
        attributes = [one for one in nodes if isinstance(one, ast.Attribute)]
        own = {
            one.attr for one in attributes
            if isinstance(one.ctx, ast.Store)
            and isinstance(one.value, ast.Name) and one.value.id in selves
        }  # fmt: skip
        for node in nodes:
            if isinstance(node, ast.ClassDef):
                own.update(*map(_declared, node.body))
        given = {
            one.asname or one.name
            for node in nodes if isinstance(node, ast.ImportFrom) and node.module == _BENCH
            for one in node.names
        }  # fmt: skip
        owners = {one.value for one in attributes}
        return cls(_modules(nodes), given, _handed(nodes), selves, own, owners)

    def is_self(self, node: ast.expr) -> bool:
        """Say whether a node is the submission's own object by its very name."""
        return isinstance(node, ast.Name) and node.id in self.selves

    def is_handed(self, node: ast.expr) -> bool:
        """Say whether a node may be window or processor: by its name, or for want of one."""
        match node:
            case ast.Name(id=name) | ast.Attribute(attr=name):
                return name in self.handed
        return True

    def module(self, node: ast.expr) -> str:
        """Return the module that a node stands for, "" for none."""
        if isinstance(node, ast.Name):
            return self.modules.get(node.id, "")
        if isinstance(node, ast.Attribute):
            name = f"{self.module(node.value)}.{node.attr}"
            return name if name in _MODULES else ""
        return ""


def parsed(source: str) -> ast.Module:
    """Return the tree of a submission, read as bytes, so that a line that names an encoding counts.

    One thread at a time: Python 3.11 counts how deep a tree is in one place for all of them.

    Raises:
        SyntaxError, ValueError, RecursionError, MemoryError: it is not Python.
    """
    with _PARSING:
        return ast.parse(source.encode())


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
        tree = parsed(source)
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        line = error.lineno or 0 if isinstance(error, SyntaxError) else 0
        text = error.msg if isinstance(error, SyntaxError) else type(error).__name__
        return [Misconduct(line, f"it is not Python: {text}")]
    known = _Known.of(tree)
    found = {one for node in ast.walk(tree) for one in _wrong(node, known)}
    return sorted(found.union(_barred(tree, barred)))


def _barred(tree: ast.Module, names: Sequence[str]) -> Iterator[Misconduct]:
    """Yield the calls that a lab does not allow."""
    for node in ast.walk(tree):
        match node:
            case ast.Attribute(attr=name):
                reached = [name]
            case ast.MatchClass(kwd_attrs=reached):
                pass
            case _:
                continue
        for name in set(names).intersection(reached):
            yield Misconduct(node.lineno, f"it uses {name}, which this lab does not allow")


@cache
def _insides() -> set[str]:
    """Return the names that window and processor have for the bench alone."""
    given = (Board().cpu, Window)
    return {name for one in given for name in dir(one) if not name.startswith("_")} - _CALLS


@cache
def _public(module: str) -> set[str]:
    """Return the names that may be taken from a module."""
    there = sys.modules[_BENCH] if module == _BENCH else import_module(module)
    names = getattr(there, "__all__", [one for one in vars(there) if not one.startswith("_")])
    plain = {one for one in names if not isinstance(vars(there).get(one), types.ModuleType)}
    return plain - _BUILDS - _BY_NAME


def _selves(nodes: list[ast.AST]) -> Iterator[str]:
    """Yield the names of a submission's classes and functions, and what its methods call self."""
    for node in nodes:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            yield node.name
        if isinstance(node, ast.ClassDef):
            for one in node.body:
                if isinstance(one, ast.FunctionDef) and one.args.args and not one.decorator_list:
                    yield one.args.args[0].arg


def _handed(nodes: list[ast.AST]) -> set[str]:
    """Return the names of what constructors are handed first, and of the attributes for that."""
    found: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.FunctionDef) and node.name == "__init__":
            found |= {one.arg for one in node.args.args[1:3]}
    for node in nodes:
        pairs: list[tuple[ast.expr, ast.expr]] = []
        match node:
            case ast.Assign(targets=[ast.Attribute() as target], value=ast.Name() as value):
                pairs = [(target, value)]
            case ast.Assign(targets=[ast.Tuple(elts=targets)], value=ast.Tuple(elts=values)):
                pairs = list(zip(targets, values, strict=False))
        found |= {
            one.attr for one, value in pairs
            if isinstance(one, ast.Attribute) and isinstance(value, ast.Name) and value.id in found
        }  # fmt: skip
    return found


def _declared(node: ast.stmt) -> set[str]:
    """Return the names of attributes that a statement of a class's body declares."""
    match node:
        case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
            return {node.name}
        case ast.AnnAssign(target=ast.Name(id=name)):
            return {name}
        case ast.Assign():
            names = {
                one.id for target in node.targets for one in ast.walk(target)
                if isinstance(one, ast.Name)
            }  # fmt: skip
            if "__slots__" in names:
                texts = (one for one in ast.walk(node.value) if isinstance(one, ast.Constant))
                names |= {one.value for one in texts if isinstance(one.value, str)}
            return names
    return set()


def _modules(nodes: list[ast.AST]) -> dict[str, str]:
    """Return the modules by the names under which they are known."""
    found: dict[str, str] = {}
    for node in nodes:
        if isinstance(node, ast.Import):
            for one in node.names:
                first = one.name.partition(".")[0]
                found[one.asname or first] = one.name if one.asname else first
        elif isinstance(node, ast.ImportFrom):
            for one in node.names:
                if f"{node.module}.{one.name}" in _MODULES:
                    found[one.asname or one.name] = f"{node.module}.{one.name}"
    return found


def _wrong(node: ast.AST, known: _Known) -> Iterator[Misconduct]:
    match node:
        case ast.Import():
            yield from (
                Misconduct(node.lineno, f"it imports {one.name}")
                for one in node.names if one.name not in _MODULES and one.name != _BENCH
            )  # fmt: skip
        case ast.ImportFrom():
            yield from _imports_from(node)
        case ast.Name() if node.id in _NAMES:
            yield Misconduct(node.lineno, f"it uses {node.id}")
        case ast.Name(ctx=ast.Load()) if node.id in known.modules and node not in known.owners:
            yield Misconduct(node.lineno, f"it hands on {node.id}, a module as a whole")
        case ast.Attribute():
            yield from _attribute(node, known)
        case _:
            yield from _without_dot(node, known)


def _without_dot(node: ast.AST, known: _Known) -> Iterator[Misconduct]:
    """Yield what is wrong with attributes that are reached for in a text, a pattern or a copy."""
    match node:
        case ast.Constant(value=str(text)):
            for field in _FIELD.findall(text):
                for name in _REACHED.findall(field):
                    yield from _hidden(name, node.lineno, known)
        case ast.MatchClass():
            for name in node.kwd_attrs:
                yield from _hidden(name, node.lineno, known)
        case ast.Call(func=ast.Name(id="wraps") | ast.Attribute(attr="wraps")):
            if len(node.args) + len(node.keywords) > 1:
                yield Misconduct(node.lineno, "it chooses what attributes are copied")


def _imports_from(node: ast.ImportFrom) -> Iterator[Misconduct]:
    module = node.module or ""
    if node.level or module not in {_BENCH, *_MODULES}:
        inside = ", an inside of the bench" if module.partition(".")[0] == _BENCH else ""
        yield Misconduct(node.lineno, f"it imports {'.' * node.level}{module}{inside}")
        return
    inside = ", an inside of the bench" if module == _BENCH else ""
    for one in node.names:
        name = f"{module}.{one.name}"
        if one.name not in {"*", *_public(module)} and name not in _MODULES:
            yield Misconduct(node.lineno, f"it imports {name}{inside}")


def _attribute(node: ast.Attribute, known: _Known) -> Iterator[Misconduct]:
    name, line, owner = node.attr, node.lineno, node.value
    loads = isinstance(node.ctx, ast.Load)
    module = known.module(owner)
    given = isinstance(owner, ast.Name) and owner.id in known.given
    if not loads and (module or given):
        yield Misconduct(line, f"it changes {ast.unparse(node)}")
    elif module:
        if name not in _public(module) and f"{module}.{name}" not in _MODULES:
            yield Misconduct(line, f"it reaches for {module}.{name}")
    elif not known.is_self(owner):
        if not loads and name in _CALLS and known.is_handed(owner):
            yield Misconduct(line, f"it replaces {name}, which is the bench's")
        elif not loads and name in _DUNDERS:
            yield Misconduct(line, f"it replaces {name}")
        else:
            yield from _hidden(name, line, known)
    elif not (loads and name == "__class__") and name not in _insides():
        yield from _hidden(name, line, known)


def _hidden(name: str, line: int, known: _Known) -> Iterator[Misconduct]:
    """Yield what is wrong with reaching for an attribute by its name."""
    if name.startswith("__") and name.endswith("__"):
        if name not in _DUNDERS:
            yield Misconduct(line, f"it reaches for {name}")
    elif name in _FRAMES:
        yield Misconduct(line, f"it reaches for {name}")
    elif name in known.own or name in _DOCUMENTED:
        return
    elif name.startswith("_"):
        yield Misconduct(line, f"it reaches for {name}, a hidden name that is not its own")
    elif name in _insides():
        yield Misconduct(line, f"it reaches for {name}, an inside of the bench")
