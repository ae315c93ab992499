"""Drive a 16550-compatible serial controller by interrupts, with a queue in each direction.

The one idea: one routine, `_service`, does everything the device can ask for. It empties the
receiver, fills the transmitter if there is room and something to send, and asks for transmit
interrupts exactly as long as something is queued. The handler calls it, and so does any call that
wants something done now, with interrupts masked. So nothing depends on which interrupt came, on
how many, or on whether one was lost: a call that waits serves the device by hand when no
interrupt has come for longer than a full FIFO lasts on the line.

Reading LSR clears its error bits, which speak of the character on top of the receive FIFO; the
two reads therefore always come as a pair that nothing can tear apart, and both results are kept.
A character that came with a framing error, a parity error or a break is counted and dropped. An
overrun is counted, and the character next to it kept; what finds the receive queue full is dropped
and counts as one overrun a gap. Counters run on over `close` and `open`.

`open` measures the FIFO (none, 16 or 64 characters) and sends one character to itself in loopback,
where the line does not see it. `fifo_depth` and `self_test_passed` hold the results.

What it leaves out: flow control, modem-status reports, sending a break.
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

IER_RECEIVE = 0x05  # received data and line status
IER_TRANSMIT = 0x02

IIR_NONE_PENDING = 0x01
IIR_CAUSE = 0x0F
IIR_MODEM_STATUS, IIR_RECEIVED = 0x00, 0x04
IIR_IDENTITY = 0xF0
FIFO_DEPTH = {0xC0: 16, 0xE0: 64}  # by identity; anything else has no usable FIFO

FCR_NEARLY_FULL = 0xC1  # FIFO on, receive interrupt at 14 of 16 or 56 of 64
TRIGGER_LEVEL = {1: 1, 16: 14, 64: 56}  # of a FIFO of that depth
FCR_EMPTY_BOTH = 0x06
FCR_EMPTY_TRANSMIT = 0x04
FCR_64 = 0x20

LCR_STOP, LCR_BREAK, LCR_DLAB = 0x04, 0x40, 0x80
LCR_PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
LCR_PARITY_ON = 0x08

MCR_ONLINE = 0x0B  # DTR, RTS and OUT2, which gates the interrupt on many boards
MCR_LOOPBACK = 0x10

DATA_READY, OVERRUN, PARITY, FRAMING, BREAK = 0x01, 0x02, 0x04, 0x08, 0x10
THR_EMPTY, IDLE = 0x20, 0x60
BAD_CHARACTER = PARITY | FRAMING | BREAK
RECEIVE_BITS = DATA_READY | OVERRUN | BAD_CHARACTER
ERROR_IN_FIFO = 0x80
ALL_ONES = 0xFF

RECEIVE_BYTES = 4096
TRANSMIT_BYTES = 1024
READ_BATCH = RECEIVE_BYTES // 2  # a long read moves this much at a time out of the queue
HANDLER_PASSES = 4
TRIES = 3  # of an access while setting up, and of a setting that does not read back
STORM = 32  # so many entries for nothing, this close together: the interrupt is stuck
STORM_GAP_S = 10e-6
BAUD_TOLERANCE = 0.03
LEFTOVER_S = 0.25  # one character at 50 baud, the slowest rate that is still met
TEST_CHARACTER = 0x96


class InterruptDriver:
    """Serial driver whose handler moves the characters."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self.fifo_depth = 1
        self.self_test_passed = False
        self._io = io
        self._cpu = cpu
        self._stride = io.stride
        self._received = bytearray()
        self._outgoing = bytearray()
        self._dropping = False
        self._is_open = False
        self._accepting = False
        self._connected = False
        self._programmed = False
        self._enabled = self._emptying = 0
        self._fruitless = 0
        self._fruitless_at_s = 0.0
        self._character_s = 0.0
        self._line_control = 0
        self._divisor = 1

    # The calls of the driver's user.

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
        self._enabled = 0
        self._emptying = FCR_EMPTY_BOTH
        try:
            self._silence_leftovers()
            self._programmed = self._program()
            self.self_test_passed = self._programmed and self._echoes(line.data_bits)
            self._emptying = 0
        except BusError:
            self._programmed = self.self_test_passed = False
        with self._cpu.interrupts_masked():
            self._go_online()

    def close(self) -> None:
        """Let accepted bytes leave, within twice their time on the line, and let go of the device.

        Bytes already received stay readable until the next `open`.
        """
        if not self._is_open:
            return
        self._accepting = False
        in_flight = len(self._outgoing) + self.fifo_depth + 1
        drained = self.drain((2 * in_flight + 4) * self._character_s)
        with self._cpu.interrupts_masked():
            if self._is_open:
                self._shut_down(drained)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Queue `data`, waiting up to `timeout` seconds for room; return how many bytes fitted."""
        deadline = self._deadline(timeout)
        accepted = self._queue(data)
        while accepted < len(data) and self._wait_until(self._has_room, deadline):
            if not self._accepting:
                break
            accepted += self._queue(data[accepted:])
        return accepted

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Wait until `size` bytes are there or `timeout` seconds are over; return what came."""
        deadline = self._deadline(timeout)
        taken = bytearray()

        def enough() -> bool:
            return len(self._received) >= min(size - len(taken), READ_BATCH)

        in_time = True
        while in_time and len(taken) < size:
            in_time = self._wait_until(enough, deadline)
            taken += self._take(size - len(taken))
        return bytes(taken)

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left; return False if it has not within `timeout`."""
        deadline = self._deadline(timeout)
        if not self._wait_until(self._all_handed_over, deadline):
            return False
        # No interrupt tells the end of the last character, so this part is looked for.
        while self._is_open:
            late = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                idle = self._service() & IDLE == IDLE and not self._outgoing
            if idle or late:
                return idle
            self._cpu.sleep(self._character_s / 2)
        return False

    # Waiting.

    def _deadline(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout

    def _has_room(self) -> bool:
        return len(self._outgoing) < TRANSMIT_BYTES

    def _all_handed_over(self) -> bool:
        return not self._outgoing

    def _wait_until(self, done: Callable[[], bool], deadline: float) -> bool:
        """Sleep until `done`; serve the device by hand at the deadline, or when it is silent.

        Test and sleep happen with interrupts masked: an interrupt between the two would otherwise
        be spent before the sleep, and the sleep would never end. A pending interrupt still ends
        the sleep, and its handler runs when the mask is lifted.
        """
        patience = (self.fifo_depth + 8) * self._character_s
        while True:
            with self._cpu.interrupts_masked():
                if not self._is_open:
                    return False
                if done():
                    return True
                left = deadline - self._cpu.time()
                if left <= 0:
                    self._service()
                    return done()
                woken = self._cpu.wait_for_interrupt(min(left, patience))
                if not woken or not self._connected:
                    self._check_up()

    def _check_up(self) -> None:
        """Look after a device that has not spoken for long, for no reason or for a bad one.

        Its interrupt may have been lost, the device may have dropped a write to IER or been reset,
        or a stuck interrupt line may have been cut off. Call with interrupts masked.
        """
        if not self._is_open:
            return
        self._connect()
        with suppress(BusError):
            if self._settings_lost() and self._settings_lost():
                self._programmed = False
        if self._programmed:
            self._store(IER, self._enabled)
        self._service()

    # The queues. Handler and calls share them, so the calls touch them with interrupts masked.

    def _queue(self, data: bytes) -> int:
        """Append what fits of `data` to the transmit queue and get it going."""
        with self._cpu.interrupts_masked():
            if not self._accepting:
                return 0
            chunk = data[: TRANSMIT_BYTES - len(self._outgoing)]
            self._outgoing += chunk
            self._connect()
            self._service()
        return len(chunk)

    def _take(self, size: int) -> bytes:
        """Take up to `size` bytes out of the receive queue."""
        with self._cpu.interrupts_masked():
            part = bytes(self._received[:size])
            if part:
                del self._received[: len(part)]
                self._dropping = False
        return part

    # What the device asks for. Everything here runs in the handler or with interrupts masked.

    def _handle_interrupt(self) -> None:
        """Serve the device until it asks for nothing more, so that an edge-sensed line works too.

        An interrupt without a cause is left alone: there is nothing to take. One whose cause does
        not go away is left to the calls that wait, and so is a device that lost its settings.
        """
        if not self._programmed:
            self._disconnect()
        elif not self._serve_causes():
            self._note_fruitless()

    def _serve_causes(self) -> bool:
        """Serve one cause after the other; return True if there were some and none is left."""
        try:
            for served in range(HANDLER_PASSES):
                cause = self._io.read8(IIR * self._stride)
                if cause & IIR_NONE_PENDING:
                    return served > 0
                if cause & IIR_CAUSE == IIR_MODEM_STATUS:
                    self._io.read8(MSR * self._stride)
                else:
                    full = cause & IIR_CAUSE == IIR_RECEIVED
                    self._service(TRIGGER_LEVEL[self.fifo_depth] if full else 0)
        except BusError:
            pass
        return False

    def _note_fruitless(self) -> None:
        """Cut off an interrupt that keeps coming for nothing; `_connect` gives it a new chance.

        At a working device the next interrupt is never that close: other code gets to run.
        """
        now = self._cpu.time()
        at_once = now - self._fruitless_at_s < STORM_GAP_S
        self._fruitless = self._fruitless + 1 if at_once else 1
        self._fruitless_at_s = now
        if self._fruitless >= STORM:
            self._disconnect()

    def _service(self, announced: int = 0) -> int:
        """Empty the receiver, feed the transmitter; return the last line status.

        `announced` is how many characters an interrupt said are waiting at least.
        A bus error, or a device that is gone, gives 0: nothing there and no room. What was moved
        or counted before the error stays so, and the next call goes on from there.
        """
        try:
            if self._is_open and (self._programmed or self._restore()):
                status = self._take_in(announced)
                self._feed(status)
                return status
        except BusError:
            pass
        return 0

    def _take_in(self, announced: int) -> int:
        """Move received characters into the queue; return the last line status.

        Characters that the interrupt announced are read in a row after one look at the status,
        which shows an error anywhere in the FIFO; that nearly halves the accesses. The rest, and
        all of them once there is an error, take a look each. The loop ends, even if the device
        claims forever to have one more.
        """
        read8 = self._io.read8
        lsr, rbr = LSR * self._stride, RBR * self._stride
        received = self._received
        status = 0
        if announced > 1:
            status = read8(lsr)
            if status & (RECEIVE_BITS | ERROR_IN_FIFO) == DATA_READY:
                received.extend(self._io.read8_rep(rbr, announced))
            elif status & RECEIVE_BITS:
                self._take_flagged(status)
        for _ in range(2 * self.fifo_depth + 8):
            status = read8(lsr)
            if status & RECEIVE_BITS == DATA_READY:
                received.append(read8(rbr))
            elif status & RECEIVE_BITS:
                status = self._take_flagged(status)
                if not status & DATA_READY:
                    break
            else:
                break
        if len(received) > RECEIVE_BYTES:
            self._drop_excess()
        return status

    def _take_flagged(self, status: int) -> int:
        """Count the flags of one look and take its character, if any; return the true status."""
        if status == ALL_ONES:
            status = self._second_look()
        self._count(status)
        if status & DATA_READY:
            byte = self._io.read8(RBR * self._stride)
            if not status & BAD_CHARACTER:
                self._received.append(byte)
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

    def _drop_excess(self) -> None:
        """Cut the receive queue back to its size and count one overrun for the whole gap."""
        del self._received[RECEIVE_BYTES:]
        if not self._dropping:
            self._dropping = True
            self.errors.overrun += 1

    def _feed(self, status: int) -> None:
        """Fill the transmitter if it is empty; ask for its interrupt while bytes are queued.

        The request goes out after the filling: raised over an empty transmitter, it would
        interrupt at once.
        """
        if status & THR_EMPTY and self._outgoing:
            self._load(self._outgoing[: self.fifo_depth])
        enabled = IER_RECEIVE | IER_TRANSMIT if self._outgoing else IER_RECEIVE
        if enabled != self._enabled:
            self._io.write8(IER * self._stride, enabled)
            self._enabled = enabled

    def _load(self, chunk: bytearray) -> None:
        """Write `chunk` into the empty transmit FIFO and off the queue, byte for byte."""
        loaded = 0
        try:
            for byte in chunk:
                self._io.write8(THR * self._stride, byte)
                loaded += 1
        finally:
            del self._outgoing[:loaded]

    # Setting up and letting go.

    def _go_online(self) -> None:
        """Start with empty queues, the handler connected before the device may interrupt."""
        self._received.clear()
        self._outgoing.clear()
        self._dropping = False
        self._is_open = self._accepting = True
        self._connect()
        if self._programmed:
            self._programmed = self._enable_receive()

    def _shut_down(self, drained: bool) -> None:
        """Keep what the device has flagged so far, then silence it and drop what never left."""
        with suppress(BusError):
            if self._programmed:
                self._take_in(0)
            if not drained and self.fifo_depth > 1:
                self._io.write8(FCR * self._stride, self._fifo_control() | FCR_EMPTY_TRANSMIT)
        if not self._programmed:
            self._store(LCR, self._line_control)
        self._store(IER, 0)
        self._store(MCR, 0)
        self._disconnect()
        self._outgoing.clear()
        self._is_open = False

    def _connect(self) -> None:
        if not self._connected:
            self._fruitless = 0
            self._connected = True
            self._cpu.connect(self._io.irq, self._handle_interrupt)

    def _disconnect(self) -> None:
        if self._connected:
            self._connected = False
            self._cpu.disconnect(self._io.irq, self._handle_interrupt)

    def _silence_leftovers(self) -> None:
        """Stop what a predecessor left going and let its last character finish.

        The frame format stays until then: changing it under a moving character would garble it.
        """
        control = self._get(LCR)
        self._store(LCR, control & ~(LCR_DLAB | LCR_BREAK))
        self._store(IER, 0)
        self._put(FCR, FCR_NEARLY_FULL | FCR_EMPTY_BOTH)
        deadline = self._cpu.time() + LEFTOVER_S
        while self._get(LSR) & IDLE != IDLE and self._cpu.time() < deadline:
            self._cpu.sleep(LEFTOVER_S / 256)

    def _program(self) -> bool:
        """Write all settings but IER; return True if the device holds them.

        The FIFOs are emptied until `open` has left nothing of its own in them; what waits there
        later came while the port was open.
        """
        # Without DLAB the divisor would go out on the line as data; DLAB goes off in any case.
        divisor_held = (
            self._store(LCR, self._line_control | LCR_DLAB)
            and self._store(DLL, self._divisor & 0xFF)
            and self._store(DLM, self._divisor >> 8)
        )
        # The 64-character FIFO can only be chosen while DLAB is set.
        self._put(FCR, FCR_NEARLY_FULL | FCR_64 | self._emptying)
        if not self._store(LCR, self._line_control):
            return False
        self.fifo_depth = self._measure_fifo()
        online = self._store(MCR, MCR_ONLINE)
        self._get(MSR)
        return divisor_held and online

    def _measure_fifo(self) -> int:
        """Ask IIR, twice, because a FIFO thought too deep would lose characters."""
        identity = self._get(IIR) & self._get(IIR)
        return FIFO_DEPTH.get(identity & IIR_IDENTITY, 1)

    def _fifo_control(self) -> int:
        return FCR_NEARLY_FULL | FCR_64 if self.fifo_depth > 16 else FCR_NEARLY_FULL

    def _enable_receive(self) -> bool:
        self._enabled = IER_RECEIVE
        return self._store(IER, IER_RECEIVE)

    def _restore(self) -> bool:
        """Set the device up again after it failed to hold its settings."""
        self._programmed = self._program() and self._enable_receive()
        if self._programmed:
            self._emptying = 0
        return self._programmed

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

    # The self-test.

    def _echoes(self, data_bits: int) -> bool:
        """Send one character to ourselves in loopback, leave no trace; return True if it came."""
        try:
            return self._store(MCR, MCR_LOOPBACK) and self._comes_back(
                TEST_CHARACTER & ((1 << data_bits) - 1)
            )
        finally:
            self._programmed = self._store(MCR, MCR_ONLINE)
            self._get(MSR)

    def _comes_back(self, character: int) -> bool:
        """Send `character` in loopback and see whether it is received, alone and sound."""
        self._cpu.sleep(self._character_s)  # a character half received from the line runs out
        self._discard_received()
        self._put(THR, character)
        came = self._await_echo() & RECEIVE_BITS == DATA_READY
        echoed = came and self._get(RBR) == character
        self._discard_received()
        return echoed

    def _await_echo(self) -> int:
        """Wait, three characters at most, for the echo to be in and the transmitter to be idle.

        Returns:
            All status bits that were seen on the way.
        """
        seen = 0
        deadline = self._cpu.time() + 3 * self._character_s
        while True:
            late = self._cpu.time() >= deadline
            status = self._get(LSR)
            seen |= status
            if late or (status & DATA_READY and status & IDLE == IDLE):
                return seen
            self._cpu.sleep(self._character_s / 8)

    def _discard_received(self) -> None:
        """Throw away what loopback has brought, flags and all: it says nothing of the line."""
        if self.fifo_depth > 1:
            self._put(FCR, self._fifo_control() | FCR_EMPTY_BOTH)
        for _ in range(self.fifo_depth + 1):
            status = self._get(LSR)
            if not status & DATA_READY or status == ALL_ONES:
                return
            self._get(RBR)


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
