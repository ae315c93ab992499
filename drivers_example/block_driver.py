"""Drive a 16550-compatible serial controller whose characters an engine moves, block by block.

The one idea: the engine always has a second block to go on with. It works through two descriptors
that name each other; while it fills the block of one, the handler takes back the other and lends
the next block of a ring in memory. So the handler may be late by as long as a block takes, and the
processor touches no character before the program reads it. The length is a class attribute.

What it takes care of: the interrupt is acknowledged before the descriptors are looked at, so that
no block is missed that is done in between; the doorbell is rung for each block, since an engine
that has run out of them does not interrupt; a character with an error is left to software by the
controller, so its flags are counted and it is taken by hand.

What it leaves out: sending by the engine, and recovery from a bus error of the engine.
`engine_driven.py` shows the first, and the power switches that some boards have.
"""

from __future__ import annotations

import math

from emu import Cpu, LineErrors, LineSettings, Window

# Register numbers. DLL and DLM take the place of the first two while LCR.DLAB is set.
RBR = THR = DLL = 0
IER = DLM = 1
FCR, LCR, MCR, LSR = 2, 3, 4, 5

IER_LINE_STATUS = 0x04
FCR_ON_EMPTY, FCR_64 = 0x07, 0x20
LCR_STOP, LCR_DLAB = 0x04, 0x80
LCR_PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}
MCR_ONLINE = 0x0B  # DTR, RTS and OUT2
DATA_READY, OVERRUN, PARITY, FRAMING, BREAK = 0x01, 0x02, 0x04, 0x08, 0x10
BAD = PARITY | FRAMING | BREAK
THR_EMPTY, IDLE = 0x20, 0x60

# The engine's channel 0, its flags, and its descriptors of four words.
CONTROL, STATUS, LEFT, NEXT, DOORBELL = 0x00, 0x14, 0x18, 0x20, 0x24
ABORT, DONE_IRQ, RING, BUSY, FLAGS = 0x02, 0x20, 0x01, 0x01, 0xF3E
OWN, STEP_DESTINATION, PACED = 0x8000_0000, 0x08, 0x10  # the request wire is the first
DESTINATION_AT, NEXT_AT, DESCRIPTOR_BYTES, DESCRIPTORS = 8, 12, 16, 2
RING_AT = DESCRIPTORS * DESCRIPTOR_BYTES

LOOKS_PER_CHARACTER = 8  # while sending
MOST_LOOKS = 80
MOST_WAITS = 100


class BlockDriver:
    """Serial driver that is interrupted once for each block of characters.

    Attributes:
        depth: characters in the FIFO that the device is set to: 1 (off), 16 or 64.
        block: characters in a block, up to 65535.
        blocks: blocks of the ring; so many less two may wait to be read.
    """

    depth = 16
    block = 64
    blocks = 8

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._engine, self._memory = io.beside["mover"], io.beside["log"]
        self._is_open = False
        self._character_s = 0.0
        self._filled = self._taken = 0  # blocks that the engine gave back; characters read

    # The calls of the driver's user.

    def open(self, line: LineSettings) -> None:
        """Set the device up, lend the engine two blocks, and listen."""
        self.close()
        self._character_s = line.character_s
        self._set_line(line)
        self._filled = self._taken = 0
        self._engine.write32(CONTROL, DONE_IRQ)
        self._engine.write32(STATUS, FLAGS)
        for number in range(DESCRIPTORS):
            self._chain(number)
            self._lend(number)
        self._engine.write32(NEXT, self._memory.base)
        self._is_open = True
        self._cpu.connect(self._io.irq, self._look)
        self._cpu.connect(self._engine.irq, self._serve)
        self._engine.write32(DOORBELL, RING)
        self._put(IER, IER_LINE_STATUS)
        self._put(MCR, MCR_ONLINE)

    def close(self) -> None:
        """Let what was written leave, then silence the device and stop the engine."""
        if not self._is_open:
            return
        self.drain((2 * self.depth + 4) * self._character_s)
        with self._cpu.interrupts_masked():
            self._put(IER, 0)
            self._look()
            self._put(MCR, 0)
            self._engine.write32(CONTROL, ABORT)
            for _ in range(MOST_WAITS):
                if not self._engine.read32(STATUS) & BUSY:
                    break
                self._cpu.work(100)
            self._cpu.disconnect(self._io.irq, self._look)
            self._cpu.disconnect(self._engine.irq, self._serve)
            self._is_open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Hand `data` over a FIFO at a time; return how many bytes the device took."""
        sent = 0
        deadline = self._deadline(timeout)
        while sent < len(data):
            late = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                if self._look() & THR_EMPTY:
                    row = data[sent : sent + self.depth]
                    self._io.write8_rep(THR * self._io.stride, row)
                    sent += len(row)
            if sent < len(data):
                if late:
                    break
                self._cpu.sleep(self._character_s / LOOKS_PER_CHARACTER)
        return sent

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Take what the engine has brought, that of the block under way too."""
        deadline = self._deadline(timeout)
        data = b""
        while True:
            late = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                data += self._take(size - len(data))
            if len(data) >= size or late:
                return data
            self._cpu.sleep(self._character_s)

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left; return False if it has not within `timeout`."""
        deadline = self._deadline(timeout)
        while True:
            late = self._cpu.time() >= deadline
            with self._cpu.interrupts_masked():
                if self._look() & IDLE == IDLE:
                    return True
            if late:
                return False
            self._cpu.sleep(self._character_s / LOOKS_PER_CHARACTER)

    # The engine. Called with interrupts masked, or from the handler.

    def _serve(self) -> None:
        """Acknowledge, then lend a block for each that came back, and ring."""
        self._engine.write32(STATUS, FLAGS)
        while not self._is_lent():
            self._filled += 1
            self._lend(self._filled + DESCRIPTORS - 1)
            self._engine.write32(DOORBELL, RING)

    def _is_lent(self) -> bool:
        """Say whether the engine still has the descriptor of the block that is next to be done."""
        return bool(self._memory.read32(self._descriptor(self._filled)) & OWN)

    def _chain(self, number: int) -> None:
        """Let a descriptor say what stays: where characters come from, and which is next."""
        at = self._descriptor(number)
        self._memory.write32(at + 4, self._io.base + RBR * self._io.stride)
        self._memory.write32(at + NEXT_AT, self._memory.base + self._descriptor(number + 1))

    def _lend(self, number: int) -> None:
        """Lend the engine block `number`; its descriptor is given away with the last write."""
        at = self._descriptor(number)
        self._memory.write32(at + DESTINATION_AT, self._memory.base + self._place(number))
        self._memory.write32(at, OWN | (STEP_DESTINATION | PACED) << 16 | self.block)

    def _descriptor(self, number: int) -> int:
        return number % DESCRIPTORS * DESCRIPTOR_BYTES

    def _place(self, number: int) -> int:
        return RING_AT + number % self.blocks * self.block

    # Receiving. Called with interrupts masked, or from the handler.

    def _take(self, size: int) -> bytes:
        """Return up to `size` characters; what the ring was too short for counts as an overrun."""
        self._look()
        there = self._position()
        oldest = (self._filled + DESCRIPTORS - self.blocks) * self.block
        if self._taken < oldest:
            self.errors.overrun += 1
            self._taken = oldest
        data = bytearray()
        for at in range(self._taken, min(there, self._taken + size)):
            number, offset = divmod(at, self.block)
            data.append(self._memory.read8(self._place(number) + offset))
        self._taken += len(data)
        return bytes(data)

    def _position(self) -> int:
        """Return how many characters the engine has brought.

        None left is what the block before leaves behind until the next one is begun.
        """
        while True:
            self._serve()
            left = self._engine.read32(LEFT)
            if self._is_lent():
                return self._filled * self.block + (self.block - left if left else 0)

    def _look(self) -> int:
        """Count what the line status shows, take bad characters out; return the last status."""
        status = 0
        for _ in range(MOST_LOOKS):
            status = self._io.read8(LSR * self._io.stride)
            self._count(status)
            if not (status & BAD and status & DATA_READY):
                break
            self._io.read8(RBR * self._io.stride)
        return status

    def _count(self, status: int) -> None:
        """Count the flags of one look; a break is no framing or parity error on top."""
        self.errors.overrun += bool(status & OVERRUN)
        self.errors.breaks += bool(status & BREAK)
        if not status & BREAK:
            self.errors.framing += bool(status & FRAMING)
            self.errors.parity += bool(status & PARITY)

    # Settings.

    def _set_line(self, line: LineSettings) -> None:
        stop = LCR_STOP if line.stop_bits != 1 else 0
        control = (line.data_bits - 5) | stop | LCR_PARITY[line.parity]
        divisor = max(round(self._io.clock_hz / (16 * line.baud)), 1)
        self._put(IER, 0)
        self._put(LCR, control | LCR_DLAB)
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        fifo = {1: 0, 16: FCR_ON_EMPTY, 64: FCR_ON_EMPTY | FCR_64}
        self._put(FCR, fifo[self.depth])  # 64 characters can only be chosen under DLAB
        self._put(LCR, control)
        while self._io.read8(LSR * self._io.stride) & DATA_READY:
            self._io.read8(RBR * self._io.stride)

    def _deadline(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._io.stride, value)
