"""Move the pages of the tide log by a chain of descriptors, which the DMA engine reads."""

from __future__ import annotations

from collections.abc import Sequence

from emu import Cpu, Window

(CONTROL, CONFIG, SOURCE, DESTINATION, COUNT, STATUS, LEFT, FAULT, NEXT,
 DOORBELL) = range(0, 40, 4)  # fmt: skip
START, ABORT = 0x01, 0x02  # of CONTROL
STEP_BOTH = 0x0C  # of CONFIG
BUSY, FLAGS = 0x01, 0xF3E  # of STATUS
RING, OWN, DESCRIPTOR_BYTES = 0x01, 0x8000_0000, 16
Piece = tuple[int, int, int]  # source, destination, size


def width_of(source: int, destination: int, size: int) -> int:
    """Return the widest item, in bytes, that addresses and size allow."""
    return next(one for one in (4, 2, 1) if not (source | destination | size) % one)


class PromptMover:
    """Move bytes with channel 0 of the engine, which follows descriptors in the log's memory."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._log = io.beside["log"]
        self._items, self._width = 0, 1  # of what was begun last

    def open(self) -> None:
        """Stop the channel, from whatever state it is in."""
        self.close()
        self._items = 0

    def close(self) -> None:
        """End what is under way, once the burst is over."""
        self._io.write32(CONTROL, ABORT)
        self._wait(self._cpu.time() + 40 / self._io.clock_hz + 20e-6)
        self._io.write32(STATUS, FLAGS)

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Move bytes, and return how many were moved."""
        until = self._until(timeout)
        self.start(source, destination, size)
        self._wait(until)
        return self.abort()

    def start(self, source: int, destination: int, size: int) -> bool:
        """Begin to move bytes; False while others are being moved."""
        if not self.done():
            return False
        self._width = width_of(source, destination, size)
        self._items = size // self._width
        if self._items:
            self._io.write32(CONFIG, STEP_BOTH | self._width.bit_length() - 1)
            self._io.write32(SOURCE, source)
            self._io.write32(DESTINATION, destination)
            self._io.write32(COUNT, self._items)
            self._io.write32(CONTROL, START)
        return True

    def done(self) -> bool:
        """Return whether nothing is being moved."""
        return not self._io.read32(STATUS) & BUSY

    def abort(self) -> int:
        """End what was begun; return how many bytes of it were moved."""
        self.close()
        left = self._io.read32(LEFT) if self._items else 0
        return (self._items - left) * self._width

    def chain(self, pieces: Sequence[Piece], timeout: float | None = None) -> int:
        """Move pieces by descriptors, the first while the others are being written."""
        until = self._until(timeout)
        for slot in range(len(pieces)):
            self._log.write32(slot * DESCRIPTOR_BYTES, 0)
        self._io.write32(NEXT, self._log.base)
        for slot, piece in enumerate(pieces):
            self._hand_over(slot, piece, last=slot == len(pieces) - 1)
        self._wait(until)
        self.close()
        return self._moved(pieces)

    def _hand_over(self, slot: int, piece: Piece, *, last: bool) -> None:
        """Describe a piece to the engine, which comes to it after the one before."""
        source, destination, size = piece
        width, at = width_of(*piece), slot * DESCRIPTOR_BYTES
        config = STEP_BOTH | width.bit_length() - 1
        self._log.write32(at, OWN | config << 16 | size // width)
        self._log.write32(at + 4, source)
        self._log.write32(at + 8, destination)
        self._log.write32(at + 12, 0 if last else self._log.base + at + DESCRIPTOR_BYTES)
        self._io.write32(DOORBELL, RING)

    def _moved(self, pieces: Sequence[Piece]) -> int:
        """Return how many bytes were moved up to the first that was not."""
        total = 0
        for slot, piece in enumerate(pieces):
            word, width = self._log.read32(slot * DESCRIPTOR_BYTES), width_of(*piece)
            left = piece[2] if word & OWN else (word & 0xFFFF) * width
            total += piece[2] - left
            if left:
                break
        return total

    def _wait(self, until: float) -> None:
        """Wait until nothing is being moved, or the time is up."""
        while not self.done() and self._cpu.time() < until:
            pass

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
