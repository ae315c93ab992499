"""Drive the radio modem's serial controller by polling, and sleep between two looks."""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

RBR = THR = DLL = 0
IER = DLM = 1
FCR, LCR, MCR, LSR = 2, 3, 4, 5
EIGHT_BITS, DLAB = 0x03, 0x80
FIFO_FRESH = 0x07
ONLINE = 0x0B  # DTR, RTS and OUT2
READY, OVERRUN, PARITY, FRAMING, BREAK, ROOM, IDLE = (1 << bit for bit in range(7))
LOOKS_PER_CHARACTER = 2
LONGEST_CLOSE_CHARACTERS = 20


class Modem:
    """Serial driver, 8N1, for a processor that has other work while it waits."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._character_s = 0.0

    def open(self, line: LineSettings) -> None:
        """Set the rate, empty the FIFOs, and go online."""
        self._character_s = line.character_s
        divisor = round(self._io.clock_hz / (16 * line.baud))
        self._put(IER, 0)
        self._put(LCR, EIGHT_BITS | DLAB)
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        self._put(LCR, EIGHT_BITS)
        self._put(FCR, FIFO_FRESH)
        self._look()
        self._put(MCR, ONLINE)

    def close(self) -> None:
        """Let the last character out, and hang up."""
        self.drain(LONGEST_CLOSE_CHARACTERS * self._character_s)
        self._put(MCR, 0)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Send, one byte whenever there is room."""
        until = self._until(timeout)
        for done, byte in enumerate(data):
            if not self._wait_for(ROOM, until):
                return done
            self._put(THR, byte)
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Receive, one byte whenever there is one."""
        until = self._until(timeout)
        data = bytearray()
        while len(data) < size and self._wait_for(READY, until):
            data.append(self._io.read8(RBR * self._io.stride))
        return bytes(data)

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left."""
        return self._wait_for(IDLE, self._until(timeout))

    def _wait_for(self, bit: int, until: float) -> bool:
        """Look, and sleep, and look again until a bit of LSR is set or the time is up."""
        nap_s = self._character_s / LOOKS_PER_CHARACTER
        while not self._look() & bit:
            self._cpu.sleep(nap_s)
            if self._cpu.time() >= until:
                return False
        return True

    def _look(self) -> int:
        """Return LSR, and count the errors that this look takes away."""
        status = self._io.read8(LSR * self._io.stride)
        self.errors.overrun += bool(status & OVERRUN)
        self.errors.breaks += bool(status & BREAK)
        if not status & BREAK:
            self.errors.parity += bool(status & PARITY)
            self.errors.framing += bool(status & FRAMING)
        return status

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
