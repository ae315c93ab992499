"""Mask and defer: the handler only silences the device, all work is done by the calls.

The handler writes 0 to IER and remembers that there is something to do; whoever waits does it, with
interrupts masked, and opens IER again as the last step. Handler and work never overlap, so nothing
but that one flag is shared. Between calls nothing moves: the FIFO has to hold what arrives.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

# Register numbers
DATA, IER, FCR, LCR, MCR, LSR = range(6)
DIVISOR_LOW, DIVISOR_HIGH, IIR = DATA, IER, FCR

WANT_RECEIVED, WANT_ROOM = 0x05, 0x02
FRESH_FIFO, NEW_SENDER = 0x47, 0x45  # interrupt at 4 characters
PARITIES = ["none", "odd", None, "even", None, "mark", None, "space"]  # in the order of LCR
HAS_DATA, HAS_ROOM, IS_IDLE = 0x01, 0x20, 0x40
OVERRUN, PARITY, FRAMING, BREAK = 0x02, 0x04, 0x08, 0x10
MOST_HELD = 2048


class Deferred:
    """Serial driver with a handler of two lines."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io, self._cpu = io, cpu
        self._arrived: deque[int] = deque()
        self._leaving: deque[int] = deque()
        self._open = self._accepting = self._due = self._hooked = self._gap = False
        self._fifo, self._control, self._character_s = 1, 0x03, 0.0

    def open(self, line: LineSettings) -> None:
        divisor = max(round(self._io.clock_hz / (16 * line.baud)), 1)
        actual = self._io.clock_hz / (16 * divisor)
        if divisor > 0xFFFF or abs(actual / line.baud - 1) > 0.03:
            raise ValueError(f"{line.baud} baud cannot be made")
        self.close()
        self._character_s = line.character_s
        self._control = line.data_bits - 5 + 8 * PARITIES.index(line.parity)
        self._control |= 0x04 if line.stop_bits > 1 else 0
        self._stop_everything()
        for _ in range(200):
            if self._adopt(divisor):
                break
            self._cpu.sleep(0.001)
        with self._cpu.interrupts_masked():
            self._arrived.clear()
            self._leaving.clear()
            self._open, self._accepting, self._gap = True, True, False
            self._work()

    def close(self) -> None:
        self._accepting = False
        while self._open:
            before = len(self._leaving)
            if self.drain(2 * (self._fifo + 3) * self._character_s + 0.08):
                break
            if before == len(self._leaving):
                break
        with self._cpu.interrupts_masked():
            if self._open:
                self._work()
                self._put(FCR, NEW_SENDER)
                self._store(IER, 0)
                self._store(MCR, 0)
                self._hook(False)
                self._open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        count = 0

        def queued() -> bool:
            nonlocal count
            if self._accepting and not self._leaving:
                part = data[count : count + 512]
                self._leaving.extend(part)
                count += len(part)
                self._work()
            return count == len(data) or not self._accepting

        self._attend(queued, timeout)
        return count

    def read(self, size: int, timeout: float | None = None) -> bytes:
        enough = min(size, MOST_HELD // 2)
        self._attend(lambda: len(self._arrived) >= enough, timeout)
        with self._cpu.interrupts_masked():
            return bytes(self._arrived.popleft() for _ in range(min(size, len(self._arrived))))

    def drain(self, timeout: float | None = None) -> bool:
        def idle() -> bool:
            return not self._leaving and self._look() & IS_IDLE != 0

        # No interrupt tells that the last stop bit has left, so it is looked for.
        return self._attend(idle, timeout, self._character_s / 2)

    # Calls: wait, and work meanwhile

    def _attend(
        self, so: Callable[[], bool], timeout: float | None, nap_s: float = math.inf
    ) -> bool:
        """Work until ``so()`` is true, sleeping in between; both happen with interrupts masked.

        Masked, an interrupt still ends the sleep, and the handler runs when the mask is lifted.
        """
        end = math.inf if timeout is None else self._cpu.time() + timeout
        nap_s = min(nap_s, (self._fifo + 8) * self._character_s)
        vain = 0
        while True:
            with self._cpu.interrupts_masked():
                left = end - self._cpu.time()
                if not self._open:
                    return False
                before = len(self._arrived), len(self._leaving)
                self._work()
                if so():
                    return True
                if left <= 0:
                    return False
                moved = before != (len(self._arrived), len(self._leaving))
                woken = self._cpu.wait_for_interrupt(min(left, nap_s))
                vain = vain + 1 if woken and not moved else 0
            if vain > 16:  # called for nothing; the handler has just silenced the device
                self._cpu.sleep(min(left, self._character_s))

    def _work(self) -> None:
        """Empty the receiver, fill the transmitter, then let the device speak again."""
        self._due = False
        self._hook(True)
        status = self._look()
        for _ in range(100):
            if not status & HAS_DATA:
                break
            status = self._look()
        if status & HAS_ROOM:
            for _ in range(min(self._fifo, len(self._leaving))):
                self._put(DATA, self._leaving[0])
                self._leaving.popleft()
        self._put(IER, WANT_RECEIVED | WANT_ROOM if self._leaving else WANT_RECEIVED)

    def _look(self) -> int:
        """Read LSR, count its errors, take the character that it speaks of."""
        status = self._line_status()
        self.errors.overrun += bool(status & OVERRUN)
        self.errors.breaks += bool(status & BREAK)
        self.errors.parity += status & (PARITY | BREAK) == PARITY
        self.errors.framing += status & (FRAMING | BREAK) == FRAMING
        if status & HAS_DATA:
            byte = self._get(DATA)
            if not status & (PARITY | FRAMING | BREAK):
                self._hold(byte)
        return status

    def _hold(self, byte: int) -> None:
        if len(self._arrived) < MOST_HELD:
            self._arrived.append(byte)
            self._gap = False
        elif not self._gap:
            self._gap = True
            self.errors.overrun += 1

    def _line_status(self) -> int:
        """Read LSR; where it is all ones, a second look tells what to make of it."""
        first = self._get(LSR)
        if first != 0xFF:
            return first
        second = self._get(LSR)
        if second == 0xFF:
            return 0  # the device is gone
        broken = second & 0x61 == 0x61 and self._control & 0x08  # a break that fails its parity
        return first if broken else second

    # Handler

    def _handle(self) -> None:
        if self._due:
            self._hook(False)  # still calling, though silenced: leave it alone until the next work
        self._due = True
        with suppress(BusError):
            self._put(IER, 0)

    def _hook(self, on: bool) -> None:
        if on and not self._hooked:
            self._hooked = True
            self._cpu.connect(self._io.irq, self._handle)
        elif self._hooked and not on:
            self._hooked = False
            self._cpu.disconnect(self._io.irq, self._handle)

    # Settings

    def _stop_everything(self) -> None:
        """Whatever was set before, make it stop; a character that is leaving may end."""
        self._store(LCR, self._get(LCR) & 0x3F)
        self._store(IER, 0)
        self._store(MCR, 0)
        self._put(FCR, FRESH_FIFO)
        for _ in range(200):
            if self._line_status() & IS_IDLE:
                break
            self._cpu.sleep(0.001)

    def _adopt(self, divisor: int) -> bool:
        """Write the settings, all interrupts off, receiver emptied; False if they do not hold."""
        held = self._store(LCR, self._control | 0x80) and (
            self._store(DIVISOR_LOW, divisor & 0xFF) and self._store(DIVISOR_HIGH, divisor >> 8)
        )
        held = self._store(LCR, self._control) and held
        held = self._store(MCR, 0x0B) and held
        self._put(FCR, FRESH_FIFO)
        self._fifo = 16 if self._get(IIR) & self._get(IIR) & 0xC0 == 0xC0 else 1
        for _ in range(70):
            if not self._line_status() & HAS_DATA:
                break
            self._get(DATA)
        return held

    def _store(self, register: int, value: int) -> bool:
        for _ in range(3):
            self._put(register, value)
            if self._get(register) == value:
                return True
        return False

    def _get(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)
