"""Drive the radio modem's serial controller: the handler receives, read waits for it."""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

RBR, IER, IIR, LCR, MCR, LSR = range(6)
THR, DLL, DLM, FCR = RBR, RBR, IER, IIR  # in the same places
LISTEN = 0x05  # received data, with line status
NOTHING = 0x01  # in IIR
FIFO_FRESH, TRIGGER_8 = 0x07, 0x80
EIGHT_BITS, DLAB = 0x03, 0x80
ONLINE = 0x0B  # DTR, RTS and OUT2
READY, OVERRUN, FRAMING, BREAK, ROOM, IDLE = 0x01, 0x02, 0x08, 0x10, 0x20, 0x40
DEPTH, LONGEST_WAIT_S = 16, 1.0


class Modem:
    """Serial driver, 8N1, that sleeps while it has nothing to do."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._received = bytearray()
        self._character_s = 0.0

    def open(self, line: LineSettings) -> None:
        """Set the controller up, and listen."""
        divisor = round(self._io.clock_hz / (16 * line.baud))
        self._character_s = line.character_s
        self._put(LCR, EIGHT_BITS | DLAB)  # no handler yet, whatever IER holds
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        self._put(LCR, EIGHT_BITS)
        self._put(FCR, FIFO_FRESH | TRIGGER_8)
        self._get(LSR)
        self._received.clear()
        self._cpu.connect(self._io.irq, self._serve)
        self._put(IER, LISTEN)
        self._put(MCR, ONLINE)

    def close(self) -> None:
        """Let out what was accepted, then fall silent."""
        self.drain(2 * DEPTH * self._character_s)
        self._put(IER, 0)
        self._cpu.disconnect(self._io.irq, self._serve)
        self._put(MCR, 0)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Send, as many bytes as the FIFO takes whenever it is empty."""
        until = self._until(timeout)
        for done in range(0, len(data), DEPTH):
            if not self._wait_for(ROOM, until):
                return done
            for byte in data[done : done + DEPTH]:
                self._put(THR, byte)
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Take what was received, and wait for more."""
        until, data = self._until(timeout), b""
        while True:
            left_s = until - self._cpu.time()
            with self._cpu.interrupts_masked():
                if not self._is_ready() and left_s > 0:
                    self._cpu.wait_for_interrupt(min(left_s, LONGEST_WAIT_S))
            with self._cpu.interrupts_masked():
                part = bytes(self._received[: size - len(data)])
                del self._received[: len(part)]
            data += part
            if len(data) == size or left_s <= 0:
                return data

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left."""
        return self._wait_for(IDLE, self._until(timeout))

    def _wait_for(self, bit: int, until: float) -> bool:
        """Look until a bit of LSR is set; the last look comes after the time is up."""
        while True:
            late = self._cpu.time() >= until
            with self._cpu.interrupts_masked():
                if self._take_in() & bit:
                    return True
            if late:
                return False
            self._cpu.sleep(self._character_s / 2)

    def _is_ready(self) -> bool:
        """Say whether something has come in."""
        return bool(self._look() & READY)

    def _serve(self) -> None:
        """Empty the receiver until it asks for nothing more."""
        while not self._get(IIR) & NOTHING:
            self._take_in()

    def _take_in(self) -> int:
        """Take all characters, and return the last line status."""
        while (status := self._look()) & READY:
            self._received.append(self._get(RBR))
        return status

    def _look(self) -> int:
        """Return the line status, and count the errors that the look takes away."""
        status = self._get(LSR)
        self.errors.overrun += bool(status & OVERRUN)
        self.errors.breaks += bool(status & BREAK)
        self.errors.framing += status & (BREAK | FRAMING) == FRAMING
        return status

    def _get(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
