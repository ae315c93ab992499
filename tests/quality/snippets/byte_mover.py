"""A copy driver without interrupts: byte after byte by one channel, looked at when it is asked.

It makes no use of descriptors, words or its handler, so nothing of that may be asked of a driver.
What is begun in the background goes on only when somebody asks whether it is done.
"""

from __future__ import annotations

from collections.abc import Sequence

from emu import Cpu, Window

CONTROL, CONFIG, SOURCE, DESTINATION, COUNT, STATUS, LEFT = range(0, 28, 4)
CHANNEL, OTHERS = 0x80, (0x00, 0x40, 0xC0)
START, ABORT, BUSY, ERROR, FLAGS = 0x01, 0x02, 0x01, 0x08, 0xF3E
BYTES, MOST = 0x0C, 60_000


class ByteMover:
    """Move bytes with the third channel."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._rest = (0, 0, 0)  # source, destination and size of what is not programmed yet
        self._leg = self._moved = 0  # bytes that are programmed, and those that were moved

    def open(self) -> None:
        """Stop all channels."""
        self._rest, self._leg, self._moved = (0, 0, 0), 0, 0
        for channel in (CHANNEL, *OTHERS):
            self._stop(channel)

    def close(self) -> None:
        """Stop."""
        self.abort()

    def copy(self, source: int, destination: int, size: int, timeout: float | None = None) -> int:
        """Ask again and again until it is done."""
        until = None if timeout is None else self._cpu.time() + timeout
        self.start(source, destination, size)
        while not self.done():
            if until is not None and self._cpu.time() >= until:
                break
            self._cpu.work(20)
        return self.abort()

    def chain(self, pieces: Sequence[tuple[int, int, int]], timeout: float | None = None) -> int:
        """Copy the pieces one by one, up to the first that does not work out."""
        until = None if timeout is None else self._cpu.time() + timeout
        moved = 0
        for source, destination, size in pieces:
            left = None if until is None else max(0.0, until - self._cpu.time())
            count = self.copy(source, destination, size, left)
            moved += count
            if count < size:
                break
        return moved

    def start(self, source: int, destination: int, size: int) -> bool:
        """Program the first leg."""
        if not self.done():
            return False
        self._rest, self._moved = (source, destination, size), 0
        self._go_on()
        return True

    def done(self) -> bool:
        """Look whether the leg has ended, and program the next."""
        if not self._leg:
            return True
        status = self._io.read32(CHANNEL + STATUS)
        if status & BUSY:
            return False
        self._count()
        if status & ERROR:
            self._rest = (0, 0, 0)
        self._io.write32(CHANNEL + STATUS, FLAGS)
        self._go_on()
        return not self._leg

    def abort(self) -> int:
        """Stop, and count what was moved."""
        if self._leg:
            self._stop(CHANNEL)
            self._count()
        self._rest = (0, 0, 0)
        return self._moved

    def _go_on(self) -> None:
        source, destination, size = self._rest
        self._leg = leg = min(size, MOST)
        self._rest = (source + leg, destination + leg, size - leg)
        if leg:
            self._io.write32(CHANNEL + CONFIG, BYTES)
            self._io.write32(CHANNEL + SOURCE, source)
            self._io.write32(CHANNEL + DESTINATION, destination)
            self._io.write32(CHANNEL + COUNT, leg)
            self._io.write32(CHANNEL + CONTROL, START)

    def _count(self) -> None:
        self._moved += self._leg - min(self._leg, self._io.read32(CHANNEL + LEFT))
        self._leg = 0

    def _stop(self, channel: int) -> None:
        self._io.write32(channel + CONTROL, ABORT)
        for _ in range(2000):
            if not self._io.read32(channel + STATUS) & BUSY:
                break
            self._cpu.work(10)
        self._io.write32(channel + STATUS, FLAGS)
