"""Move the tide log with the DMA engine in legs: odd bytes, words, odd bytes."""

from __future__ import annotations

from collections.abc import Sequence

from emu import Cpu, Window

CONTROL, CONFIG, SOURCE, DESTINATION, COUNT, STATUS, LEFT = range(0, 28, 4)
START, ABORT, DONE_IRQ, ERROR_IRQ = 0x01, 0x02, 0x20, 0x40  # of CONTROL
STEP_BOTH = 0x0C  # of CONFIG
BUSY, DONE, ERROR, FLAGS = 0x01, 0x04, 0x08, 0xF3E  # of STATUS
Leg = tuple[int, int, int, int]  # source, destination, items, bytes of an item


def legs_of(source: int, destination: int, size: int) -> list[Leg]:
    """Return the legs of a transfer: odd bytes, words as far as they go, odd bytes."""
    head = size if (source - destination) % 4 else min(-source % 4, size)
    body = (size - head) // 4 * 4
    counts = ((0, head, 1), (head, body // 4, 4), (head + body, size - head - body, 1))
    return [(source + at, destination + at, items, width) for at, items, width in counts if items]


class EagerMover:
    """Move bytes with channel 0 of the engine, which interrupts at the end of each leg."""

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
        while not self.done() and self._cpu.time() < until:
            with self._cpu.interrupts_masked():
                if self._running:
                    self._cpu.wait_for_interrupt(max(until - self._cpu.time(), 0))
        return self.abort()

    def start(self, source: int, destination: int, size: int) -> bool:
        """Begin to move bytes; False while others are being moved."""
        if not self.done():
            return False
        self._moved, self._legs = 0, legs_of(source, destination, size)
        if self._legs:
            self._running = True
            self._begin_leg()
        return True

    def done(self) -> bool:
        """Return whether nothing is being moved; an end that nobody was told of counts, too."""
        with self._cpu.interrupts_masked():
            status = self._io.read32(STATUS)
        if self._running and status & (DONE | ERROR):
            self._go_on(status)
        return not self._running

    def abort(self) -> int:
        """End what was begun; return how many bytes of it were moved."""
        with self._cpu.interrupts_masked():
            self._stop()
            if self._running:
                self._moved += (self._items - self._io.read32(LEFT)) * self._width
                self._running = False
        return self._moved

    def chain(self, pieces: Sequence[tuple[int, int, int]], timeout: float | None = None) -> int:
        """Move pieces one after another, and return how many bytes were moved."""
        return sum(self.copy(*piece, timeout) for piece in pieces)

    def _serve(self) -> None:
        """Go on where the engine has come to an end."""
        self._go_on(self._io.read32(STATUS))

    def _go_on(self, status: int) -> None:
        """Count the leg that has ended, and begin the next if there is one."""
        self._io.write32(STATUS, status & FLAGS)
        if self._running and status & (DONE | ERROR):
            self._moved += (self._items - self._io.read32(LEFT)) * self._width
            self._running = bool(self._legs) and not status & ERROR
            if self._running:
                self._begin_leg()

    def _begin_leg(self) -> None:
        """Let the engine begin with the next leg."""
        source, destination, self._items, self._width = self._legs.pop(0)
        self._io.write32(CONFIG, STEP_BOTH | self._width.bit_length() - 1)
        self._io.write32(SOURCE, source)
        self._io.write32(DESTINATION, destination)
        self._io.write32(COUNT, self._items)
        self._io.write32(CONTROL, START | DONE_IRQ | ERROR_IRQ)

    def _stop(self) -> None:
        """Have the channel stop, and wait until it has: a burst may be under way."""
        self._io.write32(CONTROL, ABORT)
        until = self._cpu.time() + 40 / self._io.clock_hz + 20e-6
        while self._io.read32(STATUS) & BUSY and self._cpu.time() < until:
            pass
        self._io.write32(STATUS, FLAGS)
