"""Drive a 16550-compatible serial controller by polling, without any interrupt.

The one idea: every look at the line status goes through `_look`, which keeps whatever the look
saw. Reading LSR clears its error bits for good, and they speak of the character on top of the
receive FIFO; so one look counts the errors and takes that character in the same breath. Sending,
receiving, draining and closing are the same loop around that look, and each of them receives:
a long `write` does not let the receiver overrun.

A character that came with a framing error, a parity error or a break is counted and dropped. An
overrun is counted, and the character next to it kept. Counters run on over `close` and `open`.

What it leaves out: between two calls nobody looks, so the device's own FIFO has to hold what
arrives (16 characters, or a single one on a 16450). One caller at a time. No flow control.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

# Register numbers. DLL and DLM take the place of the first two while LCR.DLAB is set.
RBR = THR = DLL = 0
IER = DLM = 1
IIR = FCR = 2
LCR, MCR, LSR, MSR = 3, 4, 5, 6

FCR_ON = 0x01
FCR_FRESH = 0x07  # FIFO on, both directions emptied
IIR_IDENTITY = 0xF0
IIR_FIFO_ON = 0xC0

LCR_STOP, LCR_BREAK, LCR_DLAB = 0x04, 0x40, 0x80
LCR_PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
LCR_PARITY_ON = 0x08

MCR_ONLINE = 0x0B  # DTR, RTS and OUT2

DATA_READY, OVERRUN, PARITY, FRAMING, BREAK = 0x01, 0x02, 0x04, 0x08, 0x10
THR_EMPTY, IDLE = 0x20, 0x60
BAD_CHARACTER = PARITY | FRAMING | BREAK
ALL_ONES = 0xFF

BUFFER_BYTES = 4096
TRIES = 3  # of an access while setting up, and of a setting that does not read back
BAUD_TOLERANCE = 0.03
LOOKS_PER_CHARACTER = 4
LONGEST_ROW = 32  # of characters without a rest, even if the device claims to have more
VAIN_LOOKS = 16  # at a device that would not be set up, before that is tried again
QUIET_LOOKS = 128  # so many looks without a character: time to ask if the device is still set up
LEFTOVER_S = 0.25  # one character at 50 baud, the slowest rate that is still met


class PolledDriver:
    """Serial driver that asks the device again and again."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self.fifo_depth = 1
        self._io = io
        self._cpu = cpu
        self._stride = io.stride
        self._received = bytearray()
        self._dropping = False
        self._is_open = False
        self._programmed = False
        self._vain_looks = 0
        self._quiet_looks = 0
        self._character_s = 0.0
        self._line_control = 0
        self._fifo_control = FCR_FRESH
        self._divisor = 1

    def open(self, line: LineSettings) -> None:
        """Set the device up for `line`, whatever state it is in; do not wait for a dead one.

        A device that cannot be set up now is set up by the first call that finds it alive.

        Raises:
            ValueError: no divisor comes within 3 % of the baud rate.
        """
        divisor = divisor_for(self._io.clock_hz, line.baud)
        self.close()
        self._divisor = divisor
        self._line_control = line_control(line)
        self._character_s = line.character_s
        self._quiet_looks = 0
        self._fifo_control = FCR_FRESH
        try:
            self._silence_leftovers()
            self._programmed = self._program()
        except BusError:
            self._programmed = False
        self._received.clear()
        self._dropping = False
        self._is_open = True

    def close(self) -> None:
        """Let the characters in the device leave, within twice their time, and let go of it."""
        if not self._is_open:
            return
        self.drain((2 * self.fifo_depth + 4) * self._character_s)
        self._is_open = False
        self._store(IER, 0)
        self._store(MCR, 0)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Hand `data` to the device, receiving meanwhile; return how many bytes it took."""
        sent = 0

        def all_sent(status: int) -> bool:
            nonlocal sent
            if status & THR_EMPTY:
                sent += self._load(data[sent : sent + self.fifo_depth])
            return sent >= len(data)

        self._poll(all_sent, timeout)
        return sent

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Wait until `size` bytes are there or `timeout` seconds are over; return what came."""
        taken = bytearray()

        def enough(_status: int) -> bool:
            taken.extend(self._take(size - len(taken)))
            return len(taken) >= size

        if not enough(0):
            self._poll(enough, timeout)
        return bytes(taken)

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left; return False if it has not within `timeout`."""
        return self._poll(lambda status: status & IDLE == IDLE, timeout)

    def _poll(self, done: Callable[[int], bool], timeout: float | None) -> bool:
        """Look until `done` likes the line status; the last look comes after the time-out."""
        deadline = math.inf if timeout is None else self._cpu.time() + timeout
        self._vain_looks = row = 0
        while self._is_open:
            late = self._cpu.time() >= deadline
            status = self._look()
            if done(status):
                return True
            if late:
                return False
            row = row + 1 if status & DATA_READY else 0
            if row % LONGEST_ROW == 0:
                self._nap(deadline)
        return False

    def _nap(self, deadline: float) -> None:
        """Leave the bus alone for part of a character; now and then, check the device."""
        left = max(deadline - self._cpu.time(), 0.0)
        self._cpu.sleep(min(left, self._character_s / LOOKS_PER_CHARACTER))
        self._quiet_looks += 1
        if self._quiet_looks >= QUIET_LOOKS:
            self._quiet_looks = 0
            self._check_settings()

    def _look(self) -> int:
        """Read LSR once, count what it flags, take the character it speaks of; return it.

        A bus error, or a device that is gone, gives 0: nothing there and no room.
        """
        try:
            if not self._programmed and not self._restore():
                return 0
            status = self._io.read8(LSR * self._stride)
            if status == ALL_ONES:
                status = self._second_look()
            self._count(status)
            if status & DATA_READY:
                self._take_character(status)
        except BusError:
            return 0
        return status

    def _second_look(self) -> int:
        """Judge an all-ones status: the device is gone, the reading was bad, or it is true.

        It can only be true with a parity bit, as a break that is a parity error as well, and then
        the character is still there while the flags went with the first look.
        """
        status = self._io.read8(LSR * self._stride)
        if status == ALL_ONES:
            return 0
        if self._line_control & LCR_PARITY_ON and status & DATA_READY:
            self._count(status)
            return ALL_ONES
        return status

    def _count(self, status: int) -> None:
        """Count the flags of one look; a break is no framing or parity error on top."""
        if status & OVERRUN:
            self.errors.overrun += 1
        if status & BREAK:
            self.errors.breaks += 1
            return
        if status & FRAMING:
            self.errors.framing += 1
        if status & PARITY:
            self.errors.parity += 1

    def _take_character(self, status: int) -> None:
        """Move one character into the buffer, or drop it if its own frame was in error."""
        byte = self._io.read8(RBR * self._stride)
        self._quiet_looks = 0
        if status & BAD_CHARACTER:
            return
        if len(self._received) < BUFFER_BYTES:
            self._received.append(byte)
        elif not self._dropping:
            self._dropping = True
            self.errors.overrun += 1

    def _take(self, size: int) -> bytes:
        """Take up to `size` bytes out of the buffer."""
        part = bytes(self._received[: max(size, 0)])
        if part:
            del self._received[: len(part)]
            self._dropping = False
        return part

    def _load(self, chunk: bytes) -> int:
        """Write `chunk` into the empty transmit FIFO; return how many bytes the bus carried."""
        for count, byte in enumerate(chunk):
            try:
                self._io.write8(THR * self._stride, byte)
            except BusError:
                return count
        return len(chunk)

    def _silence_leftovers(self) -> None:
        """Stop what a predecessor left going and let its last character finish.

        The frame format stays until then: changing it under a moving character would garble it.
        """
        control = self._get(LCR)
        self._store(LCR, control & ~(LCR_DLAB | LCR_BREAK))
        self._store(IER, 0)
        self._put(FCR, FCR_FRESH)
        deadline = self._cpu.time() + LEFTOVER_S
        self._programmed = True
        while self._look() & IDLE != IDLE and self._cpu.time() < deadline:
            self._cpu.sleep(LEFTOVER_S / 256)

    def _program(self) -> bool:
        """Write all settings; return True if the device holds them.

        That empties the FIFOs once; what waits there later came while the port was open.
        """
        # Without DLAB the divisor would go out on the line as data; DLAB goes off in any case.
        divisor_held = (
            self._store(LCR, self._line_control | LCR_DLAB)
            and self._store(DLL, self._divisor & 0xFF)
            and self._store(DLM, self._divisor >> 8)
        )
        if not self._store(LCR, self._line_control):
            return False
        self._put(FCR, self._fifo_control)
        self.fifo_depth = 16 if self._fifo_is_on() else 1
        online = self._store(IER, 0) and self._store(MCR, MCR_ONLINE)
        self._get(MSR)
        if not (divisor_held and online):
            return False
        self._fifo_control = FCR_ON
        return True

    def _fifo_is_on(self) -> bool:
        """Ask IIR, twice, because a FIFO thought too deep would lose characters."""
        identity = self._get(IIR) & self._get(IIR)
        return identity & IIR_IDENTITY & ~0x20 == IIR_FIFO_ON

    def _restore(self) -> bool:
        """Set the device up again after it failed to hold its settings, but not at each look."""
        self._vain_looks += 1
        if self._vain_looks % VAIN_LOOKS == 1:
            self._programmed = self._program()
        return self._programmed

    def _check_settings(self) -> None:
        """Find out whether the device has forgotten its settings, as after a reset of its own."""
        with suppress(BusError):
            if self._settings_lost() and self._settings_lost():
                self._programmed = False

    def _settings_lost(self) -> bool:
        """Compare LCR and MCR with what was written; a device that is gone proves nothing."""
        control = self._io.read8(LCR * self._stride)
        if control == ALL_ONES:
            return False
        return control != self._line_control or self._io.read8(MCR * self._stride) != MCR_ONLINE

    def _get(self, register: int) -> int:
        """Read a register while setting up: a bus error that passes spoils nothing.

        Raises:
            BusError: three in a row.
        """
        for _ in range(TRIES - 1):
            with suppress(BusError):
                return self._io.read8(register * self._stride)
        return self._io.read8(register * self._stride)

    def _put(self, register: int, value: int) -> None:
        """Write a register that cannot be read back, with as much patience as `_get`."""
        for _ in range(TRIES - 1):
            with suppress(BusError):
                self._io.write8(register * self._stride, value)
                return
        self._io.write8(register * self._stride, value)

    def _store(self, register: int, value: int) -> bool:
        """Write a register until it reads back `value`, three times at most."""
        for _ in range(TRIES):
            with suppress(BusError):
                self._io.write8(register * self._stride, value)
                if self._io.read8(register * self._stride) == value:
                    return True
        return False


def divisor_for(clock_hz: int, baud: int) -> int:
    """Return the divisor of the 16x baud generator that comes nearest to `baud`.

    Raises:
        ValueError: the nearest divisor is more than 3 % off.
    """
    divisor = min(max(round(clock_hz / (16 * baud)), 1), 0xFFFF)
    actual = clock_hz / (16 * divisor)
    if abs(actual - baud) > BAUD_TOLERANCE * baud:
        msg = f"{baud} baud cannot be made from {clock_hz} Hz: the nearest is {actual:.0f} baud"
        raise ValueError(msg)
    return divisor


def line_control(line: LineSettings) -> int:
    """Return the LCR value of a frame format, with DLAB and break off."""
    stop = LCR_STOP if line.stop_bits != 1 else 0
    return (line.data_bits - 5) | stop | LCR_PARITY[line.parity]
