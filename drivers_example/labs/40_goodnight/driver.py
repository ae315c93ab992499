"""Move the tide log with the DMA engine, and leave everything quiet when the station closes."""

from __future__ import annotations

from collections.abc import Sequence

from emu import Cpu, Window

CONTROL, CONFIG, SOURCE, DESTINATION, COUNT, STATUS, LEFT = range(0, 28, 4)
START, ABORT, DONE_IRQ, ERROR_IRQ = 0x01, 0x02, 0x20, 0x40  # of CONTROL
BOTH_IRQS = DONE_IRQ | ERROR_IRQ
STEP_BOTH = 0x0C  # of CONFIG
BUSY, DONE, ERROR, FLAGS = 0x01, 0x04, 0x08, 0xF3E  # of STATUS


def width_of(source: int, destination: int, size: int) -> int:
    """Return the widest item, in bytes, that addresses and size allow."""
    return next(one for one in (4, 2, 1) if not (source | destination | size) % one)


class SleepyMover:
    """Move bytes with channel 0 of the engine, which interrupts at the end."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._running = False
        self._items, self._width, self._moved = 0, 1, 0  # of what was begun last

    def open(self) -> None:
        """Silence the channel, from whatever state it is in."""
        self._running, self._moved = False, 0
        self._stop()
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """End what is under way and let go of the interrupt."""
        self._cpu.disconnect(self._io.irq, self._serve)
        self._io.write32(STATUS, FLAGS)
        self._halt()

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
        self._moved, self._width = 0, width_of(source, destination, size)
        self._items = size // self._width
        if self._items:
            self._io.write32(CONFIG, STEP_BOTH | self._width.bit_length() - 1)
            self._io.write32(SOURCE, source)
            self._io.write32(DESTINATION, destination)
            self._io.write32(COUNT, self._items)
            self._running = True
            self._io.write32(CONTROL, START | BOTH_IRQS)
        return True

    def done(self) -> bool:
        """Return whether nothing is being moved."""
        return not self._running

    def abort(self) -> int:
        """End what was begun; return how many bytes of it were moved."""
        with self._cpu.interrupts_masked():
            self._stop()
            if self._running:
                self._end()
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
        """Acknowledge what the engine tells, and end what it has ended."""
        status = self._io.read32(STATUS)
        self._io.write32(STATUS, status & FLAGS)
        if self._running and status & (DONE | ERROR):
            self._end()

    def _end(self) -> None:
        """Count what was moved; nothing is under way any more."""
        self._moved = (self._items - self._io.read32(LEFT)) * self._width
        self._running = False

    def _stop(self) -> None:
        """Have the channel stop, and forget what it has said."""
        self._halt()
        self._io.write32(STATUS, FLAGS)

    def _halt(self) -> None:
        """Have the channel stop, and wait until it has: a burst may be under way."""
        self._io.write32(CONTROL, ABORT | BOTH_IRQS)
        until = self._cpu.time() + 40 / self._io.clock_hz + 20e-6
        while self._io.read32(STATUS) & BUSY and self._cpu.time() < until:
            pass
