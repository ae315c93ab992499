"""Drive a 16550-compatible serial controller through a DMA engine, on a board with a clock gate.

The one idea: the engine moves every sound character, into a ring and out of a block, and the driver
only looks at how far it has come. The ring has no end, so where the engine is counts from `open`
on, laps included; what has been taken counts the same way, and the difference is what there is to
read. A character with an error is not given to the engine by the controller: it stays on top of the
FIFO until its flags are counted and it is read by hand, and the engine goes on behind it.

What it takes care of:

* clocks run, reset is let go and READY is up before a block is touched; interrupts are off and
  handlers let go before the clocks are stopped;
* the position is one look at LEFT with no lap pending on either side of it;
* what the engine has written over is not returned, and counts as one overrun;
* that the engine has handed a block over does not mean that it has left: drain looks at TEMT too.
"""

from __future__ import annotations

from contextlib import suppress

from emu import BusError, Cpu, LineErrors, LineSettings, Window

RBR = THR = DLL = 0
IER = DLM = 1
FCR, LCR, MCR, LSR = 2, 3, 4, 5
LINE_STATUS = 0x04  # in IER
FIFO_ON = 0x07
DLAB = 0x80
ONLINE = 0x0B
DATA_READY, OVERRUN, PARITY, FRAMING, BREAK, IDLE = 0x01, 0x02, 0x04, 0x08, 0x10, 0x40
BAD = PARITY | FRAMING | BREAK
ALL_ONES = 0xFF
PARITY_BITS = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}

RECEIVE, TRANSMIT = 0x00, 0x40  # the channels, by where their registers begin
CONTROL, CONFIG, SOURCE, DESTINATION, COUNT, STATUS, LEFT = range(0, 0x1C, 4)
START, ABORT, DONE_IRQ, ERROR_IRQ = 0x01, 0x02, 0x20, 0x40
STEP_SOURCE, STEP_DESTINATION, PACED, CIRCULAR, REQUEST = 0x04, 0x08, 0x10, 0x20, 0x100
BUSY, DONE = 0x01, 0x04

CLOCK, RELEASE, READY = 0x00, 0x04, 0x08
BLOCKS = 0x05  # the serial controller and the engine

RING = 64  # more than can come while the processor stands still, or a lap is missed
BLOCK_AT, BLOCK = 1024, 256
PATIENCE_S = 0.3
MOST_LOOKS = 80
TRIES = 3


class EngineDriver:
    """Serial driver whose characters are moved by an engine."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._engine = io.beside["mover"]
        self._memory = io.beside["log"]
        self._gates = io.beside["gates"]
        self._is_open = self._sending = False
        self._has_parity = False
        self._character_s = 0.0
        self._laps = self._taken = 0

    # The calls of the driver's user.

    def open(self, line: LineSettings) -> None:
        """Power the blocks up, which resets them, and set both up."""
        divisor = divisor_for(self._io.clock_hz, line.baud)
        self.close()
        self._power_up()
        self._character_s = line.character_ps * 1e-12
        self._set_line(line, divisor)
        self._laps = self._taken = 0
        self._sending = False
        self._run(RECEIVE, self._io.base + RBR * self._io.stride, self._memory.base, RING,
                  STEP_DESTINATION | PACED | CIRCULAR)  # fmt: skip
        self._is_open = True
        self._cpu.connect(self._io.irq, self._look)
        self._cpu.connect(self._engine.irq, self._serve_engine)
        self._put(IER, LINE_STATUS)
        self._put(MCR, ONLINE)

    def close(self) -> None:
        """Let what was accepted out, then silence and stop everything."""
        if not self._is_open:
            return
        with suppress(BusError):
            self.drain((BLOCK + 80) * self._character_s * 1.1 + 0.01)
        for step in (self._look, self._silence, self._stop_engine):
            with suppress(BusError):
                step()
        self._cpu.disconnect(self._io.irq, self._look)
        self._cpu.disconnect(self._engine.irq, self._serve_engine)
        self._is_open = False
        self._power_down()

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Hand `data` to the engine, a block at a time."""
        until = self._until(timeout)
        done = 0
        while True:
            with self._cpu.interrupts_masked():
                if not self._is_sending():
                    done += self._send(data[done : done + BLOCK])
            left = self._left(until)
            if done == len(data) or left <= 0:
                return done
            self._cpu.sleep(min(left, 2 * self._character_s))

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Take what the engine has brought."""
        until = self._until(timeout)
        data = b""
        while True:
            with self._cpu.interrupts_masked():
                data += self._take(size - len(data))
            left = self._left(until)
            if len(data) == size or left <= 0:
                return data
            self._cpu.sleep(min(left, self._character_s))

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the engine has handed over everything and the controller has sent it."""
        until = self._until(timeout)
        while True:
            left = self._left(until)  # before the last look, so that it is one
            with self._cpu.interrupts_masked():
                status = 0 if self._is_sending() else self._look()
            if status & IDLE:
                return True
            if left <= 0:
                return False
            self._cpu.sleep(min(left, self._character_s))

    # Receiving. Called with interrupts masked, or from the handler.

    def _take(self, size: int) -> bytes:
        """Return up to `size` characters from the ring, nothing if the engine has passed them."""
        self._look()
        there = self._position() - self._taken
        at = [(self._taken + number) % RING for number in range(min(size, there, RING))]
        data = bytes(self._memory.read8(one) for one in at)
        position = self._position()
        if position - self._taken > RING:
            self.errors.overrun += 1
            self._taken = position
            return b""
        self._taken += len(data)
        return data

    def _position(self) -> int:
        """Return how many characters the engine has brought since `open`."""
        while True:
            self._count_lap()
            left = self._engine.read32(RECEIVE + LEFT)
            if not self._engine.read32(RECEIVE + STATUS) & DONE:
                return self._laps * RING + RING - left

    def _count_lap(self) -> None:
        if self._engine.read32(RECEIVE + STATUS) & DONE:
            self._engine.write32(RECEIVE + STATUS, DONE)
            self._laps += 1

    def _look(self) -> int:
        """Count what the line status shows, take bad characters out; return the last status."""
        status = 0
        for _ in range(MOST_LOOKS):
            status = self._status()
            self._count(status)
            if not (status & BAD and status & DATA_READY):
                break
            self._get(RBR)
        return status

    def _status(self) -> int:
        """Return the line status, 0 from a device that is gone.

        All ones can be true, with a parity bit; then the flags go with the first look.
        """
        status = self._get(LSR)
        if status != ALL_ONES:
            return status
        again = self._get(LSR)
        if again == ALL_ONES:
            return 0
        return status if self._has_parity and again & DATA_READY else again

    def _count(self, status: int) -> None:
        """Count the flags of one look; a break is no framing or parity error on top."""
        self.errors.overrun += bool(status & OVERRUN)
        if status & BREAK:
            self.errors.breaks += 1
            return
        self.errors.framing += bool(status & FRAMING)
        self.errors.parity += bool(status & PARITY)

    # Sending.

    def _send(self, block: bytes) -> int:
        """Hand a block to the engine, which is idle."""
        if block:
            for at, byte in enumerate(block):
                self._memory.write8(BLOCK_AT + at, byte)
            self._run(TRANSMIT, self._memory.base + BLOCK_AT,
                      self._io.base + THR * self._io.stride, len(block),
                      STEP_SOURCE | PACED | REQUEST)  # fmt: skip
            self._sending = True
        return len(block)

    def _is_sending(self) -> bool:
        if self._sending and not self._engine.read32(TRANSMIT + STATUS) & BUSY:
            self._sending = False
        return self._sending

    # The engine.

    def _run(self, channel: int, source: int, destination: int, count: int, config: int) -> None:
        engine = self._engine
        engine.write32(channel + CONFIG, config)
        engine.write32(channel + SOURCE, source)
        engine.write32(channel + DESTINATION, destination)
        engine.write32(channel + COUNT, count)
        engine.write32(channel + STATUS, 0xFFFF_FFFE & 0xF3E)
        engine.write32(channel + CONTROL, START | DONE_IRQ | ERROR_IRQ)

    def _stop_engine(self) -> None:
        self._stop(TRANSMIT)
        self._stop(RECEIVE)

    def _stop(self, channel: int) -> None:
        """Abort a channel and wait until the engine has let go of it."""
        self._engine.write32(channel + CONTROL, ABORT)
        until = self._until(PATIENCE_S)
        while self._engine.read32(channel + STATUS) & BUSY and self._left(until) > 0:
            self._cpu.work(100)

    def _serve_engine(self) -> None:
        """Count laps of the ring; that a block is handed over is seen in STATUS."""
        self._count_lap()
        if not self._engine.read32(TRANSMIT + STATUS) & BUSY:
            self._engine.write32(TRANSMIT + STATUS, 0xF3E)
        self._engine.write32(RECEIVE + STATUS, 0xF3A)

    # Power and settings.

    def _power_up(self) -> None:
        """Let the blocks run, from reset."""
        self._switch(RELEASE, on=False)
        self._switch(CLOCK, on=True)
        self._switch(RELEASE, on=True)
        until = self._until(PATIENCE_S)
        while self._gates.read32(READY) & BLOCKS != BLOCKS and self._left(until) > 0:
            self._cpu.work(20)

    def _power_down(self) -> None:
        self._switch(RELEASE, on=False)
        self._switch(CLOCK, on=False)

    def _switch(self, register: int, *, on: bool) -> None:
        value = self._gates.read32(register)
        self._gates.write32(register, value | BLOCKS if on else value & ~BLOCKS)

    def _set_line(self, line: LineSettings, divisor: int) -> None:
        stop = 0x04 if line.stop_bits != 1 else 0
        control = (line.data_bits - 5) | stop | PARITY_BITS[line.parity]
        self._has_parity = line.parity != "none"
        self._put(LCR, control | DLAB)
        self._put(DLL, divisor & 0xFF)
        self._put(DLM, divisor >> 8)
        self._put(LCR, control)
        self._put(FCR, FIFO_ON)

    def _silence(self) -> None:
        self._put(MCR, 0)
        self._put(IER, 0)

    def _get(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _put(self, register: int, value: int) -> None:
        """Write a register; a bus error that passes spoils nothing."""
        for _ in range(TRIES - 1):
            with suppress(BusError):
                self._io.write8(register * self._io.stride, value)
                return
        self._io.write8(register * self._io.stride, value)

    # Time.

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout

    def _left(self, until: float) -> float:
        return until - self._cpu.time()


def divisor_for(clock_hz: int, baud: int) -> int:
    """Return the divisor of the 16x baud generator that comes nearest to `baud`.

    Raises:
        ValueError: the nearest divisor is more than 3 % off.
    """
    divisor = min(max(round(clock_hz / (16 * baud)), 1), 0xFFFF)
    actual = clock_hz / (16 * divisor)
    if abs(actual - baud) > 0.03 * baud:
        raise ValueError(f"{baud} baud cannot be made from {clock_hz} Hz")
    return divisor
