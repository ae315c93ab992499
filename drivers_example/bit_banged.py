"""Be a serial controller in software: send and receive over two pins, bit by bit.

The one idea: the start edge interrupts, and its handler stays for the whole character. It computes
until the next sample is due and looks at the pin: once in the start bit, twice in every data bit,
once in the stop bit. Nothing else may run meanwhile, so interrupts are masked; that is what a
controller spares the processor.

A data bit whose two samples differ spoils its character, as a missing stop bit does; both count as
framing errors. How many cycles a second the processor computes is found out in `open`.

What it leaves out: all formats but 8N1, and receiving while it sends.
"""

from __future__ import annotations

import math

from emu import Cpu, LineErrors, LineSettings, Window

IN, DIR, SET, CLEAR = 0x00, 0x08, 0x0C, 0x10
ENABLE, EDGE, HIGH, PENDING = 0x1C, 0x20, 0x24, 0x2C
RX_PIN, TX_PIN = 1 << 0, 1 << 1

DATA_BITS = 8
SAMPLES_AT = (0.3, 0.6)  # of a data bit; what is left behind them is how late we may be
START_AT, STOP_AT = 0.5, 9.5  # bits after the start edge
SHORT_CYCLES, LONG_CYCLES = 500, 1500  # of the two computations that are timed


class BitBanged:
    """Serial driver that needs no serial controller, only two pins and the whole processor."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self._io = io
        self._cpu = cpu
        self._received = bytearray()
        self._is_open = False
        self._bit_s = 0.0
        self._cycles_hz = 0.0

    def open(self, line: LineSettings) -> None:
        """Find out how fast the processor is, set the pins up and wait for start edges.

        Raises:
            ValueError: a format other than 8N1.
        """
        if (line.data_bits, line.parity, line.stop_bits) != (DATA_BITS, "none", 1):
            msg = f"{line} cannot be bit-banged here; only 8N1 can"
            raise ValueError(msg)
        self.close()
        self._bit_s = 1 / line.baud
        with self._cpu.interrupts_masked():
            self._cycles_hz = self._calibrate()
        self._received.clear()
        self._io.write32(SET, TX_PIN)
        self._io.write32(DIR, TX_PIN)
        self._io.write32(EDGE, RX_PIN)
        self._io.write32(HIGH, 0)
        self._io.write32(PENDING, RX_PIN)
        self._cpu.connect(self._io.irq, self._receive_character)
        self._io.write32(ENABLE, RX_PIN)
        self._is_open = True

    def close(self) -> None:
        """Leave the pins alone; what was written has left already."""
        if self._is_open:
            self._io.write32(ENABLE, 0)
            self._cpu.disconnect(self._io.irq, self._receive_character)
            self._is_open = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Send `data` and return how many bytes have left when all have or the time is over."""
        deadline = self._deadline(timeout)
        for count, byte in enumerate(data):
            if self._cpu.time() >= deadline:
                return count
            self._send_character(byte)
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Sleep until `size` bytes are there or `timeout` seconds are over; return what came."""
        deadline = self._deadline(timeout)
        while True:
            with self._cpu.interrupts_masked():
                left = deadline - self._cpu.time()
                if len(self._received) >= size or left <= 0:
                    part = bytes(self._received[:size])
                    del self._received[: len(part)]
                    return part
                self._cpu.wait_for_interrupt(left)

    def drain(self, timeout: float | None = None) -> bool:  # noqa: ARG002 - the protocol's signature
        """Return True: a character has left when `write` goes on to the next."""
        return True

    def _receive_character(self) -> None:
        """Stay for the character whose start edge has just come."""
        start_s = self._cpu.time()
        with self._cpu.interrupts_masked():
            started = not self._sample(start_s, START_AT)
            byte, sound = self._sample_data(start_s) if started else (0, True)
            stopped = not started or bool(self._sample(start_s, STOP_AT))
            self._io.write32(PENDING, RX_PIN)  # the edges of the data bits
        if started and stopped and sound:
            self._received.append(byte)
        elif started:
            self._note_error(byte, stopped=stopped)

    def _sample_data(self, start_s: float) -> tuple[int, bool]:
        """Return the data bits, and whether the samples of each agreed."""
        byte, sound = 0, True
        for bit in range(DATA_BITS):
            first, second = (self._sample(start_s, 1 + bit + at) for at in SAMPLES_AT)
            sound = sound and first == second
            byte |= second << bit
        return byte, sound

    def _sample(self, start_s: float, bits: float) -> int:
        """Return the level of the line so many bits after the start edge."""
        self._compute_until(start_s + bits * self._bit_s)
        return int(bool(self._io.read32(IN) & RX_PIN))

    def _note_error(self, byte: int, *, stopped: bool) -> None:
        if not byte and not stopped:
            self.errors.breaks += 1
        else:
            self.errors.framing += 1

    def _send_character(self, byte: int) -> None:
        """Put start bit, data bits, low one first, and stop bit on the line."""
        levels = [0, *((byte >> bit) & 1 for bit in range(DATA_BITS)), 1]
        with self._cpu.interrupts_masked():
            start_s = self._cpu.time()
            for number, level in enumerate(levels, 1):
                self._io.write32(SET if level else CLEAR, TX_PIN)
                self._compute_until(start_s + number * self._bit_s)

    def _compute_until(self, until_s: float) -> None:
        """Count cycles until a moment; return at once if it has passed."""
        left_s = until_s - self._cpu.time()
        if left_s > 0:
            self._cpu.work(round(left_s * self._cycles_hz))

    def _calibrate(self) -> float:
        """Return how many cycles a second the processor computes: two spans, compared."""
        short_s, long_s = (self._time_of(cycles) for cycles in (SHORT_CYCLES, LONG_CYCLES))
        return (LONG_CYCLES - SHORT_CYCLES) / (long_s - short_s)

    def _time_of(self, cycles: int) -> float:
        begin_s = self._cpu.time()
        self._cpu.work(cycles)
        return self._cpu.time() - begin_s

    def _deadline(self, timeout: float | None) -> float:
        return math.inf if timeout is None else self._cpu.time() + timeout
