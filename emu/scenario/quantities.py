"""The quantities of input files as shapes: how each is read, and how an editor checks it.

The reading is that of `emu.units`; the patterns here are a little more lenient, never stricter.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from emu.errors import UnitError
from emu.scenario.shape import JsonSchema, Measure
from emu.units import (
    PS_PER_S,
    format_duration,
    parse_cycles,
    parse_duration,
    parse_frequency,
    parse_line,
    parse_ratio,
    parse_size,
)

__all__ = [
    "BAUD_ERROR",
    "CYCLES",
    "DURATION",
    "FREQUENCY",
    "LINE",
    "PROBABILITY",
    "RATE",
    "REAL_TIME",
    "SIZE",
    "SPAN",
]

_SHORTEST_REAL_PS = PS_PER_S // 20
_NUMBER = r"\s*[+-]?[0-9._]+([eE][+-]?[0-9]+)?\s*"


def _written(units: str, numbers: JsonSchema, *, bare: bool = True) -> JsonSchema:
    """Return the schema of a quantity in text with one of `units`, or as a number."""
    unit = f"({units})?" if bare else f"({units})"
    return {"anyOf": [{"type": "string", "pattern": f"^{_NUMBER}{unit}\\s*$"}, numbers]}


_DURATION = _written("ps|ns|us|µs|μs|ms|s|min", {"const": 0}, bare=False)

DURATION = Measure(parse_duration, _DURATION)
"""A duration in ps, 0 or longer."""

SPAN = Measure(parse_duration, _DURATION, above_zero=True)
"""A duration in ps, longer than 0."""


def _parse_real_time(value: object) -> float:
    """Read a time by the clock on the wall; less than Python needs for a few calls is none."""
    if (duration_ps := parse_duration(value)) < _SHORTEST_REAL_PS:
        raise UnitError(
            f"{value!r} is too short to tell a driver that is stuck from one that runs",
            allowed=f"{format_duration(_SHORTEST_REAL_PS)} or longer",
        )
    return duration_ps / PS_PER_S


REAL_TIME = Measure(_parse_real_time, _DURATION)
"""A duration of real time in seconds."""

FREQUENCY = Measure(parse_frequency, _written("Hz|kHz|MHz|GHz", {"type": "integer", "minimum": 1}))
SIZE = Measure(parse_size, _written("B|kB|KiB|MiB", {"type": "integer", "minimum": 0}))
CYCLES = Measure(parse_cycles, _written("cycles?", {"type": "integer", "minimum": 0}))

_RATIO: JsonSchema = {
    "anyOf": [
        {"type": "string", "pattern": rf"^{_NUMBER}(ppm|%|/\s*[0-9]+)?\s*$"},
        {"type": "number", "minimum": -100, "maximum": 100},
    ]
}


def _bounded(low: Fraction, high: Fraction, allowed: str) -> Callable[[object], Fraction]:
    """Return a reader of ratios within inclusive bounds."""

    def read(value: object) -> Fraction:
        ratio = parse_ratio(value)
        if not low <= ratio <= high:
            raise UnitError(f"{value!r} is out of range", allowed=allowed)
        return ratio

    return read


PROBABILITY = Measure(
    _bounded(Fraction(0), Fraction(1), "above 0, up to 1 or 100 %"), _RATIO, above_zero=True
)
"""A probability above 0 as an exact fraction."""

BAUD_ERROR = Measure(_bounded(Fraction(-1, 2), Fraction(1, 2), "-50 % to +50 %"), _RATIO)
"""How far a baud rate is off, as an exact fraction."""


def _parse_rate(value: object) -> Fraction:
    """Read how often something happens in a second."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= 10**9:
        raise UnitError(f"{value!r} is not a rate", allowed="above 0 to 1000000000 a second")
    return Fraction(repr(value))


RATE = Measure(_parse_rate, {"type": "number", "exclusiveMinimum": 0, "maximum": 10**9})
"""How often something happens in a second, as an exact fraction."""

LINE = Measure(
    parse_line,
    {
        "anyOf": [
            {
                "type": "string",
                "pattern": r"^\s*[0-9]+(\s+[5-8][NOEMSnoems][0-9](\.[0-9])?)?\s*$",
            },
            {"type": "integer", "minimum": 1},
        ]
    },
)
