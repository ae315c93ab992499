"""Drive the controller as a 16450: no FIFO, one character for each interrupt.

Each entry of the handler serves the one cause that IIR names, with one access to the data register
at most, and returns; a level line brings it back for the next, and on an edge-sensed one turning
IER off and on makes an edge if there is one. The next character may fall on top
of the one that LSR spoke of, so its flags are counted whether or not there is a character to take.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

DATA, IER, IIR, LCR, MCR, LSR, MSR = 0, 1, 2, 3, 4, 5, 6
FCR, DLL, DLM = 2, 0, 1
PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
RECEIVE_CAUSES, SEND_CAUSE = 0x05, 0x02
LINE_STATUS, RECEIVED, SENDER_EMPTY, MODEM_STATUS = 0x06, 0x04, 0x02, 0x00
DR, OE, PE, FE, BI, THRE, TEMT = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x40
CAPACITY = 1024


class OneAtATime:
    """Serial driver that moves a character an interrupt."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu = io, cpu
        self._in: deque[int] = deque()
        self._out: deque[int] = deque()
        self._open = self._ending = self._wired = self._spilling = False
        self._enabled = self._nothing_done = 0
        self._format, self._character_s = 0x03, 0.0

    def open(self, line: LineSettings) -> None:
        divisor = int(self._io.clock_hz / (16 * line.baud) + 0.5)
        if not 0 < divisor < 0x10000:
            raise ValueError(f"{line.baud} baud needs divisor {divisor}")
        if abs(self._io.clock_hz / (16 * divisor * line.baud) - 1) > 0.03:
            raise ValueError(f"{line.baud} baud is more than 3 % off")
        self.close()
        self._character_s = line.character_s
        self._format = PARITY[line.parity] | (0x04 if line.stop_bits > 1 else 0)
        self._format |= line.data_bits - 5
        self._make_quiet()
        for _ in range(100):
            if self._settings_hold(divisor):
                break
            self._cpu.sleep(0.002)
        with self._cpu.interrupts_masked():
            self._in.clear()
            self._out.clear()
            self._open, self._ending, self._spilling = True, False, False
            self._wire(True)
            self._enable(RECEIVE_CAUSES)

    def close(self) -> None:
        self._ending = True
        while self._open:
            before = len(self._out)
            if self.drain(8 * self._character_s + 0.1) or len(self._out) == before:
                break
        with self._cpu.interrupts_masked():
            if self._open:
                self._take_one()
                self._persist(IER, 0)
                self._persist(MCR, 0)
                self._wire(False)
                self._open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        rest = deque(data)

        def queued() -> bool:
            while rest and len(self._out) < CAPACITY and not self._ending:
                self._out.append(rest.popleft())
            if self._out:
                self._enable(RECEIVE_CAUSES | SEND_CAUSE)
            return not rest or self._ending

        self._until(queued, timeout)
        return len(data) - len(rest)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        found = bytearray()

        def enough() -> bool:
            while self._in and len(found) < size:
                found.append(self._in.popleft())
            return len(found) == size

        self._until(enough, timeout)
        return bytes(found)

    def drain(self, timeout: float | None = None) -> bool:
        def silent() -> bool:
            return not self._out and self._take_one() & TEMT != 0

        return self._until(silent, timeout, self._character_s / 2)

    def _until(
        self, so: Callable[[], bool], timeout: float | None, look_s: float = math.inf
    ) -> bool:
        """Wait for ``so()``, which is asked with interrupts masked, at least every `look_s`."""
        end = math.inf if timeout is None else self._cpu.time() + timeout
        look_s = min(look_s, 6 * self._character_s)
        while True:
            with self._cpu.interrupts_masked():
                if not self._open:
                    return False
                left = end - self._cpu.time()
                if left <= 0:
                    self._serve_by_hand()
                if so():
                    return True
                if left <= 0:
                    return False
                if not self._cpu.wait_for_interrupt(min(left, look_s)):
                    self._wire(True)
                    self._put(IER, self._enabled)
                    self._serve_by_hand()

    # In the handler, or with interrupts masked

    def _handle(self) -> None:
        """Serve one cause; give the line up if forty calls in a row brought nothing."""
        self._nothing_done += 1
        if self._nothing_done > 40:
            self._wire(False)
        with suppress(BusError):
            cause = self._get(IIR) & 0x0F
            if cause in (RECEIVED, LINE_STATUS):
                self._take_one()
            elif cause == SENDER_EMPTY:
                self._send_one()
            elif cause == MODEM_STATUS:
                self._get(MSR)
            if cause == LINE_STATUS or not self._nothing_done:
                self._put(IER, 0)
                self._put(IER, self._enabled)  # an edge for what is left, if edges are sensed

    def _serve_by_hand(self) -> None:
        if self._take_one() & THRE and self._out:
            self._send_one()

    def _send_one(self) -> None:
        """Send the next character, or ask for no more interrupts when there is none."""
        if self._out:
            self._put(DATA, self._out[0])
            self._out.popleft()
            self._nothing_done = 0
        if not self._out:
            self._enable(RECEIVE_CAUSES)

    def _take_one(self) -> int:
        """Read LSR, count what it flags, and take the character if there is one."""
        status = self._line_status()
        self.errors.overrun += bool(status & OE)
        if status & BI:
            self.errors.breaks += 1
        else:
            self.errors.framing += bool(status & FE)
            self.errors.parity += bool(status & PE)
        if status & DR:
            byte = self._get(DATA)
            self._nothing_done = 0
            if not status & (BI | FE | PE):
                self._put_by(byte)
        return status

    def _put_by(self, byte: int) -> None:
        """Keep a character, or count that there is no place for it."""
        if len(self._in) < CAPACITY:
            self._in.append(byte)
            self._spilling = False
        elif not self._spilling:
            self._spilling = True
            self.errors.overrun += 1

    def _line_status(self) -> int:
        """Read LSR; ones only are asked about twice, and believed of a break with parity alone."""
        status = self._get(LSR)
        if status != 0xFF:
            return status
        status = self._get(LSR)
        if status == 0xFF:
            return 0
        true = status & 0x61 == 0x61 and self._format & PARITY["odd"]
        return 0xFF if true else status

    def _enable(self, causes: int) -> None:
        if causes != self._enabled:
            self._put(IER, causes)
            self._enabled = causes

    def _wire(self, on: bool) -> None:
        if on != self._wired:
            self._wired, self._nothing_done = on, 0
            (self._cpu.connect if on else self._cpu.disconnect)(self._io.irq, self._handle)

    # Settings

    def _make_quiet(self) -> None:
        self._persist(LCR, self._get(LCR) & 0x3F)
        self._persist(IER, 0)
        self._enabled = 0
        self._persist(MCR, 0)
        self._put(FCR, 0x07)  # where there are FIFOs, clear them before they are turned off
        self._put(FCR, 0x00)
        for _ in range(100):
            if self._line_status() & TEMT:
                break
            self._cpu.sleep(0.002)

    def _settings_hold(self, divisor: int) -> bool:
        """Write the settings and throw away what was received; return whether they read back."""
        latched = self._persist(LCR, self._format | 0x80)
        latched = latched and self._persist(DLL, divisor % 256)
        latched = latched and self._persist(DLM, divisor // 256)
        plain = self._persist(LCR, self._format)
        online = self._persist(MCR, 0x0B)
        self._put(FCR, 0x00)
        fifo_off = self._get(IIR) & 0xC0 == 0
        for _ in range(80):
            if not self._line_status() & DR:
                break
            self._get(DATA)
        return latched and plain and online and fifo_off

    def _persist(self, register: int, value: int) -> bool:
        for _ in range(3):
            self._put(register, value)
            if self._get(register) == value:
                return True
        return False

    def _get(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)
