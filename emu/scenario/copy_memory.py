"""The memory that copies are made in: filled before, compared afterwards.

The one idea: all of the memory is guard. It is filled anew before each transfer, with a destination
that differs from its source in every byte, so that a byte out of place shows wherever it is, and no
byte is right by chance.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from emu.devices.copy_driver import DRIVERS_BYTES

__all__ = ["CopyMemory", "Piece"]


class Piece(NamedTuple):
    """Say what is to be moved.

    Args:
        source: offset of the first byte in the memory; it may lie beyond its end.
        destination: likewise.
        size: bytes.
    """

    source: int
    destination: int
    size: int

    @property
    def spans(self) -> tuple[range, range]:
        """The offsets of both buffers."""
        return (
            range(self.source, self.source + self.size),
            range(self.destination, self.destination + self.size),
        )

    def meets(self, others: Iterable[Piece]) -> bool:
        """Whether a buffer of it overlaps one of the others'."""
        theirs = [span for other in others for span in other.spans]
        return any(
            own.start < span.stop and span.start < own.stop for own in self.spans for span in theirs
        )


class CopyMemory:
    """Fill and compare.

    Args:
        memory: the bytes of the memory.
        seed: of what it is filled with.
    """

    def __init__(self, memory: bytearray, seed: int) -> None:
        self._memory = memory
        self._random = random.Random(seed)
        memory[:] = b"\xff" * len(memory)  # so that what the driver finds is all the engine's
        self._before = bytes(memory)

    def lay(self, pieces: Sequence[Piece], *, alone: bool) -> None:
        """Fill sources and destinations, and if they are alone all that is not the driver's."""
        memory = self._memory
        before = bytearray(self._before)
        if alone:
            before[:] = memory
            before[DRIVERS_BYTES:] = self._random.randbytes(len(memory) - DRIVERS_BYTES)
            memory[:] = before
        for piece in pieces:
            self._lay_one(piece, before)
        self._before = bytes(before)

    def _lay_one(self, piece: Piece, before: bytearray) -> None:
        source, destination = (slice(one.start, one.stop) for one in piece.spans)
        data = self._random.randbytes(piece.size)
        other = bytes(byte ^ 0xFF for byte in data)
        for into in (before, self._memory):
            room = len(into)
            into[source] = data[: max(0, room - piece.source)]
            into[destination] = other[: max(0, room - piece.destination)]

    def right(self, pieces: Iterable[Piece]) -> tuple[int, bool]:
        """Return how many of the first bytes are as they must be, and whether the next was touched.

        The second is False too where there is no next.
        """
        first = 0
        for piece in pieces:
            source, destination = (slice(one.start, one.stop) for one in piece.spans)
            wanted, found = self._before[source], self._memory[destination]
            count = _common(wanted, found)
            first += count
            if count < piece.size:
                at = piece.destination + count
                touched = at < len(self._memory) and self._memory[at] != self._before[at]
                return first, touched
        return first, False

    def strayed(self, pieces: Iterable[Piece]) -> int | None:
        """Return the first offset that was changed outside the destinations, None for none.

        Side effects: from now on what was changed counts as being there.
        """
        now, before = bytearray(self._memory), bytearray(self._before)
        self._before = bytes(now)
        for span in (range(DRIVERS_BYTES), *(piece.spans[1] for piece in pieces)):
            stop = min(span.stop, len(now))
            if span.start < stop:
                now[span.start : stop] = before[span.start : stop]
        return None if now == before else _common(bytes(now), bytes(before))


def _common(one: bytes | bytearray, other: bytes | bytearray) -> int:
    """Return how many of the first bytes are the same."""
    most = min(len(one), len(other))
    if one[:most] == other[:most]:
        return most
    return next(at for at in range(most) if one[at] != other[at])
