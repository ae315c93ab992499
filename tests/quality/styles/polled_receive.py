"""Poll the receiver, let the transmitter interrupt: for a processor with little to do but wait.

Every call that waits looks at LSR a few times in the time that a FIFO lasts, and takes what is
there; between calls the FIFO has to hold what arrives. The handler knows one cause, the empty
transmitter. It shares nothing but the transmit queue, so only that is touched with interrupts
masked, together with the look at LSR that says that there is room.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

RBR = THR = DLL = 0
IER = DLM = 1
IIR = FCR = 2
LCR, MCR, LSR = 3, 4, 5
PARITY_CODES = {"none": 0, "odd": 1, "even": 3, "mark": 5, "space": 7}
DATA, OVERRUN, PARITY, FRAMING, BREAK, ROOM, IDLE = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x40
ROOM_INTERRUPT = 0x02  # in IER and as a cause in IIR
GONE = 0xFF
BUFFER_BYTES, QUEUE_BYTES = 1024, 1024


class PolledReceive:
    """Serial driver that polls one way and is interrupted the other."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu = io, cpu
        self._buffer, self._queue = bytearray(), bytearray()
        self._up = self._taking = self._listening = self._lossy = False
        self._depth, self._useless, self._lcr, self._character_s = 1, 0, 0x03, 0.0

    def open(self, line: LineSettings) -> None:
        exact = self._io.clock_hz / (16 * line.baud)
        divisor = min(max(round(exact), 1), 0xFFFF)
        if abs(divisor / exact - 1) > 0.03:
            raise ValueError(f"{line.baud} baud is out of reach of {self._io.clock_hz} Hz")
        self.close()
        self._character_s = line.character_s
        self._lcr = PARITY_CODES[line.parity] << 3 | (line.stop_bits > 1) << 2 | line.data_bits - 5
        self._calm_down()
        late = self._cpu.time() + 0.2
        while not self._program(divisor) and self._cpu.time() < late:
            self._cpu.sleep(0.001)
        self._buffer.clear()
        with self._cpu.interrupts_masked():
            self._queue.clear()
            self._up, self._taking, self._lossy, self._useless = True, True, False, 0
            self._listen(True)

    def close(self) -> None:
        self._taking, before = False, -1
        while self._up and not self.drain((2 * self._depth + 4) * self._character_s + 0.05):
            if before == len(self._queue):
                break  # nothing moves any more
            before = len(self._queue)
        with self._cpu.interrupts_masked():
            if self._up:
                self._look()
                self._queue.clear()
                self._write(FCR, 0x05)
                self._keep_writing(IER, 0)
                self._keep_writing(MCR, 0)
                self._listen(False)
                self._up = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        taken = 0

        def all_taken() -> bool:
            nonlocal taken
            with self._cpu.interrupts_masked():
                part = data[taken : taken + QUEUE_BYTES - len(self._queue)] if self._taking else b""
                self._queue += part
                taken += len(part)
                if part:
                    self._feed(0)
            return taken == len(data) or not self._taking

        self._poll(all_taken, timeout)
        return taken

    def read(self, size: int, timeout: float | None = None) -> bytes:
        wanted = min(size, BUFFER_BYTES // 2)
        self._poll(lambda: len(self._buffer) >= wanted, timeout)
        part = bytes(self._buffer[:size])
        del self._buffer[: len(part)]
        return part

    def drain(self, timeout: float | None = None) -> bool:
        def gone() -> bool:
            with self._cpu.interrupts_masked():
                return not self._queue and bool(self._look() & IDLE)

        return self._poll(gone, timeout)

    def _poll(self, done: Callable[[], bool], timeout: float | None) -> bool:
        """Look after the receiver until `done`; the last look comes when the time is over."""
        deadline = math.inf if timeout is None else self._cpu.time() + timeout
        nap_s = max(self._depth / 4, 0.5) * self._character_s
        while self._up:
            left = deadline - self._cpu.time()
            self._look()
            if done():
                return True
            if left <= 0:
                return False
            self._cpu.sleep(min(left, nap_s))
        return False

    def _look(self) -> int:
        """Take what has arrived, help the transmitter on, and return the line status."""
        with self._cpu.interrupts_masked():
            if not self._up:
                return 0
            status = self._take_all()
            if status & ROOM and self._queue:
                self._feed(status)  # its interrupt is on the way, or was lost
        return status

    # Transmitter: in the handler, or with interrupts masked

    def _handle(self) -> None:
        self._useless += 1
        with suppress(BusError):
            if self._read(IIR) & 0x0F == ROOM_INTERRUPT:
                self._feed(ROOM)
        if self._useless > 40:
            self._listen(False)  # stuck; from now on polling has to do

    def _feed(self, status: int) -> None:
        for byte in bytes(self._queue[: self._depth]) if status & ROOM else b"":
            self._write(THR, byte)
            del self._queue[0]
            self._useless = 0
        self._write(IER, ROOM_INTERRUPT if self._queue else 0)

    def _listen(self, on: bool) -> None:
        if on != self._listening:
            self._listening = on
            (self._cpu.connect if on else self._cpu.disconnect)(self._io.irq, self._handle)

    # Receiver

    def _take_all(self) -> int:
        for _ in range(2 * self._depth + 8):
            status = self._status()
            self.errors.overrun += bool(status & OVERRUN)
            if status & BREAK:
                self.errors.breaks += 1
            elif status & (FRAMING | PARITY):
                self.errors.framing += bool(status & FRAMING)
                self.errors.parity += bool(status & PARITY)
            if not status & DATA:
                break
            byte = self._read(RBR)
            if status & (BREAK | FRAMING | PARITY):
                continue
            if len(self._buffer) < BUFFER_BYTES:
                self._buffer.append(byte)
                self._lossy = False
            else:
                self.errors.overrun += not self._lossy
                self._lossy = True
        return status

    def _status(self) -> int:
        """Read LSR, again if it looks as if nobody answered; then only a bad break is believed."""
        status = self._read(LSR)
        if status != GONE:
            return status
        second = self._read(LSR)
        if second == GONE:
            return 0
        return GONE if second & 0x61 == 0x61 and self._lcr & 0x08 else second

    # Settings

    def _calm_down(self) -> None:
        self._keep_writing(LCR, self._read(LCR) & 0x3F)
        self._keep_writing(IER, 0)
        self._keep_writing(MCR, 0)
        self._write(FCR, 0x07)
        late = self._cpu.time() + 0.2
        while not self._status() & IDLE and self._cpu.time() < late:
            self._cpu.sleep(0.001)

    def _program(self, divisor: int) -> bool:
        right = self._keep_writing(LCR, 0x80 | self._lcr)
        right = right and self._keep_writing(DLL, divisor % 256)
        right = right and self._keep_writing(DLM, divisor // 256)
        right = self._keep_writing(LCR, self._lcr) and right
        right = self._keep_writing(MCR, 0x0B) and right
        self._write(FCR, 0x07)
        self._depth = 16 if self._read(IIR) & self._read(IIR) & 0xC0 == 0xC0 else 1
        for _ in range(80):
            if not self._status() & DATA:
                break
            self._read(RBR)
        return right

    def _keep_writing(self, register: int, value: int) -> bool:
        for _ in range(3):
            self._write(register, value)
            if self._read(register) == value:
                return True
        return False

    def _read(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _write(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)
