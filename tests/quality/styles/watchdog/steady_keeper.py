"""A watchdog driver that lets one that runs go on where it can: a new window comes with a feed.

The first key of the next feed follows each feed at once, so that a feed is one write.
"""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, TIMEOUT, OPENS, FEED, STATUS, COUNT, CAUSE, RESET = range(0, 0x20, 4)
ENABLE, LOCK, OPEN, HALF_FED = 0x01, 0x02, 0x01, 0x02
FIRST, SECOND = 0xEBB0, 0xF10D


class SteadyKeeper:
    """Guard with one watchdog."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._causes = 0

    def open(self) -> None:
        """Stop it, and take the causes."""
        self._io.write32(CONTROL, 0)
        self._causes = self._io.read32(CAUSE)
        self._io.write32(CAUSE, self._causes)

    def close(self) -> None:
        """Stop it."""
        self._io.write32(CONTROL, 0)

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        """Write the window, and let it count from 0 with a feed, or by starting it."""
        if not 1 <= timeout <= 0xFFFF_FFFF or not 0 <= opens < timeout:
            raise ValueError(timeout, opens)
        with self._cpu.interrupts_masked():
            if self._io.read32(CONTROL) & LOCK:
                return False
            self._io.write32(TIMEOUT, timeout)
            self._io.write32(OPENS, opens)
            if not self._fed():
                self._io.write32(CONTROL, 0)
                self._io.write32(CONTROL, ENABLE)
            if locked:
                self._io.write32(CONTROL, ENABLE | LOCK)
        return True

    def feed(self) -> bool:
        """Feed it if its window is open."""
        with self._cpu.interrupts_masked():
            return self._fed()

    def causes(self) -> frozenset[str]:
        """Tell what `open` has taken."""
        names = {0: "power-on", 2: "software", 8: "late", 9: "early", 10: "wrong-key"}
        return frozenset(names[bit] for bit in names if self._causes & 1 << bit)

    def restart(self) -> None:
        """Reset the board."""
        self._io.write32(RESET, 0xB007)

    def _fed(self) -> bool:
        state = self._io.read32(STATUS)
        if not state & OPEN:
            return False
        if not state & HALF_FED:
            self._io.write32(FEED, FIRST)
        self._io.write32(FEED, SECOND)
        self._io.write32(FEED, FIRST)
        return True
