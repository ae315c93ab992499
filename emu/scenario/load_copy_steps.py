"""The steps of scenario files for copy drivers: pieces of memory that are to be moved.

The one idea: a piece is given by offsets in the memory, so a scenario says nothing of addresses;
and what no driver could do right, buffers that overlap, is refused here.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from emu.devices.copy_driver import DRIVERS_BYTES, MOST_PIECE_BYTES, MOST_PIECES
from emu.scenario.load_data import MOST_BYTES
from emu.scenario.shape import Items, JsonSchema, Key, Table, Values, Whole
from emu.scenario.source import Node, Notes
from emu.scenario.step_shapes import TIMEOUT, Nothing, StepTable

__all__ = ["COPY_STEPS"]

_OFFSET = Whole(DRIVERS_BYTES, 0xFFF_FFFF, base=16)


def _table(most_bytes: int) -> Table:
    return Table(
        "a piece",
        (
            Key("from", _OFFSET, "offset in the memory; beyond its end nothing answers",
                required=True),
            Key("to", _OFFSET, "offset that the first byte is moved to", required=True),
            Key("size", Whole(0, most_bytes), "bytes", required=True),
        ),
    )  # fmt: skip


class _Pieces:
    """Take one piece, or several in a list; no two buffers overlap."""

    def __init__(self, *, several: bool) -> None:
        self._several = several
        self._table = _table(MOST_PIECE_BYTES if several else MOST_BYTES)
        self._items = Items(self._table, least=1)

    def read(self, node: Node, notes: Notes) -> Values | tuple[Values, ...]:
        """Return the piece or the pieces."""
        if not self._several:
            piece = self._table.read(node, notes)
            _check_apart([piece], node, notes)
            return piece
        pieces = self._items.read(node, notes)
        if len(pieces) > MOST_PIECES:
            raise notes.refuse(node, f"{len(pieces)} pieces", allowed=f"at most {MOST_PIECES}")
        _check_apart(pieces, node, notes)
        return pieces

    def schema(self) -> JsonSchema:
        """Return the schema of what is read."""
        return self._items.schema() if self._several else self._table.schema()


def _check_apart(pieces: Sequence[Values], node: Node, notes: Notes) -> None:
    """Refuse buffers that overlap; a piece that lacks something was noted already."""
    whole = [one for one in pieces if {"from", "to", "size"} <= set(one)]
    spans = sorted((one[key], one["size"]) for one in whole for key in ("from", "to"))
    for (first, size), (second, _) in pairwise([one for one in spans if one[1]]):
        if second < first + size:
            raise notes.refuse(
                node,
                f"buffers that overlap at {second:#x}",
                fix="move them apart, or use two steps",
            )


COPY_STEPS: StepTable = {
    "copy": (_Pieces(several=False), "move bytes of the memory, and wait", (TIMEOUT,)),
    "start": (_Pieces(several=False), "begin to move bytes of the memory", ()),
    "done": (Nothing(), "ask until what was begun has ended", (TIMEOUT,)),
    "abort": (Nothing(), "end what was begun, and ask how much was moved", ()),
    "chain": (_Pieces(several=True), "move pieces by one call, and wait", (TIMEOUT,)),
}
