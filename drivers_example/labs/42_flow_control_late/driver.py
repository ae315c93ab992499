"""Drive the radio modem's serial controller: with flow control by RTS."""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

RBR, IER, IIR, LCR, MCR, LSR = range(6)
THR, DLL, DLM, FCR = RBR, RBR, IER, IIR  # in the same places
LISTEN = 0x05  # received data, with line status
FIFO_FRESH, EIGHT_BITS, DLAB = 0x07, 0x03, 0x80
ONLINE, HOLD = 0x0B, 0x09  # DTR, OUT2, and RTS or not
READY, OVERRUN, FRAMING, BREAK, ROOM, IDLE = 0x01, 0x02, 0x08, 0x10, 0x20, 0x40
DEPTH, QUEUE_BYTES, LOW_WATER = 16, 16, 4


class Modem:
    """Serial driver, 8N1, that asks the far end to wait when its queue is full."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu = io, cpu
        self._received = bytearray()
        self._character_s, self._holding = 0.0, False

    def open(self, line: LineSettings) -> None:
        """Set the controller up, and listen."""
        divisor = round(self._io.clock_hz / (16 * line.baud))
        self._character_s = line.character_s
        self._put(LCR, EIGHT_BITS | DLAB)  # no handler yet, whatever IER holds
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        self._put(LCR, EIGHT_BITS)
        self._put(FCR, FIFO_FRESH)
        self._get(LSR)
        self._received.clear()
        self._holding = False
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
                part = bytes(self._received[: size - len(data)])
                del self._received[: len(part)]
                data += part
                if self._holding and len(self._received) <= LOW_WATER:
                    self._holding = False
                    self._put(MCR, ONLINE)
                if len(data) == size or left_s <= 0:
                    return data
                self._cpu.wait_for_interrupt(min(left_s, self._character_s * DEPTH))

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

    def _serve(self) -> None:
        """Take what there is; if more comes meanwhile, the interrupt comes again."""
        self._take_in()

    def _take_in(self) -> int:
        """Take all characters, count what went wrong, and return the last line status."""
        while (status := self._get(LSR)) & (READY | OVERRUN):
            self.errors.overrun += bool(status & OVERRUN)
            self.errors.breaks += bool(status & BREAK)
            self.errors.framing += status & (BREAK | FRAMING) == FRAMING
            if status & READY:
                self._keep(self._get(RBR))
        return status

    def _keep(self, byte: int) -> None:
        """Queue a byte or count it as lost, and let the far end know when it has to wait."""
        if len(self._received) < QUEUE_BYTES:
            self._received.append(byte)
        else:
            self.errors.overrun += 1
        if len(self._received) == QUEUE_BYTES:
            self._put(MCR, HOLD)
            self._holding = True

    def _get(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
