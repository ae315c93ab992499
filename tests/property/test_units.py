"""What is printed reads back as the same quantity, and no text at all upsets a parser."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emu.errors import UnitError
from emu.units import (
    PS_PER_S,
    LineSettings,
    format_duration,
    format_frequency,
    format_ratio,
    format_size,
    parse_cycles,
    parse_duration,
    parse_frequency,
    parse_line,
    parse_ratio,
    parse_size,
)

PARSERS: tuple[Callable[[object], object], ...] = (
    parse_cycles,
    parse_duration,
    parse_frequency,
    parse_line,
    parse_ratio,
    parse_size,
)

plain_values = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=12),
    st.text(alphabet="0123456789.+-eE_ /%kKMGHzmunpsiBppcycleN", max_size=14),
    st.lists(st.integers(), max_size=2),
)


def outcome(parser: Callable[[object], object], value: object) -> object:
    """Return what a parser reads, or what it says is allowed instead."""
    try:
        return parser(value)
    except UnitError as error:
        return f"allowed: {error.allowed}" if error.what and error.allowed else None


@st.composite
def line_settings(draw: st.DrawFn) -> LineSettings:
    """Draw settings that a serial line can have."""
    data_bits = draw(st.integers(5, 8))
    return LineSettings(
        draw(st.integers(1, 100_000_000)),
        data_bits,
        draw(st.sampled_from(["none", "odd", "even", "mark", "space"])),
        draw(st.sampled_from([1, 1.5] if data_bits == 5 else [1, 2])),
    )


@given(st.integers(1, 10**12))
def test_a_printed_frequency_reads_back(hz: int) -> None:
    """Every frequency the bench can hold survives printing and reading."""
    assert parse_frequency(format_frequency(hz)) == hz


@given(st.integers(0, 10**20))
def test_a_printed_duration_reads_back(ps: int) -> None:
    """Every duration the bench can hold survives printing and reading."""
    assert parse_duration(format_duration(ps)) == ps


@given(st.integers(0, 2**64) | st.builds(lambda n: n * 2**20, st.integers(0, 2**44)))
def test_a_printed_size_reads_back(size_bytes: int) -> None:
    """Every size the bench can hold survives printing and reading."""
    assert parse_size(format_size(size_bytes)) == size_bytes


@given(
    st.fractions(-100, 100)
    | st.builds(lambda n, k: Fraction(n, 10**k), st.integers(-(10**6), 10**6), st.integers(4, 12))
)
def test_a_printed_ratio_reads_back(ratio: Fraction) -> None:
    """Ratios with and without an end to their decimals survive printing and reading."""
    assert parse_ratio(format_ratio(ratio)) == ratio


@given(line_settings())
def test_printed_line_settings_read_back(settings: LineSettings) -> None:
    """Every line setting survives printing and reading."""
    assert parse_line(str(settings)) == settings


@given(line_settings())
def test_a_character_time_is_the_nearest_picosecond(settings: LineSettings) -> None:
    """The whole number of picoseconds is never more than half a one from the true time."""
    exact = Fraction(settings.frame_bits) * PS_PER_S / settings.baud

    assert abs(settings.character_ps - exact) <= Fraction(1, 2)


@given(st.decimals(min_value=0, max_value=1000, places=9))
def test_decimal_seconds_are_read_exactly(seconds: Decimal) -> None:
    """Nine decimals of a second become whole picoseconds without a rounding error."""
    assert parse_duration(f"{seconds} s") == int(seconds * PS_PER_S)


@given(
    st.integers(1, 10**9), st.sampled_from(["Hz", "kHz", "MHz", "GHz"]), st.text(" ", max_size=3)
)
def test_blanks_do_not_matter(number: int, unit: str, blanks: str) -> None:
    """Blanks before, between and after number and unit change neither value nor refusal."""
    spread = outcome(parse_frequency, f"{blanks}{number}{blanks}{unit}{blanks}")

    assert spread == outcome(parse_frequency, f"{number} {unit}")


@pytest.mark.parametrize("parser", PARSERS)
@given(value=plain_values)
def test_whatever_is_written_is_read_or_refused(
    parser: Callable[[object], object], value: object
) -> None:
    """No value that a file can hold makes a parser fail in any way but its own error."""
    result = outcome(parser, value)

    assert isinstance(result, (int, Fraction, LineSettings, str))
