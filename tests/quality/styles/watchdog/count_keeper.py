"""A watchdog driver that compares COUNT with OPENS, and feeds an open one by starting it again.

One that is not locked it never gives a key: stopped and started, it counts from 0 as well.
"""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, TIMEOUT, OPENS, FEED, STATUS, COUNT, CAUSE, RESET = range(0x00, 0x20, 0x04)
ENABLE, LOCK = 1 << 0, 1 << 1
BITS = {"power-on": 0, "software": 2, "late": 8, "early": 9, "wrong-key": 10}


class CountKeeper:
    """Guard with one watchdog."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._causes: set[str] = set()

    def open(self) -> None:
        """Take the causes one by one, and stop it."""
        self._io.write32(CONTROL, 0)
        found = self._io.read32(CAUSE)
        self._causes = {name for name, bit in BITS.items() if found >> bit & 1}
        for bit in range(11):
            if found >> bit & 1:
                self._io.write32(CAUSE, 1 << bit)

    def close(self) -> None:
        """Stop it."""
        self._io.write32(CONTROL, 0)

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        """Set it up, start it, and lock it at the end."""
        if timeout not in range(1, 1 << 32) or opens not in range(timeout):
            raise ValueError(f"{timeout} ticks, open from {opens}")
        if self._io.read32(CONTROL) & LOCK:
            return False
        for register, value in ((CONTROL, 0), (TIMEOUT, timeout), (OPENS, opens), (CONTROL, 1)):
            self._io.write32(register, value)
        if locked:
            self._io.write32(CONTROL, ENABLE | LOCK)
        return True

    def feed(self) -> bool:
        """Let it count from 0 if it has come so far."""
        with self._cpu.interrupts_masked():
            control = self._io.read32(CONTROL)
            if not control & ENABLE or self._io.read32(COUNT) < self._io.read32(OPENS):
                return False
            if control & LOCK:
                self._io.write32(FEED, 0xEBB0)
                self._io.write32(FEED, 0xF10D)
            else:
                self._io.write32(CONTROL, 0)
                self._io.write32(CONTROL, ENABLE)
        return True

    def causes(self) -> frozenset[str]:
        """Tell them."""
        return frozenset(self._causes)

    def restart(self) -> None:
        """Reset the board, and tidy up, which comes to nothing."""
        try:
            self._io.write32(RESET, 0xB007)
        finally:
            self.close()
