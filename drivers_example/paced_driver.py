"""Drive a 16550-compatible serial controller by looking at it at a pace of your choice.

The one idea: one loop that looks, takes what is there, and rests; without a rest it waits for each
character with the whole processor. The pace is a class attribute in characters, so it goes with the
rate of the line: half of what the FIFO holds leaves the other half for being late.

What it leaves out: recovery from a device that fails, and whatever a device may have been left in
but data in its FIFO. `polled.py` shows how those are done.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from emu import Cpu, LineErrors, LineSettings, Window

# Register numbers. DLL and DLM take the place of the first two while LCR.DLAB is set.
RBR = THR = DLL = 0
IER = DLM = 1
FCR, LCR, MCR, LSR = 2, 3, 4, 5

FCR_ON_EMPTY, FCR_64 = 0x07, 0x20
LCR_STOP, LCR_DLAB = 0x04, 0x80
LCR_PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
MCR_ONLINE = 0x0B  # DTR, RTS and OUT2
DATA_READY, OVERRUN, PARITY, FRAMING, BREAK = 0x01, 0x02, 0x04, 0x08, 0x10
THR_EMPTY, IDLE = 0x20, 0x60
LONGEST_ROW = 1024  # characters in one go, even if the device claims to have more


class PacedDriver:
    """Serial driver that looks at the device at a pace.

    Attributes:
        depth: characters in the FIFO that the device is set to: 1 (off), 16 or 64.
        rest_characters: how long it rests between two looks, in characters; 0 for not at all.
    """

    depth = 16
    rest_characters = 8.0

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._received = bytearray()
        self._is_open = False
        self._character_s = 0.0
        self._lsr, self._rbr = LSR * io.stride, RBR * io.stride

    def open(self, line: LineSettings) -> None:
        """Set the device up, interrupts off."""
        self.close()
        self._character_s = line.character_s
        stop = LCR_STOP if line.stop_bits != 1 else 0
        control = (line.data_bits - 5) | stop | LCR_PARITY[line.parity]
        divisor = max(round(self._io.clock_hz / (16 * line.baud)), 1)
        self._put(IER, 0)
        self._put(LCR, control | LCR_DLAB)
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        # The 64-character FIFO can only be chosen while DLAB is set.
        fifo = {1: 0, 16: FCR_ON_EMPTY, 64: FCR_ON_EMPTY | FCR_64}
        self._put(FCR, fifo[self.depth])
        self._put(LCR, control)
        while self._io.read8(self._lsr) & DATA_READY:
            self._io.read8(self._rbr)
        self._received.clear()
        self._put(MCR, MCR_ONLINE)
        self._is_open = True

    def close(self) -> None:
        """Let what was written leave, and let go of the device."""
        if self._is_open:
            self.drain((2 * self.depth + 4) * self._character_s)
            self._put(MCR, 0)
            self._is_open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Hand `data` over a FIFO at a time, receiving meanwhile; return how many bytes it took."""
        sent = 0

        def all_sent(status: int) -> bool:
            nonlocal sent
            if status & THR_EMPTY:
                row = data[sent : sent + self.depth]
                self._io.write8_rep(THR * self._io.stride, row)
                sent += len(row)
            return sent >= len(data)

        self._look_until(all_sent, timeout)
        return sent

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Look until `size` bytes are there or `timeout` seconds are over; return what came."""
        self._look_until(lambda _status: len(self._received) >= size, timeout)
        part = bytes(self._received[:size])
        del self._received[: len(part)]
        return part

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left; return False if it has not within `timeout`."""
        return self._look_until(lambda status: status & IDLE == IDLE, timeout)

    def _look_until(self, done: Callable[[int], bool], timeout: float | None) -> bool:
        """Look, take and rest until `done` likes the line status or the time-out is over."""
        deadline = math.inf if timeout is None else self._cpu.time() + timeout
        while True:
            now = self._cpu.time()
            status = self._take()
            if done(status):
                return True
            if now >= deadline:
                return False
            if self.rest_characters:
                self._cpu.sleep(min(self.rest_characters * self._character_s, deadline - now))

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

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)
