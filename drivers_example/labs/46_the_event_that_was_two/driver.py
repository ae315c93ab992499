"""Move the tide log with the DMA engine in legs: words as far as they go, then the odd bytes."""

from __future__ import annotations

from collections.abc import Sequence

from emu import Cpu, Window

CONTROL, CONFIG, SOURCE, DESTINATION, COUNT, STATUS, LEFT = range(0, 28, 4)
START, ABORT, DONE_IRQ, ERROR_IRQ = 0x01, 0x02, 0x20, 0x40  # of CONTROL
STEP_BOTH = 0x0C  # of CONFIG
BUSY, DONE, ERROR, FLAGS = 0x01, 0x04, 0x08, 0xF3E  # of STATUS


Leg = tuple[int, int, int, int]  # source, destination, items, bytes of an item


def legs_of(source: int, destination: int, size: int) -> list[Leg]:
    """Return the legs of a transfer: words as far as they go, and bytes for the rest."""
    words = 0 if (source | destination) % 4 else size // 4
    rest = (source + 4 * words, destination + 4 * words, size - 4 * words, 1)
    return [leg for leg in ((source, destination, words, 4), rest) if leg[2]]


class PunctualMover:
    """Move bytes with channel 0 of the engine, which interrupts at the end."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._running = False
        self._items, self._width, self._moved = 0, 1, 0  # of the leg that was begun last
        self._legs: list[Leg] = []  # that are to follow

    def open(self) -> None:
        """Silence the channel, from whatever state it is in."""
        self._running, self._moved = False, 0
        self._stop()
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """End what is under way and let go of the interrupt."""
        self.abort()
        self._cpu.disconnect(self._io.irq, self._serve)

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Move bytes, and return how many were moved."""
        until = float("inf") if timeout is None else self._cpu.time() + timeout
        self.start(source, destination, size)
        while self._cpu.time() < until:
            with self._cpu.interrupts_masked():
                if not self._running:
                    break
                self._cpu.wait_for_interrupt(max(until - self._cpu.time(), 0))
        return self.abort()

    def start(self, source: int, destination: int, size: int) -> bool:
        """Begin to move bytes; False while others are being moved."""
        if self._running:
            return False
        self._moved, self._legs = 0, legs_of(source, destination, size)
        self._running = bool(self._legs)
        if self._legs:
            self._begin_leg()
        return True

    def done(self) -> bool:
        """Return whether nothing is being moved."""
        return not self._running

    def abort(self) -> int:
        """End what was begun; return how many bytes of it were moved."""
        with self._cpu.interrupts_masked():
            self._stop()
            if self._running:
                self._count_leg()
                self._running = False
        return self._moved

    def chain(self, pieces: Sequence[tuple[int, int, int]], timeout: float | None = None) -> int:
        """Move pieces one after another, up to the first that cannot be moved whole."""
        total = 0
        for source, destination, size in pieces:
            moved = self.copy(source, destination, size, timeout)
            total += moved
            if moved < size:
                break
        return total

    def _serve(self) -> None:
        """Go on with the next leg, or end."""
        status = self._io.read32(STATUS)
        if self._running and status & (DONE | ERROR):
            self._count_leg()
            self._running = bool(self._legs) and not status & ERROR
            if self._running:
                self._begin_leg()
        self._io.write32(STATUS, status & FLAGS)

    def _begin_leg(self) -> None:
        """Let the engine begin with the next leg."""
        source, destination, self._items, self._width = self._legs.pop(0)
        self._io.write32(CONFIG, STEP_BOTH | self._width.bit_length() - 1)
        self._io.write32(SOURCE, source)
        self._io.write32(DESTINATION, destination)
        self._io.write32(COUNT, self._items)
        self._io.write32(CONTROL, START | DONE_IRQ | ERROR_IRQ)

    def _count_leg(self) -> None:
        """Count what was moved of the leg that has ended."""
        self._moved += (self._items - self._io.read32(LEFT)) * self._width

    def _stop(self) -> None:
        """Have the channel stop, and wait until it has: a burst may be under way."""
        self._io.write32(CONTROL, ABORT)
        until = self._cpu.time() + 40 / self._io.clock_hz + 20e-6
        while self._io.read32(STATUS) & BUSY and self._cpu.time() < until:
            pass
        self._io.write32(STATUS, FLAGS)
