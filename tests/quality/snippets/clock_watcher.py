"""A watchdog driver that looks at the clock and never at STATUS: when to feed follows from that.

What it does not know of the watchdog it reads once, when it is opened and finds it locked. It
counts from the end of a feed on, so by its own clock the window opens a little late, never early.
"""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, TIMEOUT, OPENS, FEED, STATUS, COUNT, CAUSE, RESET = range(0, 0x20, 4)
ENABLE, LOCK = 0x01, 0x02
FIRST_KEY, SECOND_KEY, RESET_KEY = 0xEBB0, 0xF10D, 0xB007
NAMES = (("power-on", 0), ("software", 2), ("late", 8), ("early", 9), ("wrong-key", 10))


class ClockWatcher:
    """Keep time beside one watchdog."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._opens_s: float | None = None  # from the last feed until it may be fed again
        self._fed_s = 0.0
        self._cause = 0

    def open(self) -> None:
        """Keep the causes as they are read, and stop it, or find out when it may be fed."""
        self._cause = self._io.read32(CAUSE)
        self._io.write32(CAUSE, self._cause)
        self._io.write32(CONTROL, 0)
        self._opens_s = None
        if self._io.read32(CONTROL) & ENABLE:
            with self._cpu.interrupts_masked():
                self._opens_s = self._seconds(self._io.read32(OPENS))
                waited_s = self._seconds(self._io.read32(COUNT))
                self._fed_s = self._cpu.time() - waited_s

    def close(self) -> None:
        """Stop it, and forget about it."""
        self._io.write32(CONTROL, 0)
        self._opens_s = None

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        """Begin to guard; the lock comes last."""
        if timeout < 1 or timeout >> 32 or not 0 <= opens < timeout:
            raise ValueError(f"no window from {opens} to {timeout} can be made")
        if self._io.read32(CONTROL) & LOCK:
            return False
        with self._cpu.interrupts_masked():
            for register, value in ((CONTROL, 0), (OPENS, opens), (TIMEOUT, timeout)):
                self._io.write32(register, value)
            self._io.write32(CONTROL, ENABLE)
            if locked:
                self._io.write32(CONTROL, ENABLE | LOCK)
            self._fed_s, self._opens_s = self._cpu.time(), self._seconds(opens)
        return True

    def feed(self) -> bool:
        """Feed it, unless by its own clock it is too early, or nothing is guarded."""
        with self._cpu.interrupts_masked():
            if self._opens_s is None:
                return False
            if self._opens_s and self._cpu.time() < self._fed_s + self._opens_s + self._seconds(1):
                return False
            for key in (FIRST_KEY, SECOND_KEY):
                self._io.write32(FEED, key)
            self._fed_s = self._cpu.time()
            return True

    def causes(self) -> frozenset[str]:
        """Name what was kept."""
        return frozenset(name for name, bit in NAMES if self._cause >> bit & 1)

    def restart(self) -> None:
        """Reset the board, and do nothing more until it comes."""
        self._io.write32(RESET, RESET_KEY)
        while True:
            self._cpu.work(100)

    def _seconds(self, ticks: int) -> float:
        return ticks / self._io.clock_hz
