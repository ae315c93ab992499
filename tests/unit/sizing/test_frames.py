"""Frame lengths, characters a second and silences against published figures."""

from __future__ import annotations

import pytest

from emu.sizing.frames import characters_per_s, modbus_silence_s
from emu.units import parse_line


@pytest.mark.parametrize(
    ("frame", "bits"),
    [("7N1", 9), ("7E1", 10), ("7O1", 10), ("7N2", 10), ("7E2", 11), ("8N1", 10), ("8E1", 11),
     ("8O1", 11), ("8N2", 11), ("8E2", 12), ("8O2", 12), ("5N1", 7), ("5N1.5", 7.5),
     ("5E1.5", 8.5), ("6N1", 8), ("6E2", 10)],
)  # fmt: skip
def test_length_of_a_frame(frame: str, bits: float) -> None:
    """Start bit, data, parity and stop add up (PC16550D, 8.1; its 12-bit example in 8.11)."""
    assert characters_per_s(parse_line(f"9600 {frame}")) == pytest.approx(9600 / bits)


@pytest.mark.parametrize(
    ("line", "rate"),
    [
        # C. Blum, The Serial Port, an FAQ: 240 and 11520 characters a second.
        ("2400 8N1", 240),
        ("115200 8N1", 11_520),
        # ITU-T V.4 (from memory): a teletype at 110 baud, 11 bits, 10 characters a second.
        ("110 8N2", 10),
        # A note on character times: 1.1458 ms each.
        ("9600 8O1", 1 / 1.1458e-3),
    ],
)
def test_characters_a_second(line: str, rate: float) -> None:
    """The printed rates come out."""
    assert characters_per_s(parse_line(line)) == pytest.approx(rate, rel=1e-4)


@pytest.mark.parametrize(
    ("baud", "short_us", "long_us"),
    [(1200, 13750, 32083.333), (2400, 6875, 16041.667), (4800, 3437.5, 8020.833),
     (9600, 1718.75, 4010.417), (19200, 859.375, 2005.208), (38400, 750, 1750),
     (115200, 750, 1750)],
)  # fmt: skip
def test_silences_of_modbus(baud: int, short_us: float, long_us: float) -> None:
    """1.5 and 3.5 characters of 11 bits up to 19200 baud, 750 us and 1750 us above.

    Source: MODBUS over Serial Line V1.02, 2006, 2.5.1.1, as quoted; 4.0104 ms at 9600 is printed.
    """
    assert modbus_silence_s(baud, 1.5) * 1e6 == pytest.approx(short_us, abs=1e-3)
    assert modbus_silence_s(baud) * 1e6 == pytest.approx(long_us, abs=1e-3)
