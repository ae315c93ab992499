"""What the bench asks of a copy driver: one that has memory moved by an engine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

__all__ = ["COPY_METHODS", "DRIVERS_BYTES", "MOST_PIECES", "MOST_PIECE_BYTES", "CopyDriver"]

COPY_METHODS = ("open", "close", "copy", "start", "done", "abort", "chain")
DRIVERS_BYTES = 1024  # at the start of the memory, for the driver's descriptors
MOST_PIECES = 16  # of a chain
MOST_PIECE_BYTES = 65535


class CopyDriver(Protocol):
    """Move bytes from one place in memory to another.

    A driver is constructed with the window of its engine and the processor, and touches neither
    before `open`. Beside the engine lies one memory. The driver may use its first 1024 bytes for
    descriptors, whose content is anything at first; all else is somebody else's, and it touches
    nothing there but the destination.

    Addresses are bus addresses, sizes bytes, with any alignment; source and destination do not
    overlap. An address may lie where nothing answers: then what can be moved ends before it. One
    transfer is under way at a time, so `copy` and `chain` are called only when none is.

    A count of bytes that were moved is that of the first ones. It never counts a byte that was not
    moved, and it counts all of them if all were moved.
    """

    def open(self) -> None:
        """Set the engine up from whatever state it is in."""

    def close(self) -> None:
        """End what is under way, silence the engine and let go of its interrupt."""

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Move bytes, and return how many were moved.

        Fewer than `size` only after a bus error, or when `timeout` seconds were not enough. The
        engine owns neither buffer any more when this returns.
        """

    def start(self, source: int, destination: int, size: int) -> bool:
        """Begin to move bytes in the background; False while another transfer is under way."""

    def done(self) -> bool:
        """Return whether no transfer is under way, so that the engine owns no buffer."""

    def abort(self) -> int:
        """End what `start` began, unless it has ended; return how many bytes of it were moved.

        The engine owns neither buffer any more when this returns.
        """

    def chain(self, pieces: Sequence[tuple[int, int, int]], timeout: float | None = None) -> int:
        """Move pieces one after another, and return how many bytes were moved; otherwise as `copy`.

        Args:
            pieces: source, destination and size of each, at most 16 of at most 65535 bytes; no
                two buffers overlap.
            timeout: seconds for all of them.
        """
