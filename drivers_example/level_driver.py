"""Drive a 16550-compatible serial controller by interrupts at a trigger level of your choice.

The one idea: as little as a correct handler can do. It asks what the interrupt is about, and then
looks and takes until nothing is left, so that what the level did not announce is taken as well, and
so is what the time-out brings. A look at the line status and the character that it speaks of come
as a pair. The level is a class attribute: a subclass with another is another driver.

What it leaves out: sending by interrupts, recovery from a device that fails, and whatever a device
may have been left in but data in its FIFO. `interrupt_driven.py` shows how those are done.
"""

from __future__ import annotations

import math

from emu import Cpu, LineErrors, LineSettings, Window

# Register numbers. DLL and DLM take the place of the first two while LCR.DLAB is set.
RBR = THR = DLL = 0
IER = DLM = 1
IIR = FCR = 2
LCR, MCR, LSR = 3, 4, 5

IER_RECEIVE = 0x05  # received data and line status
IIR_NONE_PENDING = 0x01
FCR_ON_EMPTY, FCR_64 = 0x07, 0x20
FCR_LEVEL = {1: 0x00, 4: 0x40, 8: 0x80, 14: 0xC0}
FCR_LEVEL_64 = {1: 0x00, 16: 0x40, 32: 0x80, 56: 0xC0}
LCR_STOP, LCR_DLAB = 0x04, 0x80
LCR_PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
MCR_ONLINE = 0x0B  # DTR, RTS and OUT2, which gates the interrupt on many boards
DATA_READY, OVERRUN, PARITY, FRAMING, BREAK = 0x01, 0x02, 0x04, 0x08, 0x10
THR_EMPTY, IDLE = 0x20, 0x60
LONGEST_ROW = 1024  # characters in one go, even if the device claims to have more
LOOKS_PER_CHARACTER = 8  # while sending


class LevelDriver:
    """Serial driver whose handler takes what is there when the FIFO has filled to a level.

    Attributes:
        depth: characters in the FIFO that the device is set to: 1 (off), 16 or 64.
        level: how many of them ask for an interrupt; 1, 4, 8, 14 of 16, or 1, 16, 32, 56 of 64.
    """

    depth = 16
    level = 8

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._received = bytearray()
        self._is_open = False
        self._character_s = 0.0
        self._iir, self._lsr, self._rbr = (one * io.stride for one in (IIR, LSR, RBR))

    def open(self, line: LineSettings) -> None:
        """Set the device up and listen."""
        self.close()
        self._character_s = line.character_s
        stop = LCR_STOP if line.stop_bits != 1 else 0
        control = (line.data_bits - 5) | stop | LCR_PARITY[line.parity]
        divisor = max(round(self._io.clock_hz / (16 * line.baud)), 1)
        self._put(IER, 0)
        self._put(LCR, control | LCR_DLAB)
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        self._put(FCR, self._fifo_control())  # 64 characters can only be chosen under DLAB
        self._put(LCR, control)
        while self._io.read8(self._lsr) & DATA_READY:
            self._io.read8(self._rbr)
        self._received.clear()
        self._put(MCR, MCR_ONLINE)
        self._cpu.connect(self._io.irq, self._handle_interrupt)
        self._is_open = True
        self._put(IER, IER_RECEIVE)

    def close(self) -> None:
        """Let what was written leave, then silence the device and let go of it."""
        if not self._is_open:
            return
        self.drain((2 * self.depth + 4) * self._character_s)
        with self._cpu.interrupts_masked():
            self._put(IER, 0)
            self._take()
            self._put(MCR, 0)
            self._cpu.disconnect(self._io.irq, self._handle_interrupt)
            self._is_open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Hand `data` over a FIFO at a time; return how many bytes the device took."""
        sent = 0
        deadline = self._deadline(timeout)
        while sent < len(data):
            late = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                if self._take() & THR_EMPTY:
                    row = data[sent : sent + self.depth]
                    self._io.write8_rep(THR * self._io.stride, row)
                    sent += len(row)
            if sent < len(data):
                if late:
                    break
                self._cpu.sleep(self._character_s / LOOKS_PER_CHARACTER)
        return sent

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Sleep until `size` bytes are there or `timeout` seconds are over; return what came."""
        deadline = self._deadline(timeout)
        while True:
            with self._cpu.interrupts_masked():
                left = deadline - self._cpu.time()
                if left <= 0:
                    self._take()
                if len(self._received) >= size or left <= 0:
                    part = bytes(self._received[:size])
                    del self._received[: len(part)]
                    return part
                self._cpu.wait_for_interrupt(left)

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left; return False if it has not within `timeout`."""
        deadline = self._deadline(timeout)
        while True:
            late = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                if self._take() & IDLE == IDLE:
                    return True
            if late:
                return False
            self._cpu.sleep(self._character_s / LOOKS_PER_CHARACTER)

    def _handle_interrupt(self) -> None:
        """Take what is there, unless the interrupt was about nothing."""
        if not self._io.read8(self._iir) & IIR_NONE_PENDING:
            self._take()

    def _take(self) -> int:
        """Look and take until nothing is left; return the last line status."""
        status = 0
        for _ in range(LONGEST_ROW):
            status = self._io.read8(self._lsr)
            if status & (OVERRUN | PARITY | FRAMING | BREAK):
                self._count(status)
            if not status & DATA_READY:
                break
            byte = self._io.read8(self._rbr)
            if not status & (PARITY | FRAMING | BREAK):
                self._received.append(byte)
        return status

    def _count(self, status: int) -> None:
        """Count the flags of one look; a break is no framing or parity error on top."""
        self.errors.overrun += bool(status & OVERRUN)
        self.errors.breaks += bool(status & BREAK)
        if not status & BREAK:
            self.errors.framing += bool(status & FRAMING)
            self.errors.parity += bool(status & PARITY)

    def _fifo_control(self) -> int:
        """Return what FCR is set to for `depth` and `level`."""
        if self.depth == 1:
            return 0
        if self.depth == 16:
            return FCR_ON_EMPTY | FCR_LEVEL[self.level]
        return FCR_ON_EMPTY | FCR_64 | FCR_LEVEL_64[self.level]

    def _deadline(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)
