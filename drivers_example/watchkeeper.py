"""A driver that guards a board with the watchdog, so that a program that hangs is started again.

What it takes care of:

* it is stopped before its window is written, which would count from the next feed on otherwise;
* the lock comes with ENABLE, after everything that it fixes;
* look and keys are one masked stretch, since another task's keys in between would reset the board;
* a first key that has been written already is not written again;
* what is read of CAUSE is written back at once, so that each reset is told once.
"""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, TIMEOUT, OPENS, FEED, STATUS, COUNT, CAUSE, RESET = range(0, 0x20, 4)
ENABLE, LOCK = 0x01, 0x02
OPEN, HALF_FED = 0x01, 0x02
FIRST_KEY, SECOND_KEY, RESET_KEY = 0xEBB0, 0xF10D, 0xB007
LONGEST = 2**32 - 1
CAUSES = {0x01: "power-on", 0x04: "software", 0x100: "late", 0x200: "early", 0x400: "wrong-key"}


class Watchkeeper:
    """Keep watch with one watchdog."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._causes: frozenset[str] = frozenset()

    def open(self) -> None:
        """Stop it, which a locked one ignores, and take the causes out of it."""
        self._io.write32(CONTROL, 0)
        cause = self._io.read32(CAUSE)
        self._io.write32(CAUSE, cause)
        self._causes = frozenset(name for bit, name in CAUSES.items() if cause & bit)

    def close(self) -> None:
        """Stop it, which a locked one ignores."""
        self._io.write32(CONTROL, 0)

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        """Begin to guard, from 0."""
        if not (1 <= timeout <= LONGEST and 0 <= opens < timeout):
            raise ValueError(f"{timeout} ticks, open from {opens}: 1 to {LONGEST} can be made")
        self._io.write32(CONTROL, 0)
        if self._io.read32(CONTROL) & LOCK:
            return False
        self._io.write32(TIMEOUT, timeout)
        self._io.write32(OPENS, opens)
        self._io.write32(CONTROL, ENABLE | (LOCK if locked else 0))
        return True

    def feed(self) -> bool:
        """Feed it if its window is open."""
        with self._cpu.interrupts_masked():
            status = self._io.read32(STATUS)
            if not status & OPEN:
                return False
            if not status & HALF_FED:
                self._io.write32(FEED, FIRST_KEY)
            self._io.write32(FEED, SECOND_KEY)
            return True

    def causes(self) -> frozenset[str]:
        """Return what `open` found."""
        return self._causes

    def restart(self) -> None:
        """Reset the board."""
        self._io.write32(RESET, RESET_KEY)
