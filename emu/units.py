"""Quantities as people write them: "1.8432 MHz", "200 us", "64 KiB", "+200 ppm", "115200 8N1".

The one idea: what is written is read exactly, as a fraction and never as a float, into the whole
numbers that the bench counts in (hertz, picoseconds, bytes, cycles), and what is printed is read
back as the same number. Where a quantity stands in a file is left to the reader of that file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import NamedTuple

from emu.errors import UnitError, nearest

__all__ = [
    "PS_PER_S",
    "LineSettings",
    "format_duration",
    "format_frequency",
    "format_ratio",
    "format_size",
    "parse_cycles",
    "parse_duration",
    "parse_frequency",
    "parse_line",
    "parse_ratio",
    "parse_size",
    "show_duration",
]

PS_PER_S = 10**12
"""Picoseconds in a second; simulated time is counted in picoseconds."""

_LONGEST_TEXT = 200
_LARGEST_EXPONENT = 60
_LARGEST_BAUD = 100_000_000

_NUMBER = re.compile(r"[+-]?(?:[0-9][0-9_]*(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_QUOTIENT = re.compile(r"([+-]?[0-9]+)\s*/\s*([0-9]+)")


class _Quantity(NamedTuple):
    """Say how one kind of quantity is written and how far it may go.

    `units` gives the size of each unit in base units, smallest first; `bare` is the unit of a
    number without one, empty where a unit must be written; `low` and `high` are in base units.
    """

    name: str
    units: Mapping[str, int | Fraction]
    bare: str
    low: int
    high: int
    allowed: str


_FREQUENCY = _Quantity(
    name="frequency",
    units={"Hz": 1, "kHz": 10**3, "MHz": 10**6, "GHz": 10**9},
    bare="Hz",
    low=1,
    high=10**12,
    allowed="1 Hz to 1000 GHz, whole hertz, in Hz, kHz, MHz or GHz",
)
_DURATION = _Quantity(
    name="duration",
    units={"ps": 1, "ns": 10**3, "us": 10**6, "ms": 10**9, "s": 10**12, "min": 60 * 10**12},
    bare="",
    low=0,
    high=10**8 * PS_PER_S,
    allowed="0 to 100000000 s, whole picoseconds, in ps, ns, us, ms, s or min",
)
_SIZE = _Quantity(
    name="size",
    units={"B": 1, "kB": 1000, "KiB": 1024, "MiB": 1024**2},
    bare="B",
    low=0,
    high=2**64,
    allowed="0 B to 2**64 B, whole bytes, in B, kB (1000), KiB (1024) or MiB",
)
_RATIO = _Quantity(
    name="ratio",
    units={"ppm": Fraction(1, 10**6), "%": Fraction(1, 100)},
    bare="1",
    low=-100,
    high=100,
    allowed="-100 to 100, as a number, a fraction such as 1/3, in % or in ppm",
)
_CYCLES = _Quantity(
    name="number of cycles",
    units={"cycle": 1, "cycles": 1},
    bare="cycles",
    low=0,
    high=10**15,
    allowed="0 to 10**15, whole cycles",
)


def parse_frequency(value: object) -> int:
    """Read a frequency in hertz, such as ``"1.8432 MHz"``.

    Args:
        value: text with Hz, kHz, MHz or GHz, or a plain number of hertz; 1 Hz to 1000 GHz.

    Raises:
        UnitError: `value` is no such quantity, or not a whole number of hertz.
    """
    return _whole(_FREQUENCY, value)


def parse_duration(value: object) -> int:
    """Read a duration in picoseconds, such as ``"200 us"``.

    Args:
        value: text with ps, ns, us (or a micro sign), ms, s or min; 0 may stand without a unit.

    Raises:
        UnitError: `value` is no such quantity, has no unit, or is not whole picoseconds.
    """
    return _whole(_DURATION, value)


def parse_size(value: object) -> int:
    """Read a size in bytes, such as ``"64 KiB"``.

    Args:
        value: text with B, kB, KiB or MiB, or a plain number of bytes; 0 to 2**64.

    Raises:
        UnitError: `value` is no such quantity, or not a whole number of bytes.
    """
    return _whole(_SIZE, value)


def parse_cycles(value: object) -> int:
    """Read a number of processor cycles, such as ``12`` or ``"12 cycles"``.

    Args:
        value: a plain number, or text with or without the word; 0 to 10**15.

    Raises:
        UnitError: `value` is no such quantity, or not a whole number of cycles.
    """
    return _whole(_CYCLES, value)


def parse_ratio(value: object) -> Fraction:
    """Read a ratio exactly, such as ``"+200 ppm"``, ``"-1.5 %"``, ``"1/3"`` or ``0.02``.

    Args:
        value: text with % or ppm, or a plain number of ones; -100 to 100.

    Raises:
        UnitError: `value` is no such quantity.
    """
    quotient = _QUOTIENT.fullmatch(value.strip()) if isinstance(value, str) else None
    if quotient is None or len(quotient[0]) > _LONGEST_TEXT or not int(quotient[2]):
        return _read(_RATIO, value)
    return _in_range(_RATIO, value, Fraction(int(quotient[1]), int(quotient[2])))


def format_frequency(hz: int) -> str:
    """Return a frequency exactly, in the largest unit that it fills: ``"1.8432 MHz"``."""
    return _format(hz, _FREQUENCY.units)


def format_duration(ps: int) -> str:
    """Return a duration in picoseconds exactly, in the largest of ps to s that it fills."""
    return _format(ps, {unit: size for unit, size in _DURATION.units.items() if unit != "min"})


def show_duration(ps: int) -> str:
    """Return a duration in picoseconds to four digits, for reading rather than reading back."""
    for unit in ("s", "ms", "us", "ns"):
        size = int(_DURATION.units[unit])
        if ps >= size:
            return f"{ps / size:.4g} {unit}"
    return f"{ps} ps"


def format_size(size_bytes: int) -> str:
    """Return a size exactly, in MiB or KiB where it is a whole number of them, else in bytes."""
    for unit in ("MiB", "KiB"):
        whole, rest = divmod(size_bytes, int(_SIZE.units[unit]))
        if whole and not rest:
            return f"{whole} {unit}"
    return f"{size_bytes} B"


def format_ratio(ratio: Fraction | int) -> str:
    """Return a ratio exactly: in %, below 0.1 % in ppm, as a fraction where decimals never end."""
    exact = Fraction(ratio)
    unit = "ppm" if 0 < abs(exact) < Fraction(1, 1000) else "%"
    scaled = exact / _RATIO.units[unit]
    places = _decimal_places(scaled.denominator)
    if places is None:
        return f"{exact.numerator}/{exact.denominator}"
    return f"{_decimal(int(scaled * 10**places), 10**places)} {unit}"


def _whole(quantity: _Quantity, value: object) -> int:
    """Read a quantity that must come out as a whole number of base units."""
    number = _read(quantity, value)
    if number.denominator != 1:
        raise _refusal(quantity, value, "finer than the unit it is counted in")
    return int(number)


def _read(quantity: _Quantity, value: object) -> Fraction:
    """Read a quantity in base units and check its range."""
    number, unit = _split(quantity, value)
    if not unit and not quantity.bare and number:
        raise _refusal(quantity, value, "the unit is missing", _units_of(quantity))
    size = quantity.units[unit] if unit else 1
    return _in_range(quantity, value, number * size)


def _in_range(quantity: _Quantity, value: object, number: Fraction) -> Fraction:
    """Return `number`, or refuse it when it lies outside the quantity's range."""
    if not quantity.low <= number <= quantity.high:
        raise _refusal(quantity, value, "out of range")
    return number


def _split(quantity: _Quantity, value: object) -> tuple[Fraction, str]:
    """Take a quantity apart into its number and its unit, empty when there is none."""
    if isinstance(value, str):
        return _split_text(quantity, value)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _refusal(quantity, value, "neither text nor a number")
    if isinstance(value, float) and not math.isfinite(value):
        raise _refusal(quantity, value, "not a finite number")
    return Fraction(repr(value)) if isinstance(value, float) else Fraction(value), ""


def _split_text(quantity: _Quantity, text: str) -> tuple[Fraction, str]:
    """Take a written quantity apart into its number and its unit."""
    stripped = text.strip()
    number = _NUMBER.match(stripped)
    if number is None:
        raise _refusal(quantity, text, "it does not begin with a number")
    if len(stripped) > _LONGEST_TEXT:
        raise _refusal(quantity, text, f"longer than {_LONGEST_TEXT} characters")
    unit = stripped[number.end() :].strip().replace("µ", "u").replace("μ", "u")
    if unit and unit not in quantity.units:
        raise _refusal(quantity, text, f"unknown unit {unit!r}", _unit_fix(quantity, unit))
    return _exact(quantity, text, number[0]), unit


def _exact(quantity: _Quantity, text: str, digits: str) -> Fraction:
    """Return written digits as a fraction, refusing exponents that would fill the memory."""
    try:
        number = Decimal(digits)
    except InvalidOperation:
        raise _refusal(quantity, text, "out of range") from None
    if number and abs(number.adjusted()) > _LARGEST_EXPONENT:
        raise _refusal(quantity, text, "out of range")
    return Fraction(number) if number else Fraction(0)


def _unit_fix(quantity: _Quantity, unit: str) -> str:
    """Return the nearest thing to write instead of an unknown unit."""
    if unit.startswith(","):
        return "write a point before the decimals, and nothing between thousands"
    return nearest(unit, quantity.units)


def _units_of(quantity: _Quantity) -> str:
    """Return a hint that names the units a bare number may have meant."""
    return f"write one of {', '.join(quantity.units)} after the number"


def _refusal(quantity: _Quantity, value: object, why: str, fix: str = "") -> UnitError:
    """Make the error for a value that cannot be read as this quantity."""
    what = f"{_shown(value)} is not a {quantity.name}: {why}"
    return UnitError(what, allowed=quantity.allowed, fix=fix)


def _shown(value: object) -> str:
    """Return a value and its type in at most some 60 characters."""
    kind = type(value).__name__
    if isinstance(value, int) and value.bit_length() > 128:
        return f"a number of {value.bit_length()} bits ({kind})"
    if value is not None and not isinstance(value, (str, int, float)):
        return f"a {kind}"
    text = repr(value[:60] if isinstance(value, str) else value)
    return f"{text if len(text) <= 60 else text[:57] + '...'} ({kind})"


def _format(number: int, units: Mapping[str, int | Fraction]) -> str:
    """Return `number` in the largest of `units`, powers of ten, that it fills."""
    fitting = [unit for unit, size in units.items() if size <= abs(number)]
    unit = fitting[-1] if fitting else next(iter(units))
    return f"{_decimal(number, int(units[unit]))} {unit}"


def _decimal(number: int, size: int) -> str:
    """Return `number` / `size` as decimal text without an end of zeros; `size` a power of ten."""
    whole, rest = divmod(abs(number), size)
    decimals = f".{rest:0{len(str(size)) - 1}}".rstrip("0") if rest else ""
    return f"{'-' if number < 0 else ''}{whole}{decimals}"


def _decimal_places(denominator: int) -> int | None:
    """Return how many decimals a fraction needs, or None when no number of them is enough."""
    twos = fives = 0
    while not denominator % 2:
        denominator, twos = denominator // 2, twos + 1
    while not denominator % 5:
        denominator, fives = denominator // 5, fives + 1
    return max(twos, fives) if denominator == 1 else None


_PARITY_OF = {"N": "none", "O": "odd", "E": "even", "M": "mark", "S": "space"}
_LETTER_OF = {parity: letter for letter, parity in _PARITY_OF.items()}
_LINE_ALLOWED = (
    f"a baud rate of 1 to {_LARGEST_BAUD}, then data bits 5 to 8, parity N, O, E, M or S, "
    "and stop bits 1, 1.5 or 2, such as '115200 8N1'"
)


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Hold what both ends of an asynchronous serial line must agree on.

    >>> str(LineSettings(9600, parity="even"))
    '9600 8E1'

    Args:
        baud: bits a second, 1 to 100,000,000.
        data_bits: 5 to 8.
        parity: none, odd, even, mark or space.
        stop_bits: 1, with 5 data bits also 1.5, with 6 to 8 data bits also 2.

    Raises:
        UnitError: a setting that no such line has.

    Source: PC16550D data sheet, National Semiconductor, June 1995, section 8.1, for word
    lengths, parities, and stop bits of 1.5 with five data bits and of 2 with more.
    """

    baud: int
    data_bits: int = 8
    parity: str = "none"
    stop_bits: float = 1

    def __post_init__(self) -> None:
        _check_whole("baud", self.baud, 1, _LARGEST_BAUD)
        _check_whole("data_bits", self.data_bits, 5, 8)
        _check_parity(self.parity)
        _check_stop_bits(self.stop_bits, self.data_bits)

    @property
    def frame_bits(self) -> float:
        """Return bit times from start bit to the last stop bit, a whole number of halves."""
        return 1 + self.data_bits + (self.parity != "none") + float(self.stop_bits)

    @property
    def character_s(self) -> float:
        """Return the time of one character in seconds."""
        return self.frame_bits / self.baud

    @property
    def character_ps(self) -> int:
        """Return the time of one character in picoseconds, rounded to the nearest."""
        half_bits = int(self.frame_bits * 2)
        return (half_bits * PS_PER_S + self.baud) // (2 * self.baud)

    def __str__(self) -> str:
        letter = _LETTER_OF[self.parity]
        return f"{self.baud} {self.data_bits}{letter}{self.stop_bits:g}"


def parse_line(value: object) -> LineSettings:
    """Read line settings, such as ``"115200 8N1"``.

    Args:
        value: baud rate, then data bits, parity letter and stop bits; a baud rate alone, as text
            or number, means 8N1.

    Raises:
        UnitError: `value` cannot be read, or no line has such settings.
    """
    text = str(value) if type(value) is int and value.bit_length() <= 128 else value
    if not isinstance(text, str):
        raise _line_refusal(value, "neither text nor a whole baud rate")
    words = text.split()
    if not 1 <= len(words) <= 2:
        raise _line_refusal(value, "not a baud rate and a frame")
    baud = _baud(value, words[0])
    return _with_frame(value, baud, words[1]) if len(words) == 2 else LineSettings(baud)


def _baud(value: object, word: str) -> int:
    """Read the baud rate of written line settings."""
    if re.fullmatch("[0-9]{1,20}", word):
        return int(word)
    if re.fullmatch("[5-8][A-Za-z][0-9.]+", word):
        raise _line_refusal(value, "the baud rate is missing", f"write '115200 {word.upper()}'")
    raise _line_refusal(value, f"{_shown(word)} is not a baud rate", "write it in plain digits")


def _with_frame(value: object, baud: int, word: str) -> LineSettings:
    """Read data bits, parity letter and stop bits, such as ``8N1``."""
    parts = re.fullmatch(r"([0-9])([A-Za-z])([0-9](?:\.[0-9])?)", word)
    if parts is None:
        raise _line_refusal(value, f"{_shown(word)} is not a frame", "write it like '8N1'")
    parity = _PARITY_OF.get(parts[2].upper())
    if parity is None:
        raise _line_refusal(value, f"unknown parity {parts[2]!r}", "write N, O, E, M or S")
    return LineSettings(baud, int(parts[1]), parity, float(parts[3]))


def _line_refusal(value: object, why: str, fix: str = "") -> UnitError:
    """Make the error for a value that cannot be read as line settings."""
    what = f"{_shown(value)} does not describe a serial line: {why}"
    return UnitError(what, allowed=_LINE_ALLOWED, fix=fix)


def _check_whole(name: str, value: object, low: int, high: int) -> None:
    """Refuse a setting that is not an int within inclusive bounds."""
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise UnitError(f"{name} is {_shown(value)}", allowed=f"whole numbers {low} to {high}")


def _check_parity(parity: object) -> None:
    """Refuse a parity that is not one of the five words."""
    if isinstance(parity, str) and parity in _LETTER_OF:
        return
    word = _PARITY_OF.get(str(parity).upper(), "")
    fix = f"did you mean {word!r}?" if word else nearest(str(parity), _LETTER_OF)
    raise UnitError(f"parity is {_shown(parity)}", allowed=", ".join(_LETTER_OF), fix=fix)


def _check_stop_bits(stop_bits: object, data_bits: int) -> None:
    """Refuse a length of stop that does not exist with this many data bits."""
    choices = (1, 1.5) if data_bits == 5 else (1, 2)
    number = isinstance(stop_bits, (int, float)) and not isinstance(stop_bits, bool)
    if not number or stop_bits not in choices:
        raise UnitError(
            f"stop_bits is {_shown(stop_bits)} with {data_bits} data bits",
            allowed=f"{choices[0]} or {choices[1]} with {data_bits} data bits",
        )
