"""Serve whatever cause IIR names, one after the other, until it names nothing more.

Each cause has its own answer, in the order in which the controller ranks them, so the interrupt
line is low whenever the handler returns. Calls share the queues with the handler by masking
interrupts, and serve the device by hand when it has been silent for longer than a FIFO lasts.
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
LISTEN, SEND = 0x05, 0x02  # IER: received data and line status; transmitter empty
MODEM, NOTHING, EMPTY = 0x00, 0x01, 0x02  # IIR
FIFO, CLEAR_BOTH, CLEAR_SENDER = 0x81, 0x06, 0x04  # FCR: interrupt at 8 characters
DLAB, ONLINE = 0x80, 0x0B
READY, OVERRUN, PARITY, FRAMING, BREAK, ROOM, IDLE = (1 << bit for bit in range(7))  # LSR
FORMATS = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
RECEIVE_BYTES, SEND_BYTES = 2048, 512


class CauseLoop:
    """Serial driver whose handler asks for causes until there is none."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu = io, cpu
        self._received, self._outgoing = bytearray(), bytearray()
        self._is_open = self._accepts = self._connected = self._dropping = False
        self._enabled = self._strays = 0
        self._depth, self._format, self._character_s = 1, 0x03, 0.0

    def open(self, line: LineSettings) -> None:
        exact = self._io.clock_hz / (16 * line.baud)
        divisor = min(max(round(exact), 1), 0xFFFF)
        if abs(exact / divisor - 1) > 0.03:
            raise ValueError(f"{line.baud} baud cannot be made from {self._io.clock_hz} Hz")
        self.close()
        stop = 0x04 if line.stop_bits > 1 else 0x00
        self._format = (line.data_bits - 5) | stop | FORMATS[line.parity]
        self._character_s = line.character_s
        give_up = self._cpu.time() + 0.4
        self._quieten()
        while not self._set_up(divisor) and self._cpu.time() < give_up:
            self._cpu.sleep(0.001)
        with self._cpu.interrupts_masked():
            self._received.clear()
            self._outgoing.clear()
            self._is_open, self._accepts, self._dropping = True, True, False
            self._connect(True)
            self._feed(0)

    def close(self) -> None:
        self._accepts, left = False, -1
        patience = 2 * (self._depth + 2) * self._character_s + 0.05
        while self._is_open and not self.drain(patience) and left != len(self._outgoing):
            left = len(self._outgoing)  # as long as some leaves, the rest may follow
        with self._cpu.interrupts_masked():
            if self._is_open:
                self._take_in()
                self._put(FCR, FIFO | CLEAR_SENDER)
                self._store(IER, 0)
                self._store(MCR, 0)
                self._connect(False)
                self._is_open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        deadline, accepted = self._deadline(timeout), self._queue(data)
        while accepted < len(data) and self._wait(self._has_room, deadline) and self._accepts:
            accepted += self._queue(data[accepted:])
        return accepted

    def read(self, size: int, timeout: float | None = None) -> bytes:
        enough = min(size, RECEIVE_BYTES // 2)
        self._wait(lambda: len(self._received) >= enough, self._deadline(timeout))
        with self._cpu.interrupts_masked():
            part = bytes(self._received[:size])
            del self._received[:size]
        return part

    def drain(self, timeout: float | None = None) -> bool:
        deadline = self._deadline(timeout)
        self._wait(lambda: not self._outgoing, deadline)
        while self._is_open:
            late = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                idle = not self._outgoing and self._serve() & IDLE
            if idle or late:
                return bool(idle)
            self._cpu.sleep(self._character_s / 2)
        return False

    def _deadline(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout

    def _has_room(self) -> bool:
        return len(self._outgoing) < SEND_BYTES

    def _wait(self, done: Callable[[], bool], deadline: float) -> bool:
        """Sleep until `done`; test and sleep under one mask, or the wake-up may fall between."""
        patience = (self._depth + 8) * self._character_s
        while True:
            with self._cpu.interrupts_masked():
                left = deadline - self._cpu.time()
                if not self._is_open or done():
                    return self._is_open
                if left <= 0:
                    self._serve()
                    return done()
                if not self._cpu.wait_for_interrupt(min(left, patience)):
                    self._connect(True)  # an interrupt, or a write to IER, may have been lost
                    self._put(IER, self._enabled)
                    self._serve()

    def _queue(self, data: bytes) -> int:
        with self._cpu.interrupts_masked():
            part = data[: SEND_BYTES - len(self._outgoing)] if self._accepts else b""
            self._outgoing += part
            if part:
                self._feed(0)  # enabled while there is room, the interrupt comes at once
        return len(part)

    # What follows runs in the handler or with interrupts masked.

    def _handle(self) -> None:
        self._strays += 1
        if self._strays > 32:
            self._connect(False)  # it calls for nothing; a call that waits gives it a new chance
        with suppress(BusError):
            for _ in range(8):
                cause = self._get(IIR) & 0x0F
                if cause & NOTHING:
                    break
                if cause == MODEM:
                    self._get(MSR)
                elif cause == EMPTY:
                    self._feed(ROOM)
                else:
                    self._take_in()

    def _serve(self) -> int:
        """Do by hand what the handler does; return the line status."""
        status = self._take_in()
        self._feed(status)
        return status

    def _take_in(self) -> int:
        for _ in range(128):
            status = self._status()
            self._count(status)
            if not status & READY:
                break
            byte = self._get(RBR)
            self._strays = 0
            if not status & (PARITY | FRAMING | BREAK):
                self._keep(byte)
        return status

    def _count(self, status: int) -> None:
        self.errors.overrun += bool(status & OVERRUN)
        self.errors.breaks += bool(status & BREAK)
        if not status & BREAK:
            self.errors.framing += bool(status & FRAMING)
            self.errors.parity += bool(status & PARITY)

    def _keep(self, byte: int) -> None:
        full = len(self._received) >= RECEIVE_BYTES
        self.errors.overrun += full and not self._dropping  # once a gap
        self._dropping = full
        if not full:
            self._received.append(byte)

    def _feed(self, status: int) -> None:
        for byte in bytes(self._outgoing[: self._depth]) if status & ROOM else b"":
            self._put(THR, byte)
            del self._outgoing[0]
            self._strays = 0
        self._enabled = LISTEN | SEND if self._outgoing else LISTEN
        self._put(IER, self._enabled)

    def _status(self) -> int:
        """Read LSR; all ones are no device, a bad read, or a break that is wrong in every way."""
        status = self._get(LSR)
        if status != 0xFF:
            return status
        again = self._get(LSR)
        if again == 0xFF:
            return 0
        true = again & 0x61 == 0x61 and self._format & FORMATS["odd"]
        return status if true else again

    # Setting up

    def _quieten(self) -> None:
        """Stop what a predecessor left going, and let its last character leave."""
        self._store(LCR, self._get(LCR) & 0x3F)
        self._store(IER, 0)
        self._store(MCR, 0)
        self._put(FCR, FIFO | CLEAR_BOTH)
        deadline = self._cpu.time() + 0.2
        while not self._status() & IDLE and self._cpu.time() < deadline:
            self._cpu.sleep(0.001)

    def _set_up(self, divisor: int) -> bool:
        """Write all settings and empty the receiver; return whether the device holds them."""
        held = self._store(LCR, self._format | DLAB)
        held = held and self._store(DLL, divisor & 0xFF) and self._store(DLM, divisor >> 8)
        held = self._store(LCR, self._format) and held and self._store(MCR, ONLINE)
        self._put(FCR, FIFO | CLEAR_BOTH)
        self._depth = 16 if self._get(IIR) & self._get(IIR) & 0xC0 == 0xC0 else 1
        for _ in range(64):
            if not self._status() & READY:
                break
            self._get(RBR)
        return held

    def _store(self, register: int, value: int) -> bool:
        """Write a register until it holds `value`, three times at most."""
        for _ in range(3):
            self._put(register, value)
            if self._get(register) == value:
                return True
        return False

    def _connect(self, on: bool) -> None:
        if on != self._connected:
            self._connected, self._strays = on, 0
            (self._cpu.connect if on else self._cpu.disconnect)(self._io.irq, self._handle)

    def _get(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)
