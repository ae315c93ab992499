"""Drive the radio modem's serial controller by interrupts, with a queue in each direction."""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

RBR, IER, IIR, LCR, MCR, LSR = range(6)
THR, DLL, DLM, FCR = RBR, RBR, IER, IIR  # in the same places
LISTEN, SEND = 0x05, 0x02  # received data with line status; transmitter empty
NOTHING = 0x01  # in IIR
FIFO_FRESH = 0x07
EIGHT_BITS, DLAB = 0x03, 0x80
ONLINE = 0x0B  # DTR, RTS and OUT2
READY, OVERRUN, FRAMING, BREAK, ROOM, IDLE = 0x01, 0x02, 0x08, 0x10, 0x20, 0x40
FIFO_BYTES, QUEUE_BYTES = 16, 64
PLACES = FIFO_BYTES + 1  # and the one that is being shifted out


class Modem:
    """Serial driver, 8N1, whose handler moves the characters."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._received, self._outgoing = bytearray(), bytearray()
        self._character_s = 0.0

    def open(self, line: LineSettings) -> None:
        """Silence the controller, set it up, and start to listen."""
        divisor = round(self._io.clock_hz / (16 * line.baud))
        self._character_s = line.character_s
        self._put(LCR, EIGHT_BITS | DLAB)
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        self._put(LCR, EIGHT_BITS)
        self._put(IER, 0)
        self._put(FCR, FIFO_FRESH)
        self._received, self._outgoing = bytearray(), bytearray()
        self._put(MCR, ONLINE)
        self._cpu.connect(self._io.irq, self._serve)
        self._put(IER, LISTEN | SEND)

    def close(self) -> None:
        """Let out what was accepted, then fall silent."""
        self.drain((len(self._outgoing) + 2 * PLACES) * self._character_s)
        self._put(IER, 0)
        self._cpu.disconnect(self._io.irq, self._serve)
        self._put(MCR, 0)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Queue what there is room for, which the handler sends, and wait for more room."""
        until, done = self._until(timeout), 0
        while True:
            left_s = until - self._cpu.time()
            with self._cpu.interrupts_masked():
                part = data[done : done + QUEUE_BYTES - len(self._outgoing)]
                self._outgoing += part
                done += len(part)
                if self._take_in() & ROOM:
                    self._feed()
                if done == len(data) or left_s <= 0:
                    return done
                self._cpu.wait_for_interrupt(min(left_s, self._character_s * PLACES))

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Take what was received, and wait for more."""
        until, data = self._until(timeout), b""
        while True:
            left_s = until - self._cpu.time()
            with self._cpu.interrupts_masked():
                part = bytes(self._received[: size - len(data)])
                del self._received[: len(part)]
                data += part
                if len(data) == size or left_s <= 0:
                    return data
                self._cpu.wait_for_interrupt(min(left_s, self._character_s * PLACES))

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left."""
        until = self._until(timeout)
        while True:
            late = self._cpu.time() >= until
            with self._cpu.interrupts_masked():
                if not self._outgoing and self._take_in() & IDLE:
                    return True
            if late:
                return False
            self._cpu.sleep(self._character_s / 2)

    def _serve(self) -> None:
        """Empty and fill the controller until it asks for nothing more."""
        while not self._io.read8(IIR * self._io.stride) & NOTHING:
            if self._take_in() & ROOM:
                self._feed()

    def _feed(self) -> None:
        """Fill the transmitter as far as it goes."""
        for byte in self._outgoing[:PLACES]:
            self._put(THR, byte)
        del self._outgoing[:PLACES]

    def _take_in(self) -> int:
        """Empty the receiver, count what went wrong, and return the last line status."""
        while (status := self._io.read8(LSR * self._io.stride)) & (READY | OVERRUN):
            self.errors.overrun += bool(status & OVERRUN)
            self.errors.breaks += bool(status & BREAK)
            self.errors.framing += status & (BREAK | FRAMING) == FRAMING
            if status & READY:
                self._received.append(self._io.read8(RBR * self._io.stride))
        return status

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
