"""A driver of clocks in another style: it never reads CLOCK or RELEASE, and keeps copies of both.

It stops everything when it is opened, lets go of reset lines once and for all, so that a stopped
block keeps what it holds, and waits with interrupts masked. Nothing of that may be asked of a
driver, or held against one.
"""

from __future__ import annotations

from collections import Counter

from emu import Cpu, Window

CLOCK, RELEASE, READY = 0x00, 0x04, 0x08
PATIENCE_S = 1.0


class ShadowGate:
    """Let blocks run by copies of the registers."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._users: Counter[int] = Counter()
        self._clocks = self._released = 0

    def open(self) -> None:
        """Stop everything."""
        self.close()

    def close(self) -> None:
        """Stop everything."""
        self._users.clear()
        self._clocks = self._released = 0
        self._write()

    def enable(self, block: int, timeout: float | None = None) -> bool:
        """Start it if nobody has; wait in any case."""
        self._check(block, 0)
        with self._cpu.interrupts_masked():
            self._clocks |= 1 << block
            self._released |= 1 << block
            self._write()
            if self._wait(block, timeout):
                self._users[block] += 1
                return True
            if not self._users[block]:
                self._clocks &= ~(1 << block)
                self._write()
            return False

    def disable(self, block: int) -> None:
        """Stop the clock alone."""
        with self._cpu.interrupts_masked():
            self._check(block, 1)
            self._users[block] -= 1
            if self._users[block] < 1:
                self._clocks &= ~(1 << block)
                self._write()

    def reset(self, block: int, timeout: float | None = None) -> bool:
        """Stop the block, hold its reset line, and start it again."""
        with self._cpu.interrupts_masked():
            self._check(block, 1)
            self._io.write32(RELEASE, self._released & ~(1 << block))
            self._cpu.work(50)
            self._write()
            return self._wait(block, timeout)

    def _write(self) -> None:
        self._io.write32(RELEASE, self._released)
        self._io.write32(CLOCK, self._clocks)

    def _wait(self, block: int, timeout: float | None) -> bool:
        until = self._cpu.time() + (PATIENCE_S if timeout is None else timeout)
        while not self._io.read32(READY) >> block & 1:
            if self._cpu.time() > until:
                return bool(self._io.read32(READY) >> block & 1)
        return True

    def _check(self, block: int, users: int) -> None:
        if block not in range(32) or self._users[block] < users:
            raise ValueError(block)
