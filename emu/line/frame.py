"""Asynchronous frames as waveforms: start bit, data low bit first, parity, stop.

A frame is turned into the times at which the line toggles, relative to its start edge, once for
each byte, format and rate. Rates are exact ratios, so that a rate error of some parts per million
is just another ratio.

Source: PC16550D datasheet (National Semiconductor, TL/C/8652, June 1995), section 8.1, for word
length, parity, stick parity and stop bits.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from math import gcd
from typing import NamedTuple

from emu.kernel.clock import PS_PER_S
from emu.kernel.signal import Toggles
from emu.units import LineSettings

__all__ = [
    "BREAK",
    "FRAMING_ERROR",
    "PARITY_ERROR",
    "BitRate",
    "FrameFormat",
    "Shapes",
    "format_of",
    "parity_bit",
    "rate_of",
    "shapes_for",
]

# What can be wrong with a received character, in the bit positions of the 16550's LSR.
PARITY_ERROR = 0x04
FRAMING_ERROR = 0x08
BREAK = 0x10


class FrameFormat(NamedTuple):
    """The shape of a frame: 5 to 8 data bits, parity word, stop length in half bits (2, 3, 4)."""

    data_bits: int = 8
    parity: str = "none"
    stop_half_bits: int = 2

    @property
    def half_bits(self) -> int:
        """Length of the whole frame in half bits."""
        return 2 * (1 + self.data_bits + (self.parity != "none")) + self.stop_half_bits

    @property
    def samples(self) -> int:
        """How many bits a receiver samples: start, data, parity and the first stop bit."""
        return 2 + self.data_bits + (self.parity != "none")


class BitRate(NamedTuple):
    """Half a bit time as an exact ratio in ps: ``num / den``."""

    num: int
    den: int

    @classmethod
    def of(cls, num: int, den: int) -> BitRate:
        """Return ``num / den`` in lowest terms, which keeps the arithmetic fast."""
        common = gcd(num, den)
        return cls(num // common, den // common)

    def half_bits_ps(self, count: int) -> int:
        """Return the time of `count` half bits in ps, rounded down."""
        return count * self.num // self.den

    def ticks_ps(self, count: int) -> int:
        """Return the time of `count` cycles of the 16x clock in ps, rounded down."""
        return count * self.num // (8 * self.den)

    def first_tick(self, at_ps: int) -> int:
        """Return the number of the first 16x clock cycle at or after `at_ps`."""
        return -(-at_ps * 8 * self.den // self.num)


def format_of(line: LineSettings) -> FrameFormat:
    """Return the frame format of line settings."""
    return FrameFormat(line.data_bits, line.parity, round(line.stop_bits * 2))


def rate_of(baud: int, error: Fraction = Fraction(0)) -> BitRate:
    """Return the bit rate of a clock that is off by `error` (positive means faster)."""
    speed = 2 * baud * (1 + error)
    return BitRate.of(PS_PER_S * speed.denominator, speed.numerator)


def parity_bit(data: int, parity: str) -> int:
    """Return the parity bit of `data`; mark is always 1, space always 0 (stick parity)."""
    if parity == "mark":
        return 1
    if parity == "space":
        return 0
    return (data.bit_count() & 1) ^ (parity == "odd")


class Shapes:
    """Hold the waveforms of all bytes in one format and rate.

    Args:
        frame: the format.
        rate: the bit rate.

    Attributes:
        frame_ps: time of a whole frame, rounded down.
    """

    __slots__ = ("_offsets", "_table", "frame", "frame_ps", "rate")

    def __init__(self, frame: FrameFormat, rate: BitRate) -> None:
        self.frame = frame
        self.rate = rate
        self.frame_ps = rate.half_bits_ps(frame.half_bits)
        self._table: list[Toggles | None] = [None] * 256
        self._offsets: list[int] = []

    def offsets(self, count: int) -> list[int]:
        """Return when each of `count` frames back to back begins, in ps from the first."""
        known = self._offsets
        if len(known) < count:
            half_bits, rate = self.frame.half_bits, self.rate
            known += [rate.half_bits_ps(half_bits * k) for k in range(len(known), count)]
        return known[:count]

    def of(self, byte: int) -> Toggles:
        """Return the toggle times of a frame carrying `byte`, in ps from its start edge."""
        shape = self._table[byte]
        if shape is None:
            shape = self._table[byte] = self._build(byte)
        return shape

    def row(self, data: bytes) -> list[Toggles]:
        """Return the toggle times of a frame for each byte of `data`."""
        row = list(map(self._table.__getitem__, data))
        if None in row:
            return [self.of(byte) for byte in data]
        return row  # type: ignore[return-value]  # there is no None in it

    def _build(self, byte: int) -> Toggles:
        frame = self.frame
        data = byte & ((1 << frame.data_bits) - 1)
        bits = [0, *((data >> number) & 1 for number in range(frame.data_bits))]
        if frame.parity != "none":
            bits.append(parity_bit(data, frame.parity))
        bits.append(1)
        toggles = []
        level = 1
        for number, bit in enumerate(bits):
            if bit != level:
                toggles.append(self.rate.half_bits_ps(2 * number))
                level = bit
        return tuple(toggles)


@lru_cache(maxsize=256)
def shapes_for(frame: FrameFormat, rate: BitRate) -> Shapes:
    """Return the waveforms of a format and rate; all who use the same share them."""
    return Shapes(frame, rate)
