"""Move the tide log with the DMA engine, and call a transfer off when the radio slot comes."""

from __future__ import annotations

from collections.abc import Sequence

from emu import Cpu, Window

CONTROL, CONFIG, SOURCE, DESTINATION, COUNT, STATUS, LEFT = range(0, 28, 4)
START, ABORT = 0x01, 0x02  # of CONTROL
STEP_BOTH = 0x0C  # of CONFIG
BUSY, DONE, ERROR, FLAGS = 0x01, 0x04, 0x08, 0xF3E  # of STATUS


def width_of(source: int, destination: int, size: int) -> int:
    """Return the widest item, in bytes, that addresses and size allow."""
    return next(one for one in (4, 2, 1) if not (source | destination | size) % one)


class HastyMover:
    """Move bytes with channel 0 of the engine."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._items, self._width = 0, 1  # of what was begun last

    def open(self) -> None:
        """Stop the channel, from whatever state it is in."""
        self._stop()
        self._items = 0

    def close(self) -> None:
        """End what is under way."""
        self._stop()

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Move bytes, and return how many were moved."""
        until = self._until(timeout)
        self.start(source, destination, size)
        while not self.done() and self._cpu.time() < until:
            pass
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
        self._io.write32(CONTROL, ABORT)
        self._io.write32(STATUS, FLAGS)
        return self._moved()

    def chain(self, pieces: Sequence[tuple[int, int, int]], timeout: float | None = None) -> int:
        """Move pieces one after another, up to the first that cannot be moved whole."""
        until, total = self._until(timeout), 0
        for source, destination, size in pieces:
            moved = self.copy(source, destination, size, until - self._cpu.time())
            total += moved
            if moved < size:
                break
        return total

    def _moved(self) -> int:
        """Return how many bytes were moved of what was begun last."""
        left = self._io.read32(LEFT) if self._items else 0
        return (self._items - left) * self._width

    def _stop(self) -> None:
        """Have the channel stop, and wait until it has: a burst may be under way."""
        self._io.write32(CONTROL, ABORT)
        until = self._cpu.time() + 40 / self._io.clock_hz + 20e-6
        while self._io.read32(STATUS) & BUSY and self._cpu.time() < until:
            pass
        self._io.write32(STATUS, FLAGS)

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
