"""Drive the radio modem's serial controller: receive by interrupts, send by hand."""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

RBR, IER, IIR, LCR, MCR, LSR = range(6)
THR, DLL, DLM, FCR = RBR, RBR, IER, IIR  # in the same places
LISTEN = 0x05  # received data, with line status
NOTHING, FIFO_FRESH = 0x01, 0x07  # in IIR; in FCR
EIGHT_BITS, DLAB, ONLINE = 0x03, 0x80, 0x0B
READY, OVERRUN, FRAMING, BREAK, ROOM, IDLE = 0x01, 0x02, 0x08, 0x10, 0x20, 0x40
DEPTH, RING_BYTES, LONGEST_WAIT_S = 16, 32, 1.0


class Modem:
    """Serial driver, 8N1, with a ring that the handler fills and read empties."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu = io, cpu
        self._ring = bytearray(RING_BYTES)
        self._head = self._tail = self._count = 0
        self._character_s = 0.0

    def open(self, line: LineSettings) -> None:
        """Set the controller up, and listen."""
        divisor = round(self._io.clock_hz / (16 * line.baud))
        self._character_s = line.character_s
        self._put(LCR, EIGHT_BITS | DLAB)  # no handler yet, whatever IER holds
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        self._put(LCR, EIGHT_BITS)
        self._put(FCR, FIFO_FRESH)
        self._head = self._tail = self._count = 0
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
        """Send, one byte whenever there is room."""
        until = self._until(timeout)
        for done, byte in enumerate(data):
            if not self._wait_for(ROOM, until):
                return done
            self._put(THR, byte)
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Take what was received, and wait for more."""
        until, data = self._until(timeout), bytearray()
        while True:
            left_s = until - self._cpu.time()
            data += self._take(size - len(data))
            if len(data) == size or left_s <= 0:
                return bytes(data)
            with self._cpu.interrupts_masked():
                if not self._count:
                    self._cpu.wait_for_interrupt(min(left_s, LONGEST_WAIT_S))

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
        """Empty the receiver until it asks for nothing more."""
        while not self._io.read8(IIR * self._io.stride) & NOTHING:
            self._take_in()

    def _take_in(self) -> int:
        """Empty the receiver, count what went wrong, and return the last line status."""
        while (status := self._io.read8(LSR * self._io.stride)) & (READY | OVERRUN):
            self.errors.overrun += bool(status & OVERRUN)
            self.errors.breaks += bool(status & BREAK)
            self.errors.framing += status & (BREAK | FRAMING) == FRAMING
            if status & READY:
                self._keep(self._io.read8(RBR * self._io.stride))
        return status

    def _keep(self, byte: int) -> None:
        """Lay a byte into the ring; what finds no room is counted as lost."""
        if self._count == RING_BYTES:
            self.errors.overrun += 1
            return
        self._ring[self._head] = byte
        self._head = (self._head + 1) % RING_BYTES
        self._count += 1

    def _take(self, size: int) -> bytes:
        """Take the oldest bytes out of the ring, `size` of them if there are so many."""
        taken = min(size, self._count)
        left = self._count - taken
        part = bytes(self._ring[(self._tail + at) % RING_BYTES] for at in range(taken))
        self._tail = (self._tail + taken) % RING_BYTES
        self._count = left
        return part

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout
