"""How fast characters come, and how long a silence ends a frame.

Sources: PC16550D data sheet, National Semiconductor, June 1995, section 8.1, for the length of a
frame; MODBUS over Serial Line Specification V1.02, 2006, section 2.5.1.1, for the silences.
"""

from __future__ import annotations

from emu.units import LineSettings

__all__ = ["FAST_BAUD", "characters_per_s", "modbus_silence_s"]

FAST_BAUD = 19_200  # above it the silences are fixed
_FAST_S = {1.5: 750e-6, 3.5: 1750e-6}
_BITS = 11  # of a character in that protocol, with a parity bit or a second stop bit


def characters_per_s(line: LineSettings) -> float:
    """Return how many characters a second fit on a line."""
    return line.baud / line.frame_bits


def modbus_silence_s(baud: int, characters: float = 3.5) -> float:
    """Return the silence of 1.5 or 3.5 characters, in seconds: within a frame, and between two."""
    return _FAST_S[characters] if baud > FAST_BAUD else characters * _BITS / baud
