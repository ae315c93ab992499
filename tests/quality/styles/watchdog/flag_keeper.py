"""A watchdog driver that masks nothing: who finds another task at it leaves it to that one.

The flag is up before the state is looked at, so a feed that came in between has shut the window.
"""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, TIMEOUT, OPENS, FEED, STATUS, COUNT, CAUSE, RESET = (4 * number for number in range(8))
NAMES = {1: "power-on", 4: "software", 0x100: "late", 0x200: "early", 0x400: "wrong-key"}


class FlagKeeper:
    """Guard with one watchdog."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._feeding = False
        self._found = 0

    def open(self) -> None:
        """Take the causes, and stop it."""
        self._feeding = False
        self._found = self._io.read32(CAUSE)
        self._io.write32(CAUSE, self._found)
        self._stop()

    def close(self) -> None:
        """Stop it."""
        self._stop()

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        """Set it up, and read back what came of it."""
        if not (0 < timeout < 2**32 and 0 <= opens < timeout):
            raise ValueError("no such window")
        if not self._stop():
            return False
        self._io.write32(OPENS, opens)
        self._io.write32(TIMEOUT, timeout)
        self._io.write32(CONTROL, 3 if locked else 1)
        return (self._io.read32(TIMEOUT), self._io.read32(OPENS)) == (timeout, opens)

    def feed(self) -> bool:
        """Feed it, unless somebody is at it."""
        if self._feeding:
            return False
        self._feeding = True
        try:
            state = self._io.read32(STATUS)
            if state & 1:
                for key in (0xEBB0, 0xF10D)[bool(state & 2) :]:
                    self._io.write32(FEED, key)
            return bool(state & 1)
        finally:
            self._feeding = False

    def causes(self) -> frozenset[str]:
        """Name them when they are asked for."""
        return frozenset(name for bit, name in NAMES.items() if self._found & bit)

    def restart(self) -> None:
        """Reset the board."""
        with self._cpu.interrupts_masked():
            self._io.write32(RESET, 0xB007)

    def _stop(self) -> bool:
        """Stop it, and say whether it stands still."""
        if self._io.read32(CONTROL) & 1:
            self._io.write32(CONTROL, 0)
        return not self._io.read32(CONTROL) & 3
