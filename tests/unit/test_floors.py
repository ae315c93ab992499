"""Each room of the house imports only itself and the rooms below it.

The one idea: imports are read from the source text, so that an import inside a function, behind
a type-checking guard or made by name counts like any other.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

ROOMS = (
    "emu.errors",
    "emu.units",
    "emu.kernel",
    "emu.line",
    "emu.devices",
    "emu.record",
    "emu.faults",
    "emu.rules",
    "emu.scenario",
    "emu.search",
    "emu.sizing",
    "emu.labs",
    "emu.report",
    "emu.testing",
    "emu.cli",
)
"""All rooms from the ground up; the package itself is a sign on the door and on no floor."""


def module_name(path: Path) -> str:
    """Return the dotted name of a source file under the top folder."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


SOURCES = {
    module_name(path): path
    for path in sorted((ROOT / "emu").rglob("*.py"))
    if path != ROOT / "emu" / "__init__.py"
}


def height(module: str) -> int | None:
    """Return the height of the room that a module is in, or None when it is in no known room."""
    for index, room in enumerate(ROOMS):
        if module == room or module.startswith(f"{room}."):
            return index
    return None


def base_of(node: ast.ImportFrom, module: str, *, package: bool) -> str:
    """Return the absolute name that a ``from`` import starts at."""
    if not node.level:
        return node.module or ""
    parts = module.split(".")
    above = node.level - 1 if package else node.level
    return ".".join([*parts[: len(parts) - above], *filter(None, [node.module])])


def names_of(node: ast.AST, module: str, *, package: bool) -> Iterator[str]:
    """Yield the absolute names of what one node of the syntax tree imports."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        base = base_of(node, module, package=package)
        yield from (f"{base}.{alias.name}" for alias in node.names)
    elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
        function = node.func.attr if isinstance(node.func, ast.Attribute) else None
        function = node.func.id if isinstance(node.func, ast.Name) else function
        if function in {"import_module", "__import__"}:
            yield str(node.args[0].value)


def own_imports(source: str, module: str, *, package: bool = False) -> list[str]:
    """Return the names under ``emu`` that a source text imports, wherever in it."""
    tree = ast.parse(source)
    names = (name for node in ast.walk(tree) for name in names_of(node, module, package=package))
    return sorted({name for name in names if name == "emu" or name.startswith("emu.")})


def upward_imports(source: str, module: str, *, package: bool = False) -> list[str]:
    """Return the imports that do not go to the module's own room or to one below."""
    own = height(module)
    targets = own_imports(source, module, package=package)
    heights = {name: height(name) for name in targets}
    return [name for name, high in heights.items() if own is None or high is None or high > own]


@pytest.mark.parametrize("module", SOURCES)
def test_every_file_is_in_a_known_room(module: str) -> None:
    """No file stands outside the house."""
    assert height(module) is not None


@pytest.mark.parametrize("module", SOURCES)
def test_no_file_imports_upwards(module: str) -> None:
    """A file imports from its own room and from rooms below, and not by way of the front door."""
    path = SOURCES[module]
    source = path.read_text(encoding="utf-8")

    assert upward_imports(source, module, package=path.name == "__init__.py") == []


@pytest.mark.parametrize(
    "source",
    [
        "import emu.cli.main",
        "from emu.cli import main",
        "from emu import cli",
        "from ..cli.main import main",
        "def late():\n    from emu.cli.main import main",
        "def late():\n    from ..cli import main",
        "if TYPE_CHECKING:\n    from emu.cli.main import main",
        "importlib.import_module('emu.cli.main')",
        "import_module('emu.cli.main')",
        "from emu import Window",
        "import emu",
    ],
)
def test_an_import_upwards_is_noticed(source: str) -> None:
    """Every way of spelling an import is read, relative and late ones included."""
    assert upward_imports(source, "emu.kernel.bus") != []


@pytest.mark.parametrize(
    "source",
    [
        "import emu.errors",
        "from emu.kernel.clock import Clock",
        "from emu import errors",
        "from .clock import Clock",
        "from . import clock",
        "from ..units import parse_size",
        "import json, emulate",
        "import_module(name)",
    ],
)
def test_an_import_downwards_is_let_through(source: str) -> None:
    """The room itself, rooms below and everything outside the house are allowed."""
    assert upward_imports(source, "emu.kernel.bus") == []


def test_relative_imports_of_a_package_start_at_itself() -> None:
    """One dot in a package's own file means the package, not the one above."""
    source = "from .clock import Clock"

    assert own_imports(source, "emu.kernel", package=True) == ["emu.kernel.clock.Clock"]
