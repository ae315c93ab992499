"""Receive by interrupt into a ring, transmit by polling: a console that must not lose a key.

The handler is the only one that adds to the ring, `read` the only one that takes from it, but an
overflow, the counters and the line status are everybody's: reading LSR for the transmitter's sake
takes the receiver's error bits away. So every access to the device from a call is a critical
section with interrupts masked, and each look at LSR also takes the character that it speaks of.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

RBR = THR = DLL = 0
IER = DLM = 1
IIR = FCR = 2
LCR, MCR, LSR, MSR = 3, 4, 5, 6
RX_INTERRUPTS = 0x05
FIFO_AT_HALF, FLUSH_RX, FLUSH_TX = 0x81, 0x02, 0x04
DR, OE, PE, FE, BI, THRE, TEMT = (1 << bit for bit in range(7))
LCR_PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
RING = 2048  # places; one of them always stays free


class PolledTransmit:
    """Serial driver that is interrupted by what comes and waits for what goes."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu = io, cpu
        self._ring, self._head, self._tail = bytearray(RING), 0, 0
        self._open = self._hooked = self._overflow = False
        self._depth, self._unmoved, self._lcr, self._character_s = 1, 0, 0x03, 0.0

    def open(self, line: LineSettings) -> None:
        exact = self._io.clock_hz / (16 * line.baud)
        divisor = min(max(round(exact), 1), 0xFFFF)
        if abs(exact / divisor - 1) > 0.03:
            raise ValueError(f"cannot make {line.baud} baud of {self._io.clock_hz} Hz")
        self.close()
        self._character_s = line.character_s
        self._lcr = LCR_PARITY[line.parity] | (4 if line.stop_bits > 1 else 0) | line.data_bits - 5
        self._reset()
        until = self._cpu.time() + 0.2
        while not self._apply(divisor) and self._cpu.time() < until:
            self._cpu.sleep(0.001)
        with self._cpu.interrupts_masked():
            self._head = self._tail = 0
            self._overflow, self._open = False, True
            self._hook(True)
            self._write(IER, RX_INTERRUPTS)

    def close(self) -> None:
        if not self._open:
            return
        self.drain((2 * self._depth + 4) * self._character_s + 0.1)
        with self._cpu.interrupts_masked():
            self._receive()
            self._write(FCR, FIFO_AT_HALF | FLUSH_TX)
            self._ensure(IER, 0)
            self._ensure(MCR, 0)
            self._hook(False)
            self._open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        sent = 0

        def all_sent() -> bool:
            nonlocal sent
            with self._cpu.interrupts_masked():
                if self._open and self._receive() & THRE:
                    for byte in data[sent : sent + self._depth]:
                        self._write(THR, byte)
                        sent += 1
            return sent == len(data)

        with suppress(BusError):
            self._poll(all_sent, timeout)
        return sent

    def read(self, size: int, timeout: float | None = None) -> bytes:
        wanted = min(size, RING // 2)
        end = self._end(timeout)
        while self._open:
            with self._cpu.interrupts_masked():
                left = end - self._cpu.time()
                if (self._head - self._tail) % RING >= wanted:
                    break
                if left <= 0:
                    self._receive()
                    break
                if not self._cpu.wait_for_interrupt(min(left, 16 * self._character_s)):
                    self._hook(True)  # it may have been cut off, or IER may not hold
                    self._write(IER, RX_INTERRUPTS)
                    self._receive()
        with self._cpu.interrupts_masked():
            count = min(size, (self._head - self._tail) % RING)
            part = bytes(self._ring[(self._tail + place) % RING] for place in range(count))
            self._tail = (self._tail + count) % RING
        return part

    def drain(self, timeout: float | None = None) -> bool:
        def gone() -> bool:
            with self._cpu.interrupts_masked():
                return self._open and bool(self._receive() & TEMT)

        return self._poll(gone, timeout)

    def _end(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout

    def _poll(self, done: Callable[[], bool], timeout: float | None) -> bool:
        """Ask ``done()`` twice a character; the last time after the time is over."""
        end = self._end(timeout)
        while self._open:
            left = end - self._cpu.time()
            if done():
                return True
            if left <= 0:
                return False
            self._cpu.sleep(min(left, self._character_s / 2))
        return False

    # In the handler, or in a critical section

    def _handle(self) -> None:
        self._unmoved += 1
        with suppress(BusError):
            if not self._read(IIR) & 0x01:
                self._receive()
        if self._unmoved > 32:
            self._hook(False)

    def _receive(self) -> int:
        """Take all characters with their flags; return the line status that follows the last."""
        for _ in range(100):
            status = self._look()
            if not status & DR:
                break
            byte = self._read(RBR)
            self._unmoved = 0
            if not status & (PE | FE | BI):
                self._add(byte)
        return status

    def _look(self) -> int:
        """Read LSR and count; if it is all ones a second look decides whether to believe it."""
        status = self._read(LSR)
        if status == 0xFF:
            again = self._read(LSR)
            if again == 0xFF:
                return 0
            status = 0xFF if again & 0x61 == 0x61 and self._lcr & 0x08 else again
        self.errors.overrun += bool(status & OE)
        self.errors.breaks += bool(status & BI)
        if not status & BI:
            self.errors.framing += bool(status & FE)
            self.errors.parity += bool(status & PE)
        return status

    def _add(self, byte: int) -> None:
        after = (self._head + 1) % RING
        if after == self._tail:
            self.errors.overrun += not self._overflow
            self._overflow = True
            return
        self._ring[self._head] = byte
        self._head = after
        self._overflow = False

    def _hook(self, on: bool) -> None:
        if on != self._hooked:
            self._hooked, self._unmoved = on, 0
            (self._cpu.connect if on else self._cpu.disconnect)(self._io.irq, self._handle)

    # Settings

    def _reset(self) -> None:
        """Bring the device down from whatever it was doing, without cutting a character short."""
        self._ensure(LCR, self._read(LCR) & 0x3F)
        self._ensure(IER, 0)
        self._ensure(MCR, 0)
        self._write(FCR, FIFO_AT_HALF | FLUSH_RX | FLUSH_TX)
        until = self._cpu.time() + 0.2
        while not self._read(LSR) & TEMT and self._cpu.time() < until:
            self._cpu.sleep(0.001)

    def _apply(self, divisor: int) -> bool:
        held = self._ensure(LCR, self._lcr | 0x80)
        if held:
            held = self._ensure(DLL, divisor & 0xFF) and self._ensure(DLM, divisor >> 8)
        held = self._ensure(LCR, self._lcr) and held
        held = self._ensure(MCR, 0x0B) and held
        self._write(FCR, FIFO_AT_HALF | FLUSH_RX | FLUSH_TX)
        self._depth = 16 if self._read(IIR) & self._read(IIR) & 0xC0 == 0xC0 else 1
        for _ in range(64):
            if not self._read(LSR) & DR:
                break
            self._read(RBR)
        self._read(MSR)
        return held

    def _ensure(self, register: int, value: int) -> bool:
        for _ in range(3):
            self._write(register, value)
            if self._read(register) == value:
                return True
        return False

    def _read(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _write(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)
