"""Drive a 16550 by interrupts: a first version, for a device with its FIFO of 16 characters.

The handler moves characters between the FIFOs and two queues; the calls only use the queues. Every
look at the line status counts the errors it shows, because reading LSR clears them. Bytes with
errors are counted and kept. It leaves out flow control and devices without a FIFO.
"""

from __future__ import annotations

import math

from emu import Cpu, LineErrors, LineSettings, Window

RBR = THR = DLL = 0
IER = DLM = 1
IIR = FCR = 2
LCR, MCR, LSR = 3, 4, 5

RECEIVED, LINE_STATUS, TRANSMITTER_EMPTY = 0x04, 0x06, 0x02  # causes in IIR
FIFO_DEPTH, TRIGGER, FCR_TRIGGER_8, FCR_EMPTY_BOTH = 16, 8, 0x81, 0x06
DLAB = 0x80
PARITY_BITS = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
OVERRUN, PARITY, FRAMING, BREAK, THR_EMPTY = 0x02, 0x04, 0x08, 0x10, 0x20


class FirstTry:
    """Serial driver whose handler moves the characters."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._step = io.stride
        self._received = bytearray()
        self._outgoing = bytearray()
        self._character_s = 0.0
        self._is_open = False

    def open(self, line: LineSettings) -> None:
        """Set the device up for `line`."""
        io, step = self._io, self._step
        divisor = round(io.clock_hz / (16 * line.baud))
        if not divisor or abs(io.clock_hz / (16 * divisor) / line.baud - 1) > 0.03:
            msg = f"{line.baud} baud cannot be made from {io.clock_hz} Hz"
            raise ValueError(msg)
        self.close()
        self._is_open = True
        self._character_s = line.character_s
        io.write8(LCR * step, io.read8(LCR * step) & 0x3F)
        io.write8(IER * step, 0)
        io.write8(FCR * step, FCR_TRIGGER_8 | FCR_EMPTY_BOTH)
        self.drain(0.02)
        frame = (line.data_bits - 5) | PARITY_BITS[line.parity] | (4 if line.stop_bits > 1 else 0)
        io.write8(LCR * step, frame | DLAB)
        io.write8(DLL * step, divisor & 0xFF)
        io.write8(DLM * step, divisor >> 8)
        io.write8(LCR * step, frame)
        io.write8(FCR * step, FCR_TRIGGER_8 | FCR_EMPTY_BOTH)
        io.write8(MCR * step, 0x0B)
        self._received.clear()
        self._cpu.connect(io.irq, self._handle_interrupt)
        io.write8(IER * step, 0x07)

    def close(self) -> None:
        """Let accepted bytes leave, then put the device back to rest."""
        if not self._is_open:
            return
        self.drain(2 * (len(self._outgoing) + FIFO_DEPTH + 1) * self._character_s)
        with self._cpu.interrupts_masked():
            self._io.write8(IER * self._step, 0)
            self._io.write8(FCR * self._step, 0)
            self._io.write8(LCR * self._step, 0)
            self._io.write8(MCR * self._step, 0)
            self._cpu.disconnect(self._io.irq)
            self._outgoing.clear()
            self._is_open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:  # noqa: ARG002
        """Queue all of `data`, which never has to wait, and get the transmitter going."""
        with self._cpu.interrupts_masked():
            if not self._is_open:
                return 0
            idle = not self._outgoing
            self._outgoing += data
            if idle:
                self._fill_fifo()
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Wait until `size` bytes are there or `timeout` seconds are over; return what came."""
        deadline = math.inf if timeout is None else self._cpu.time() + timeout
        while True:
            with self._cpu.interrupts_masked():
                left = deadline - self._cpu.time()
                if len(self._received) >= size or left <= 0:
                    part = bytes(self._received[:size])
                    del self._received[:size]
                    return part
                self._cpu.wait_for_interrupt(None if left == math.inf else left)

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until everything is sent; return False if it is not within `timeout` seconds."""
        deadline = math.inf if timeout is None else self._cpu.time() + timeout
        while self._is_open:
            late = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                status = self._line_status()
                sent = not self._outgoing and status & THR_EMPTY != 0
            if sent or late:
                return sent
            self._cpu.sleep(self._character_s / 2)
        return False

    def _handle_interrupt(self) -> None:
        cause = self._io.read8(IIR * self._step) & 0x06
        if cause == RECEIVED:
            self._empty_fifo()
        elif cause == LINE_STATUS:
            self._line_status()
        elif cause == TRANSMITTER_EMPTY:
            self._fill_fifo()

    def _empty_fifo(self) -> None:
        for _ in range(TRIGGER):
            self._line_status()
            self._received.append(self._io.read8(RBR * self._step))

    def _fill_fifo(self) -> None:
        chunk = self._outgoing[:FIFO_DEPTH]
        del self._outgoing[:FIFO_DEPTH]
        for byte in chunk:
            self._io.write8(THR * self._step, byte)

    def _line_status(self) -> int:
        status = self._io.read8(LSR * self._step)
        self.errors.overrun += status & OVERRUN != 0
        self.errors.breaks += status & BREAK != 0
        if not status & BREAK:
            self.errors.framing += status & FRAMING != 0
            self.errors.parity += status & PARITY != 0
        return status
