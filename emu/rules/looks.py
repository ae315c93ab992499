"""Looking at one register over and over: rows of equal reads, as the tape keeps them.

The one idea: the tape folds equal reads in a row into one entry and a count, so a rule that asks
afterwards costs the reads themselves nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from emu.kernel.board import Board
from emu.kernel.journal import AGAIN, Entry
from emu.record.naming import Naming

__all__ = ["Row", "rows_since"]


@dataclass(frozen=True, slots=True)
class Row:
    """Hold one row of equal reads.

    Args:
        register: path of what was read.
        count: how often.
        took_ps: from the first read to the end of the row.
    """

    register: str
    count: int
    took_ps: int


def rows_since(board: Board, since_ps: int) -> Iterator[Row]:
    """Yield the rows that began at `since_ps` or later, latest first, as far as they are kept."""
    journal = board.journal
    after: Entry = (0, -1, 0, 0)
    for entry in reversed(journal.entries):
        if entry[0] < since_ps:
            return
        source = journal.sources[entry[1]]
        if source.kind == "read" and entry[2] == AGAIN:
            after = entry
        elif entry[1] == after[1]:  # what came in between was no access
            name = _register(board, source.name, entry[2], source.width_bits)
            yield Row(name, after[3] + 1, after[0] - entry[0])
            after = (0, -1, 0, 0)


def _register(board: Board, device: str, offset: int, width_bits: int) -> str:
    """Return the path of the register at an offset of a device, as its window shows it now."""
    region = next(one for one in board.bus.regions if one.device.name == device)
    naming = Naming(region, big_endian=board.bus.big_endian)
    parts = naming.parts("read", offset, width_bits, region.device.bank)
    return ".".join((device, *(part.register.name for part in parts[:1])))
