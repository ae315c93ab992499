"""Reach the registers by words where the bus carries words, and move characters in bursts.

On a bus that takes 32-bit accesses every register is the low byte of a word; `open` tries that and
falls back on bytes. The received-data interrupt promises as many characters as its trigger level:
after one look at LSR, whose bit 7 tells of errors anywhere in the FIFO, they are read in a row.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

RBR, THR, IER, IIR, FCR, LCR, MCR, LSR, DLL, DLM = 0, 0, 1, 2, 2, 3, 4, 5, 0, 1
TRIGGER, FCR_ON, FCR_RESET_RX, FCR_RESET_TX = 14, 0xC1, 0x02, 0x04
IER_RX, IER_THRE = 0x05, 0x02
IIR_NONE, IIR_THRE, IIR_CAUSE, IIR_RX_FIFO = 0x01, 0x02, 0x0F, 0xC4
LSR_DR, LSR_OE, LSR_PE, LSR_FE, LSR_BI, LSR_THRE, LSR_TEMT, LSR_FIFOE = (1 << n for n in range(8))
LSR_BAD = LSR_PE | LSR_FE | LSR_BI
LCR_PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
RX_BYTES, TX_BYTES = 4096, 1024


class WordAccess:
    """Serial driver for a bus of words."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu = io, cpu
        self._load, self._store = io.read32, io.write32
        self._rx, self._tx = bytearray(), bytearray()
        self._running = self._closing = self._attached = self._full = False
        self._burst, self._idle_calls, self._lcr, self._char_s = 1, 0, 0x03, 0.0

    def open(self, line: LineSettings) -> None:
        exact = self._io.clock_hz / (16 * line.baud)
        divisor = min(max(round(exact), 1), 0xFFFF)
        if abs(exact / divisor - 1) > 0.03:
            raise ValueError(f"{line.baud} baud: the nearest divisor is more than 3 % off")
        self.close()
        self._lcr = line.data_bits - 5 | LCR_PARITY[line.parity] | (4 if line.stop_bits > 1 else 0)
        self._char_s = line.character_s
        self._choose_width()
        self._stop_leftovers()
        give_up = self._cpu.time() + 0.2
        while not self._program(divisor) and self._cpu.time() < give_up:
            self._cpu.sleep(0.001)
        with self._cpu.interrupts_masked():
            self._rx.clear()
            self._tx.clear()
            self._running, self._closing, self._full = True, False, False
            self._attach(True)
            self._refill(0)

    def close(self) -> None:
        if not self._running:
            return
        self._closing = True
        left = len(self._tx) + 1
        while not self.drain((2 * TRIGGER + 8) * self._char_s + 0.05) and len(self._tx) < left:
            left = len(self._tx)
        with self._cpu.interrupts_masked():
            self._empty_receiver()
            self._set(FCR, FCR_ON | FCR_RESET_TX)
            self._write_and_check(IER, 0)
            self._write_and_check(MCR, 0)
            self._attach(False)
            self._running = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        deadline = self._deadline(timeout)
        sent = self._enqueue(data)
        while sent < len(data) and self._wait(lambda: len(self._tx) < TX_BYTES, deadline):
            if self._closing:
                break
            sent += self._enqueue(data[sent:])
        return sent

    def read(self, size: int, timeout: float | None = None) -> bytes:
        self._wait(lambda: len(self._rx) >= min(size, RX_BYTES // 2), self._deadline(timeout))
        with self._cpu.interrupts_masked():
            part = bytes(self._rx[:size])
            del self._rx[:size]
        return part

    def drain(self, timeout: float | None = None) -> bool:
        deadline = self._deadline(timeout)
        self._wait(lambda: not self._tx, deadline)
        while self._running:
            last = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                done = not self._tx and self._serve() & LSR_TEMT != 0
            if done or last:
                return done
            self._cpu.sleep(self._char_s / 2)
        return False

    def _deadline(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout

    def _wait(self, done: Callable[[], bool], deadline: float) -> bool:
        while self._running:
            with self._cpu.interrupts_masked():
                if done():
                    return True
                left = deadline - self._cpu.time()
                if left <= 0:
                    self._serve()
                    return done()
                if not self._cpu.wait_for_interrupt(min(left, (TRIGGER + 8) * self._char_s)):
                    self._attach(True)
                    self._serve()
        return False

    def _enqueue(self, data: bytes) -> int:
        with self._cpu.interrupts_masked():
            room = 0 if self._closing or not self._running else TX_BYTES - len(self._tx)
            part = data[:room]
            self._tx += part
            if part:
                self._serve()
        return len(part)

    # Handler, and what it shares with the calls

    def _handle(self) -> None:
        self._idle_calls += 1
        if self._idle_calls > 32:
            self._attach(False)
        with suppress(BusError):
            while not (cause := self._get(IIR)) & IIR_NONE and self._idle_calls <= 40:
                if cause & IIR_CAUSE == IIR_THRE:
                    self._refill(LSR_THRE)
                else:
                    self._empty_receiver(TRIGGER if cause & ~0x20 == IIR_RX_FIFO else 0)
                self._idle_calls += 1

    def _serve(self) -> int:
        status = self._empty_receiver()
        self._refill(status)
        return status

    def _empty_receiver(self, promised: int = 0) -> int:
        """Read characters, `promised` of them without asking for each; return the line status."""
        status = 0
        for _ in range(128):
            status = self._status()
            self._count(status)
            if not status & LSR_DR:
                break
            clean = not status & (LSR_BAD | LSR_OE | LSR_FIFOE)
            for _ in range(promised if clean and promised else 1):
                byte = self._get(RBR)
                if not status & LSR_BAD:
                    self._keep(byte)
            promised = self._idle_calls = 0
        return status

    def _status(self) -> int:
        """Read LSR; a device that is gone shows ones twice, a break that fails its parity once."""
        status = self._get(LSR)
        if status == 0xFF:
            again = self._get(LSR)
            if again == 0xFF:
                return 0
            if not (again & 0x61 == 0x61 and self._lcr & 0x08):
                return again
        return status

    def _count(self, status: int) -> None:
        errors = self.errors
        errors.overrun += bool(status & LSR_OE)
        if status & LSR_BI:
            errors.breaks += 1
        else:
            errors.parity += bool(status & LSR_PE)
            errors.framing += bool(status & LSR_FE)

    def _keep(self, byte: int) -> None:
        if len(self._rx) < RX_BYTES:
            self._rx.append(byte)
            self._full = False
        elif not self._full:
            self._full = True
            self.errors.overrun += 1

    def _refill(self, status: int) -> None:
        if status & LSR_THRE and self._tx:
            for byte in bytes(self._tx[: self._burst]):
                self._set(THR, byte)
                del self._tx[0]
            self._idle_calls = 0
        self._set(IER, IER_RX | IER_THRE if self._tx else IER_RX)

    # Setting up

    def _choose_width(self) -> None:
        io = self._io
        for load, store in ((io.read32, io.write32), (io.read8, io.write8)):
            self._load, self._store = load, store
            with suppress(BusError):
                self._get(LCR)
                return

    def _stop_leftovers(self) -> None:
        """Leave the divisor latch, break, loopback and interrupts; let a last character out."""
        self._write_and_check(LCR, self._get(LCR) & 0x3F)
        self._write_and_check(IER, 0)
        self._write_and_check(MCR, 0)
        self._set(FCR, FCR_ON | FCR_RESET_RX | FCR_RESET_TX)
        until = self._cpu.time() + 0.2
        while not self._status() & LSR_TEMT and self._cpu.time() < until:
            self._cpu.sleep(0.001)

    def _program(self, divisor: int) -> bool:
        good = self._write_and_check(LCR, self._lcr | 0x80)
        good = good and self._write_and_check(DLL, divisor & 0xFF)
        good = good and self._write_and_check(DLM, divisor >> 8)
        good = self._write_and_check(LCR, self._lcr) and good
        good = self._write_and_check(MCR, 0x0B) and good
        self._set(FCR, FCR_ON | FCR_RESET_RX | FCR_RESET_TX)
        self._burst = 16 if self._get(IIR) & self._get(IIR) & 0xC0 == 0xC0 else 1
        for _ in range(64):
            if not self._status() & LSR_DR:
                break
            self._get(RBR)
        return good

    def _write_and_check(self, register: int, value: int) -> bool:
        for _ in range(3):
            self._set(register, value)
            if self._get(register) == value:
                return True
        return False

    def _attach(self, on: bool) -> None:
        if on != self._attached:
            self._attached, self._idle_calls = on, 0
            (self._cpu.connect if on else self._cpu.disconnect)(self._io.irq, self._handle)

    def _get(self, register: int) -> int:
        return self._load(register * self._io.stride) & 0xFF

    def _set(self, register: int, value: int) -> None:
        self._store(register * self._io.stride, value)
