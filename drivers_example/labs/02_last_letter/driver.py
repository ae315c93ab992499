"""Drive the console's serial controller by polling, and put it to rest between two visitors."""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

DATA, STATUS, CONTROL, DIVISOR = 0x00, 0x04, 0x08, 0x0C
READY, ROOM, IDLE, LOST, BAD = 0x01, 0x02, 0x04, 0x08, 0x10
ENABLE = 0x01
LONGEST_CLOSE_CHARACTERS = 4


class Console:
    """Serial driver for a controller with one place each way."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._character_s = 0.0

    def open(self, line: LineSettings) -> None:
        """Set the rate, forget what is left over, and let characters in."""
        self._character_s = line.character_s
        self._io.write32(CONTROL, 0)
        self._io.write32(DIVISOR, round(self._io.clock_hz / (16 * line.baud)))
        self._io.read32(DATA)
        self._io.write32(STATUS, LOST | BAD)
        self._io.write32(CONTROL, ENABLE)

    def close(self) -> None:
        """Let what was written out, then stop the baud clock, which takes current."""
        self.drain(LONGEST_CLOSE_CHARACTERS * self._character_s)
        self._io.write32(CONTROL, 0)
        self._io.write32(DIVISOR, 0)

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
        while len(data) < size and self._wait_for(READY, until):
            data.append(self._io.read32(DATA) & 0xFF)
        return bytes(data)

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until all that was written is gone."""
        return self._wait_for(ROOM, self._until(timeout))

    def _wait_for(self, bit: int, until: float) -> bool:
        """Ask until a bit of STATUS is set; the last look comes after the time is up."""
        while True:
            late = self._cpu.time() >= until
            if self._look() & bit:
                return True
            if late:
                return False

    def _look(self) -> int:
        """Return STATUS, and count what it says was lost or came without a stop bit."""
        status = self._io.read32(STATUS)
        if status & (LOST | BAD):
            self._io.write32(STATUS, status & (LOST | BAD))
            self.errors.overrun += bool(status & LOST)
            self.errors.framing += bool(status & BAD)
        return status

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
