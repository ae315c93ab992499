"""A scenario or a board from Python: the mapping that would stand in a file, without the file.

The one idea: plain data goes the way of a file's, through the same tables and checks, so that it
means the same and is refused with the same words. There are no lines and columns to name. Bytes and
line settings may stand where a file would have to spell them out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from emu.scenario.load import ScenarioShape
from emu.scenario.load_board import BOARD, make_board
from emu.scenario.model import BoardModel, Scenario
from emu.scenario.source import Node, Notes, passing
from emu.scenario.written import data_as_plain
from emu.units import LineSettings

__all__ = ["board_of", "scenario_of"]

_T = TypeVar("_T")
_PLAIN = (str, int, float, bool, type(None))


def scenario_of(
    data: Mapping[str, Any], *, path: str = "scenario", folder: Path | None = None
) -> Scenario:
    """Return the scenario that plain data describes.

    Args:
        data: what would stand in a scenario file.
        path: what messages call it.
        folder: where paths in it start from, the working folder by default.

    Raises:
        InputError: with every flaw found.
    """
    return _finish(data, ScenarioShape().read, Notes(path, folder or Path()))


def board_of(
    data: Mapping[str, Any], *, path: str = "board", folder: Path | None = None
) -> BoardModel:
    """Return the board that plain data describes; see `scenario_of`."""

    def read(node: Node, notes: Notes) -> BoardModel:
        return make_board(BOARD.read(node, notes), notes)

    return _finish(data, read, Notes(path, folder or Path()))


def _finish(data: object, read: Callable[[Node, Notes], _T], notes: Notes) -> _T:
    """Return what `read` makes of plain data unless a flaw was noted."""
    found: list[_T] = []
    with passing():
        found.append(read(_node(data, notes), notes))
    notes.finish()
    return found[0]


def _node(value: object, notes: Notes) -> Node:
    """Return plain data as the tree that a file with it would give, places left out."""
    if isinstance(value, bytes | bytearray):
        value = data_as_plain(bytes(value))
    elif isinstance(value, LineSettings):
        value = str(value)
    if isinstance(value, Mapping):
        pairs = tuple((_node(key, notes), _node(one, notes)) for key, one in value.items())
        size = 1 + sum(key.size + one.size for key, one in pairs)
        return Node(pairs, 0, 0, size=size, is_mapping=True)
    if isinstance(value, list | tuple):
        items = tuple(_node(one, notes) for one in value)
        return Node(items, 0, 0, size=1 + sum(one.size for one in items))
    if not isinstance(value, _PLAIN):
        raise notes.refuse(
            None, f"{value!r:.60} ({type(value).__name__}) where plain data belongs",
            allowed="mappings, lists, text, bytes, numbers, truth values, None and line settings",
        )  # fmt: skip
    return Node(value, 0, 0, str(value))
