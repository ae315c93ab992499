"""A small interrupt-driven serial driver with a race, and the same driver without it.

`HeavySleeper` looks whether what it waits for is there, and if not sleeps until the next interrupt.
An interrupt that comes between the look and the sleep has been and gone: if it was the last, the
driver sleeps until its time is over, though all it waits for lies in its queue. On a good day
nobody notices. `LightSleeper` looks and falls asleep with interrupts masked; a pending interrupt
still wakes it, and its handler runs when the mask is lifted.

Both send one character an interrupt, which is slow and keeps the code short. What they leave out:
flow control, modem status, and recovery from faults of the device.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from emu import Cpu, LineErrors, LineSettings, Window

# Register numbers. DLL and DLM take the place of the first two while LCR.DLAB is set.
RBR = THR = DLL = 0
IER = DLM = 1
IIR = FCR = 2
LCR, MCR, LSR = 3, 4, 5

RECEIVE, TRANSMIT = 0x05, 0x02  # bits of IER
DLAB, STOP = 0x80, 0x04
PARITY_BITS = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
DATA_READY, OVERRUN, PARITY, FRAMING, BREAK = 0x01, 0x02, 0x04, 0x08, 0x10
BAD_CHARACTER = PARITY | FRAMING | BREAK
THR_EMPTY, IDLE = 0x20, 0x60
QUEUE_BYTES = 64


class HeavySleeper:
    """Serial driver whose handler moves the characters, and that may sleep through the last one."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._received = bytearray()
        self._outgoing = bytearray()
        self._character_s = 0.0

    # calls

    def open(self, line: LineSettings) -> None:
        """Set the device up for `line` and begin to receive."""
        divisor = round(self._io.clock_hz / (16 * line.baud))
        control = line.data_bits - 5 | PARITY_BITS[line.parity]
        control |= STOP if line.stop_bits > 1 else 0
        self._character_s = line.character_s
        self._received.clear()
        self._outgoing.clear()
        self._put(LCR, control)
        self._put(IER, 0)
        self._put(LCR, control | DLAB)
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        self._put(LCR, control)
        self._put(FCR, 0x07)  # FIFOs on and empty, an interrupt at the first character
        self._put(MCR, 0x0B)
        self._cpu.connect(self._io.irq, self._handle)
        self._put(IER, RECEIVE)

    def close(self) -> None:
        """Let accepted bytes leave, and let go of the device."""
        self.drain((2 * len(self._outgoing) + 40) * self._character_s)
        with self._cpu.interrupts_masked():
            self._put(IER, 0)
            self._put(MCR, 0)
            self._cpu.disconnect(self._io.irq, self._handle)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Queue `data`, waiting up to `timeout` seconds for room; return how many bytes fitted."""
        deadline = self._deadline(timeout)
        accepted = 0
        while accepted < len(data):
            if not self._wait_until(lambda: len(self._outgoing) < QUEUE_BYTES, deadline):
                break
            with self._cpu.interrupts_masked():
                part = data[accepted : accepted + QUEUE_BYTES - len(self._outgoing)]
                self._outgoing += part
                self._put(IER, RECEIVE | TRANSMIT)
            accepted += len(part)
        return accepted

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Wait until `size` bytes are there or `timeout` seconds are over; return what came."""
        self._wait_until(lambda: len(self._received) >= size, self._deadline(timeout))
        with self._cpu.interrupts_masked():
            part = bytes(self._received[:size])
            del self._received[:size]
        return part

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left; return False if it has not within `timeout`."""
        deadline = self._deadline(timeout)
        if not self._wait_until(lambda: not self._outgoing, deadline):
            return False
        # No interrupt tells the end of the last character, so this part is looked for.
        while not self._is_idle():
            if self._cpu.time() >= deadline:
                return False
            self._cpu.sleep(self._character_s / 2)
        return True

    # waiting

    def _deadline(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout

    def _wait_until(self, done: Callable[[], bool], deadline: float) -> bool:
        """Sleep until `done`; return False if it is not by the deadline."""
        while not done():
            left = deadline - self._cpu.time()
            if left <= 0:
                return False
            self._cpu.wait_for_interrupt(None if left == math.inf else left)
        return True

    def _is_idle(self) -> bool:
        """Look whether the line is idle; what else the look showed is kept."""
        with self._cpu.interrupts_masked():
            return self._serve() & IDLE == IDLE

    # what the device asks for

    def _handle(self) -> None:
        while not self._io.read8(IIR * self._io.stride) & 1:
            self._serve()

    def _serve(self) -> int:
        """Take what has come, send what may go; return the last line status."""
        while (status := self._status()) & DATA_READY:
            byte = self._io.read8(RBR)
            if not status & BAD_CHARACTER:
                self._received.append(byte)
        if self._outgoing and status & THR_EMPTY:
            self._put(THR, self._outgoing.pop(0))
            status &= ~IDLE
            if not self._outgoing:
                self._put(IER, RECEIVE)
        return status

    def _status(self) -> int:
        """Read the line status, which clears its error bits, and count them."""
        status = self._io.read8(LSR * self._io.stride)
        self.errors.overrun += bool(status & OVERRUN)
        self.errors.breaks += bool(status & BREAK)
        self.errors.parity += status & (PARITY | BREAK) == PARITY
        self.errors.framing += status & (FRAMING | BREAK) == FRAMING
        return status

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)


class LightSleeper(HeavySleeper):
    """The same driver without the race: no interrupt can come between the look and the sleep."""

    def _wait_until(self, done: Callable[[], bool], deadline: float) -> bool:
        while True:
            with self._cpu.interrupts_masked():
                if done():
                    return True
                left = deadline - self._cpu.time()
                if left <= 0:
                    return False
                self._cpu.wait_for_interrupt(None if left == math.inf else left)
