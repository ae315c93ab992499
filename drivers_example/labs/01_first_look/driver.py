"""Drive the console's serial controller by polling: ask the status, then move one byte."""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

DATA, STATUS, CONTROL, DIVISOR = 0x00, 0x04, 0x08, 0x0C
READY, ROOM, IDLE, LOST, BAD = 0x01, 0x02, 0x04, 0x08, 0x10
ENABLE = 0x01


class Console:
    """Serial driver for a controller with one place each way."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu

    def open(self, line: LineSettings) -> None:
        """Set the rate, forget what is left over, and let characters in."""
        self._io.write32(CONTROL, 0)
        self._io.write32(DIVISOR, 0)
        self._io.write32(DIVISOR, round(self._io.clock_hz / (16 * line.baud)))
        self._io.read32(DATA)
        self._io.write32(STATUS, LOST | BAD)
        self._io.write32(CONTROL, ENABLE)

    def close(self) -> None:
        """Let the last character out, and let none in."""
        self.drain(0.005)
        self._io.write32(CONTROL, 0)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Send, one byte whenever there is room."""
        until = self._until(timeout)
        for done, byte in enumerate(data):
            if not self._wait_for(ROOM, until):
                return done
            self._io.write32(DATA, byte)
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Receive, one byte whenever there is one."""
        until = self._until(timeout)
        data = bytearray()
        while len(data) < size and self._cpu.time() < until:
            data.append(self._io.read32(DATA))
        return bytes(data)

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left."""
        return self._wait_for(IDLE, self._until(timeout))

    def _wait_for(self, bit: int, until: float) -> bool:
        """Ask until a bit of STATUS is set; the last look comes after the time is up."""
        while True:
            late = self._cpu.time() >= until
            status = self._io.read32(STATUS)
            if status & (LOST | BAD):
                self._io.write32(STATUS, status & (LOST | BAD))
                self.errors.overrun += bool(status & LOST)
                self.errors.framing += bool(status & BAD)
            if status & bit:
                return True
            if late:
                return False

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
