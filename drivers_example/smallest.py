"""Drive the smallest serial controller by interrupts: one place each way, and a queue behind each.

The one idea: the handler empties the one place and fills the other, and asks for room only as long
as something is queued. What was lost, or came without its stop bit, is counted when STATUS shows
it, and taken away by writing just these bits.

What it takes care of:

* STATUS is read before DATA, so that BAD speaks of the character that is read next;
* where DATA holds four bytes, COUNT says how many came, and how many are sent;
* IDLE, not ROOM, says that the last stop bit has left.
"""

from __future__ import annotations

from emu import Cpu, LineErrors, LineSettings, Window

DATA, STATUS, CONTROL, DIVISOR, COUNT = range(0, 0x14, 4)
READY, ROOM, IDLE, LOST, BAD = 0x01, 0x02, 0x04, 0x08, 0x10
ENABLE, READY_IRQ, ROOM_IRQ = 0x01, 0x10, 0x20
RECEIVE_BYTES, TRANSMIT_BYTES = 512, 256
PASSES = 4
PLACES = 4  # at most; a controller with one takes the first byte


class Smallest:
    """Serial driver for a controller without FIFO."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._received = bytearray()
        self._outgoing = bytearray()
        self._is_open = self._dropping = False
        self._control = 0
        self._places = 1
        self._character_s = 0.0

    # The calls of the driver's user.

    def open(self, line: LineSettings) -> None:
        """Set the controller up, from whatever state it is in."""
        divisor = self._divisor_for(line)
        self.close()
        self._io.write32(CONTROL, 0)
        self._character_s = line.character_ps * 1e-12
        self._wait_for_idle(self._until(0.05))
        self._io.write32(DIVISOR, 0)  # whatever a predecessor left going at another rate
        self._io.write32(DIVISOR, divisor)
        self._places = self._measure()
        self._io.read32(DATA)
        self._io.write32(STATUS, LOST | BAD)
        self._received.clear()
        self._outgoing.clear()
        self._dropping = False
        self._cpu.connect(self._io.irq, self._serve)
        self._is_open = True
        self._let(ENABLE | READY_IRQ)

    def close(self) -> None:
        """Let what was accepted out, then silence the controller."""
        if not self._is_open:
            return
        self.drain((len(self._outgoing) + 2 * PLACES) * self._character_s * 1.5 + 0.01)
        with self._cpu.interrupts_masked():
            self._service()
            self._is_open = False
            self._let(0)
        self._cpu.disconnect(self._io.irq, self._serve)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Queue what there is room for, and wait for more room."""
        until = self._until(timeout)
        done = 0
        while True:
            late = self._left(until) <= 0
            with self._cpu.interrupts_masked():
                done += self._queue(data[done:])
                if done == len(data) or late or not self._is_open:
                    return done
                self._cpu.wait_for_interrupt(self._pause(until))

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Take what was received, and wait for more."""
        until = self._until(timeout)
        data = b""
        while True:
            late = self._left(until) <= 0
            with self._cpu.interrupts_masked():
                if self._is_open:
                    self._service()
                data += self._take(size - len(data))
                if len(data) == size or late or not self._is_open:
                    return data
                self._cpu.wait_for_interrupt(self._pause(until))

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left."""
        until = self._until(timeout)
        while True:
            late = self._left(until) <= 0
            with self._cpu.interrupts_masked():
                status = self._service() if self._is_open else 0
                if status & IDLE and not self._outgoing:
                    return True
                if late or not self._is_open:
                    return False
                self._cpu.wait_for_interrupt(self._pause(until))

    # With interrupts masked, or in the handler.

    def _serve(self) -> None:
        for _ in range(PASSES if self._is_open else 0):  # one that comes while it closes is late
            if not self._service() & READY:
                break

    def _service(self) -> int:
        """Empty and fill the controller; return what STATUS showed."""
        status = self._io.read32(STATUS)
        if status & (LOST | BAD):
            self._io.write32(STATUS, status & (LOST | BAD))
            self.errors.overrun += bool(status & LOST)
            self.errors.framing += bool(status & BAD)
        if status & READY:
            self._take_in(bad=bool(status & BAD))
        if status & ROOM and self._outgoing:
            self._feed()
        self._let(ENABLE | READY_IRQ | (ROOM_IRQ if self._outgoing else 0))
        return status

    def _take_in(self, *, bad: bool) -> None:
        """Read what came, and queue it; of one place a bad character is left out."""
        count = self._io.read32(COUNT) >> 8 & 7 if self._places > 1 else 1
        data = self._io.read32(DATA).to_bytes(4, "little")[:count]
        if bad and self._places == 1:
            return
        self._received += data
        if len(self._received) > RECEIVE_BYTES:
            del self._received[RECEIVE_BYTES:]
            self.errors.overrun += not self._dropping
            self._dropping = True

    def _feed(self) -> None:
        data = bytes(self._outgoing[: self._places])
        del self._outgoing[: self._places]
        if self._places > 1:
            self._io.write32(COUNT, len(data))
        self._io.write32(DATA, int.from_bytes(data, "little"))

    def _queue(self, data: bytes) -> int:
        if not self._is_open:
            return 0
        part = data[: TRANSMIT_BYTES - len(self._outgoing)]
        self._outgoing += part
        self._service()
        return len(part)

    def _take(self, size: int) -> bytes:
        part = bytes(self._received[:size])
        del self._received[:size]
        self._dropping = self._dropping and not part
        return part

    def _let(self, control: int) -> None:
        """Write CONTROL if that changes anything."""
        if control != self._control:
            self._control = control
            self._io.write32(CONTROL, control)

    # Setting up, and time.

    def _divisor_for(self, line: LineSettings) -> int:
        """Return the divisor of a line.

        Raises:
            ValueError: it is no line of 8N1, or none that the clock can make within 3 %.
        """
        if (line.data_bits, line.parity, line.stop_bits) != (8, "none", 1):
            raise ValueError(f"{line} cannot be made; 8N1 can")
        divisor = min(max(round(self._io.clock_hz / (16 * line.baud)), 1), 0xFFFF)
        if abs(self._io.clock_hz / (16 * divisor) - line.baud) > 0.03 * line.baud:
            raise ValueError(f"{line.baud} baud cannot be made from {self._io.clock_hz} Hz")
        return divisor

    def _measure(self) -> int:
        """Return how many bytes DATA holds: only where it is more than one COUNT keeps a 4."""
        self._io.write32(COUNT, PLACES)
        return PLACES if self._io.read32(COUNT) & 7 == PLACES else 1

    def _wait_for_idle(self, until: float) -> None:
        """Let a predecessor's last character out."""
        while not self._io.read32(STATUS) & IDLE and self._left(until) > 0:
            self._cpu.sleep(self._character_s / 8)

    def _until(self, timeout: float | None) -> float:
        return float("inf") if timeout is None else self._cpu.time() + timeout

    def _left(self, until: float) -> float:
        return until - self._cpu.time()

    def _pause(self, until: float) -> float:
        """Return how long to sleep: a lost interrupt costs a few characters, no more."""
        return max(min(self._left(until), 4 * self._character_s), 0.0)
