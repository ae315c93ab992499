"""Never ask for the cause: every interrupt means a look at LSR, until there is nothing to do.

One routine, `_pump`, empties the receiver and refills the transmitter; the handler, a write and a
wait that has lasted too long all call it. IIR is read once only, to learn whether there are FIFOs:
without it the transmitter's interrupt is taken back by filling it or by disabling it. Damaged
characters are handed on like others, and counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

DATA, IER, IIR, FCR, LCR, MCR, LSR, DLL, DLM = 0, 1, 2, 2, 3, 4, 5, 0, 1
RECEIVE, TRANSMIT = 0x05, 0x02  # IER
DR, OE, PE, FE, BI, THRE, TEMT = (1 << bit for bit in range(7))
PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
LOWEST_BAUD_CHARACTER_S = 0.25
MOST_RECEIVED, MOST_QUEUED = 4096, 256


class StatusDrain:
    """Serial driver that goes by the line status alone."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu, self._step = io, cpu, io.stride
        self._received, self._queued = bytearray(), bytearray()
        self._open = self._closing = self._attached = self._overflowing = False
        self._fill, self._futile, self._frame, self._character_s = 1, 0, 0x03, 0.0

    # Calls

    def open(self, line: LineSettings) -> None:
        divisor = round(self._io.clock_hz / (16 * line.baud))
        if not 1 <= divisor <= 0xFFFF or not self._near(divisor, line.baud):
            raise ValueError(f"no divisor gives {line.baud} baud")
        self.close()
        self._character_s = line.character_s
        stop = 0x04 if line.stop_bits != 1 else 0x00
        self._frame = (line.data_bits - 5) | stop | PARITY[line.parity]
        self._silence()
        until = self._cpu.time() + 0.2
        while not self._configure(divisor) and self._cpu.time() < until:
            self._cpu.sleep(0.002)
        with self._cpu.interrupts_masked():
            self._received.clear()
            self._queued.clear()
            self._open, self._closing, self._overflowing = True, False, False
            self._attach(True)
            self._pump()

    def close(self) -> None:
        if not self._open:
            return
        self._closing = True
        round_s = (2 * self._fill + 4) * self._character_s + 0.05
        before = len(self._queued) + 1
        while not self.drain(round_s) and len(self._queued) < before:
            before = len(self._queued)
        with self._cpu.interrupts_masked():
            self._take()
            self._queued.clear()
            self._io.write8(FCR * self._step, 0x05)  # what is still in the transmitter stays here
            self._settle(IER, 0x00)
            self._settle(MCR, 0x00)
            self._attach(False)
            self._open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        end, done = self._end(timeout), 0
        while True:
            with self._cpu.interrupts_masked():
                if self._open and not self._closing:
                    room = MOST_QUEUED - len(self._queued)
                    self._queued += data[done : done + room]
                    done += min(room, len(data) - done)
                    self._pump()
            if done == len(data) or self._closing:
                return done
            if not self._until(lambda: len(self._queued) <= MOST_QUEUED // 2, end):
                return done

    def read(self, size: int, timeout: float | None = None) -> bytes:
        wanted = min(size, MOST_RECEIVED // 4)
        self._until(lambda: len(self._received) >= wanted, self._end(timeout))
        with self._cpu.interrupts_masked():
            part, self._received = self._received[:size], self._received[size:]
        return bytes(part)

    def drain(self, timeout: float | None = None) -> bool:
        end = self._end(timeout)
        if not self._until(lambda: not self._queued, end):
            return False
        while self._open:
            last = self._cpu.time() >= end
            with self._cpu.interrupts_masked():
                gone = not self._queued and bool(self._pump() & TEMT)
            if gone or last:
                return gone
            self._cpu.sleep(self._character_s / 4)
        return False

    # Waiting

    def _end(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout

    def _until(self, so: Callable[[], bool], end: float) -> bool:
        """Wait for `so`. A pending interrupt ends the sleep and is served when unmasked."""
        silence_s = (self._fill + 6) * self._character_s
        while self._open:
            with self._cpu.interrupts_masked():
                if so():
                    return True
                left = end - self._cpu.time()
                if left <= 0:
                    self._pump()
                    return so()
                if not self._cpu.wait_for_interrupt(min(left, silence_s)):
                    self._attach(True)
                    self._pump()
        return False

    # The device, in the handler or with interrupts masked

    def _interrupt(self) -> None:
        self._futile += 1
        if self._futile > 30:  # a line that cannot be satisfied would keep everything else out
            self._attach(False)
        with suppress(BusError):
            self._pump()

    def _pump(self) -> int:
        """Empty the receiver, fill the transmitter; have interrupts for what is still to come."""
        status = self._take()
        if status & THRE and self._queued:
            for byte in bytes(self._queued[: self._fill]):
                self._io.write8(DATA, byte)
                del self._queued[0]
            self._futile = 0
        self._io.write8(IER * self._step, RECEIVE | TRANSMIT if self._queued else RECEIVE)
        return status

    def _take(self) -> int:
        """Read characters while LSR shows any, each with the status that speaks of it."""
        status = self._look()
        for _ in range(200):
            if not status & DR:
                break
            byte = self._io.read8(DATA)
            self._futile = 0
            if len(self._received) < MOST_RECEIVED:
                self._received.append(byte)
                self._overflowing = False
            elif not self._overflowing:
                self._overflowing = True
                self.errors.overrun += 1
            status = self._look()
        return status

    def _look(self) -> int:
        """Read LSR and count what it shows, since reading clears it."""
        status = self._io.read8(LSR * self._step)
        if status == 0xFF:  # nobody there; or a disturbed read, or a break that fails its parity
            status = self._io.read8(LSR * self._step)
            if status == 0xFF:
                return 0
            if status & 0x61 == 0x61 and self._frame & PARITY["odd"]:
                status = 0xFF
        self.errors.overrun += status >> 1 & 1
        self.errors.breaks += status >> 4 & 1
        self.errors.framing += status >> 3 & 1
        self.errors.parity += status >> 2 & 1 and not status & BI
        return status

    def _attach(self, on: bool) -> None:
        if on and not self._attached:
            self._futile = 0
            self._cpu.connect(self._io.irq, self._interrupt)
        elif self._attached and not on:
            self._cpu.disconnect(self._io.irq, self._interrupt)
        self._attached = on

    # Settings

    def _near(self, divisor: int, baud: int) -> bool:
        return abs(self._io.clock_hz / (16 * divisor) - baud) <= 0.03 * baud

    def _silence(self) -> None:
        """End what a predecessor began: divisor latch, break, interrupts, loopback, characters."""
        self._settle(LCR, self._io.read8(LCR * self._step) & 0x3F)
        self._settle(IER, 0x00)
        self._settle(MCR, 0x00)
        self._io.write8(FCR * self._step, 0x07)
        until = self._cpu.time() + LOWEST_BAUD_CHARACTER_S
        while not self._look() & TEMT and self._cpu.time() < until:
            self._cpu.sleep(0.002)

    def _configure(self, divisor: int) -> bool:
        """Write divisor, frame and FIFO control; return True if the device took them."""
        taken = self._settle(LCR, self._frame | 0x80)
        if taken:  # otherwise the divisor would go out as data
            taken = self._settle(DLL, divisor & 0xFF) and self._settle(DLM, divisor >> 8)
        taken &= self._settle(LCR, self._frame) and self._settle(MCR, 0x0B)
        self._io.write8(FCR * self._step, 0x07)
        fifo = self._io.read8(IIR * self._step) & self._io.read8(IIR * self._step) & 0xC0
        self._fill = 16 if fifo == 0xC0 else 1
        self._take()
        return taken

    def _settle(self, register: int, value: int) -> bool:
        for _ in range(3):
            self._io.write8(register * self._step, value)
            if self._io.read8(register * self._step) == value:
                return True
        return False
