"""Frames as waveforms.

Source: PC16550D datasheet, National Semiconductor, TL/C/8652, June 1995, 8.1: data low bit first,
parity and stick parity, stop bits. Checks: 16 frame lengths, 6 formats by 11 rates of character
times, 12 parity bits, the waveform of every byte in 21 formats.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from emu.line.frame import BitRate, FrameFormat, Shapes, format_of, parity_bit, rate_of
from emu.units import LineSettings

# Bits of a frame: start, data, parity if any, stop (8.1; 8.11 counts 12 for 8E2).
FRAMES: list[tuple[int, str, float, float]] = [
    (7, "none", 1, 9), (7, "even", 1, 10), (7, "odd", 1, 10), (7, "none", 2, 10),
    (7, "even", 2, 11), (8, "none", 1, 10), (8, "even", 1, 11), (8, "odd", 1, 11),
    (8, "none", 2, 11), (8, "even", 2, 12), (8, "odd", 2, 12), (5, "none", 1, 7),
    (5, "none", 1.5, 7.5), (5, "even", 1.5, 8.5), (6, "none", 1, 8), (6, "even", 2, 10),
]  # fmt: skip
BAUDS = [110, 300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200]
# 8.1, bits 3 to 5: parity, data, parity bit.
PARITY_BITS = [
    ("odd", 0x00, 1), ("odd", 0x01, 0), ("odd", 0x03, 1), ("even", 0x00, 0), ("even", 0x01, 1),
    ("even", 0x03, 0), ("mark", 0x00, 1), ("mark", 0x01, 1), ("mark", 0xFF, 1),
    ("space", 0x00, 0), ("space", 0x01, 0), ("space", 0xFF, 0),
]  # fmt: skip
FORMATS = [
    FrameFormat(data_bits, parity, 2)
    for data_bits in (5, 6, 7, 8)
    for parity in ("none", "odd", "even", "mark", "space")
] + [FrameFormat(5, "even", 3)]


def levels_of(toggles: tuple[int, ...], bit_ps: int, bits: int) -> list[int]:
    """Return the level in the middle of each bit of a waveform that begins at 1."""
    return [
        1 ^ (sum(toggle <= number * bit_ps + bit_ps // 2 for toggle in toggles) & 1)
        for number in range(bits)
    ]


@pytest.mark.parametrize(("data_bits", "parity", "stop_bits", "bits"), FRAMES)
def test_frame_length(data_bits: int, parity: str, stop_bits: float, bits: float) -> None:
    """A frame has a start bit, its data, a parity bit if any, and its stop bits."""
    line = LineSettings(9600, data_bits, parity, stop_bits)

    assert format_of(line).half_bits == 2 * bits
    assert line.frame_bits == bits


@pytest.mark.parametrize(("data_bits", "parity", "stop_bits", "bits"), FRAMES)
def test_samples(data_bits: int, parity: str, stop_bits: float, bits: float) -> None:
    """A receiver samples one stop bit whatever is programmed (8.1, bit 2)."""
    frame = format_of(LineSettings(9600, data_bits, parity, stop_bits))

    assert frame.samples == bits - stop_bits + 1


@pytest.mark.parametrize("baud", BAUDS)
def test_frame_time(baud: int) -> None:
    """A frame takes bits / baud, rounded down to a picosecond."""
    for data_bits, parity, stop_bits, bits in FRAMES:
        shapes = Shapes(format_of(LineSettings(baud, data_bits, parity, stop_bits)), rate_of(baud))
        assert shapes.frame_ps == int(Fraction(bits) * 10**12 / baud)


@pytest.mark.parametrize(("parity", "data", "bit"), PARITY_BITS)
def test_parity_bit(parity: str, data: int, bit: int) -> None:
    """Odd and even count the ones; stick parity is 1 for mark and 0 for space."""
    assert parity_bit(data, parity) == bit


@pytest.mark.parametrize("frame", FORMATS)
def test_waveform_of_every_byte(frame: FrameFormat) -> None:
    """Every byte is start at 0, data low bit first, parity, stop at 1, whatever the high bits."""
    shapes = Shapes(frame, BitRate(500, 1))
    for byte in range(256):
        data = [byte >> number & 1 for number in range(frame.data_bits)]
        ones = sum(data) % 2
        parity = {"none": [], "odd": [1 - ones], "even": [ones], "mark": [1], "space": [0]}
        expected = [0, *data, *parity[frame.parity], 1, 1]
        assert levels_of(shapes.of(byte), 1000, len(expected)) == expected


def test_waveforms_are_built_once() -> None:
    """The same byte gives the same waveform, not an equal one: a receiver may remember it."""
    shapes = Shapes(FrameFormat(), rate_of(9600))

    assert shapes.of(0x41) is shapes.of(0x41)
    assert all(0 <= one < shapes.frame_ps for one in shapes.of(0x41))


class TestBitRate:
    """Rates are exact ratios."""

    def test_no_error_adds_up(self) -> None:
        """A million bits at a rate that no whole picosecond fits take what they should."""
        rate = rate_of(115_200)

        assert rate.half_bits_ps(2_000_000) == 10**18 // 115_200
        assert rate.ticks_ps(16_000_000) == 10**18 // 115_200

    @pytest.mark.parametrize("at_ps", [0, 1, 542_534, 542_535, 542_536, 10**12])
    def test_first_tick_is_at_or_after(self, at_ps: int) -> None:
        """The tick found is the first that does not lie before the moment."""
        rate = rate_of(115_200)
        tick = rate.first_tick(at_ps)

        assert Fraction(tick * rate.num, 8 * rate.den) >= at_ps
        assert Fraction((tick - 1) * rate.num, 8 * rate.den) < at_ps

    @pytest.mark.parametrize("percent", [-5, -1, 0, 1, 5])
    def test_positive_error_is_fast(self, percent: int) -> None:
        """A clock that is fast by a part makes bits shorter by that part, exactly."""
        rate = rate_of(9600, Fraction(percent, 100))

        assert Fraction(rate.num, rate.den) == Fraction(10**12, 2 * 96 * (100 + percent))

    def test_lowest_terms(self) -> None:
        """A ratio is kept in lowest terms, so that equal rates are equal."""
        assert BitRate.of(6, 4) == BitRate(3, 2) == BitRate.of(3, 2)
