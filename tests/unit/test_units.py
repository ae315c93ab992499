"""Quantities are read exactly, printed so that they read the same, and refused with a remedy.

The line figures are those of published documents, named beside each table.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import FrozenInstanceError
from fractions import Fraction
from typing import Any

import pytest

from emu.errors import UnitError
from emu.units import (
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

Parser = Callable[[object], object]

PARSERS: tuple[Parser, ...] = (
    parse_cycles,
    parse_duration,
    parse_frequency,
    parse_line,
    parse_ratio,
    parse_size,
)


@pytest.mark.parametrize(
    ("written", "hz"),
    [
        ("1.8432 MHz", 1_843_200),
        ("50 MHz", 50_000_000),
        ("50MHz", 50_000_000),
        (" 14.7456  MHz ", 14_745_600),
        ("32.768 kHz", 32_768),
        ("2.4 GHz", 2_400_000_000),
        ("1e6 Hz", 1_000_000),
        ("1_000_000", 1_000_000),
        ("0.001 kHz", 1),
        (".5 kHz", 500),
        (115200, 115_200),
        (1.8432e6, 1_843_200),
        ("1000 GHz", 10**12),
    ],
)
def test_a_frequency_is_whole_hertz(written: object, hz: int) -> None:
    """Decimals that no float can hold come out exact."""
    assert parse_frequency(written) == hz


@pytest.mark.parametrize(
    ("written", "ps"),
    [
        ("1 ps", 1),
        ("0.001 ns", 1),
        ("33 ns", 33_000),
        ("200 us", 200_000_000),
        ("200 µs", 200_000_000),
        ("200 μs", 200_000_000),
        ("1.5 ms", 1_500_000_000),
        ("0.1 s", 10**11),
        ("2 min", 120 * 10**12),
        ("0", 0),
        (0, 0),
        (0.0, 0),
        ("0 s", 0),
        ("100000000 s", 10**20),
    ],
)
def test_a_duration_is_whole_picoseconds(written: object, ps: int) -> None:
    """Every unit is read, both signs for micro included, and only zero may lack one."""
    assert parse_duration(written) == ps


@pytest.mark.parametrize(
    ("written", "size_bytes"),
    [
        ("64 KiB", 65_536),
        ("1.5 KiB", 1536),
        ("64 kB", 64_000),
        ("1 MiB", 1_048_576),
        ("16 B", 16),
        ("16", 16),
        (4096, 4096),
        (0, 0),
        (2**64, 2**64),
    ],
)
def test_a_size_is_whole_bytes(written: object, size_bytes: int) -> None:
    """Binary and decimal thousands are told apart by their spelling."""
    assert parse_size(written) == size_bytes


@pytest.mark.parametrize(
    ("written", "ratio"),
    [
        ("+200 ppm", Fraction(1, 5000)),
        ("2 %", Fraction(1, 50)),
        ("2%", Fraction(1, 50)),
        ("-1.5 %", Fraction(-3, 200)),
        ("1/3", Fraction(1, 3)),
        ("-2 / 6", Fraction(-1, 3)),
        (0.02, Fraction(1, 50)),
        (0.1, Fraction(1, 10)),
        (1, Fraction(1)),
        ("0.02", Fraction(1, 50)),
    ],
)
def test_a_ratio_is_an_exact_fraction(written: object, ratio: Fraction) -> None:
    """A ratio is what was written, not what a float makes of it."""
    assert parse_ratio(written) == ratio


@pytest.mark.parametrize("written", [12, "12", "12 cycles", "12cycles", 12.0])
def test_cycles_are_counted(written: object) -> None:
    """A number of cycles may stand with or without the word."""
    assert parse_cycles(written) == 12


def test_one_cycle_may_be_called_one() -> None:
    """The singular is read too."""
    assert parse_cycles("1 cycle") == 1


@pytest.mark.parametrize(
    ("written", "settings"),
    [
        ("115200 8N1", LineSettings(115_200)),
        ("9600 7E2", LineSettings(9600, 7, "even", 2)),
        ("110 5n1.5", LineSettings(110, 5, "none", 1.5)),
        (" 300  8M1 ", LineSettings(300, parity="mark")),
        ("300 8S1", LineSettings(300, parity="space")),
        ("300 6O2", LineSettings(300, 6, "odd", 2)),
        ("19200", LineSettings(19_200)),
        (19_200, LineSettings(19_200)),
    ],
)
def test_a_line_is_read_as_it_is_usually_written(written: object, settings: LineSettings) -> None:
    """Baud rate and frame are read, in either case; a baud rate alone means 8N1."""
    assert parse_line(written) == settings


@pytest.mark.parametrize(
    ("hz", "text"),
    [
        (1, "1 Hz"),
        (999, "999 Hz"),
        (32_768, "32.768 kHz"),
        (1_843_200, "1.8432 MHz"),
        (50_000_000, "50 MHz"),
        (1_000_001, "1.000001 MHz"),
        (2_400_000_000, "2.4 GHz"),
    ],
)
def test_a_frequency_is_printed_in_its_largest_unit(hz: int, text: str) -> None:
    """A frequency is printed exactly and without an end of zeros."""
    assert format_frequency(hz) == text


@pytest.mark.parametrize(
    ("ps", "text"),
    [
        (0, "0 ps"),
        (1, "1 ps"),
        (33_000, "33 ns"),
        (86_805_556, "86.805556 us"),
        (200_000_000, "200 us"),
        (90 * 10**12, "90 s"),
        (-5_000_000, "-5 us"),
    ],
)
def test_a_duration_is_printed_in_its_largest_unit(ps: int, text: str) -> None:
    """A duration is printed exactly; one before its time has a minus."""
    assert format_duration(ps) == text


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [(0, "0 B"), (1, "1 B"), (1536, "1536 B"), (65_536, "64 KiB"), (3 * 2**20, "3 MiB")],
)
def test_a_size_is_printed_in_whole_units(size_bytes: int, text: str) -> None:
    """A size is printed in the largest unit that it is a whole number of."""
    assert format_size(size_bytes) == text


@pytest.mark.parametrize(
    ("ratio", "text"),
    [
        (Fraction(0), "0 %"),
        (Fraction(1, 5000), "200 ppm"),
        (Fraction(-1, 5000), "-200 ppm"),
        (Fraction(1, 50), "2 %"),
        (Fraction(-3, 200), "-1.5 %"),
        (Fraction(1, 3), "1/3"),
        (1, "100 %"),
    ],
)
def test_a_ratio_is_printed_in_per_cent_or_ppm(ratio: Fraction | int, text: str) -> None:
    """Small ratios are printed in ppm, others in per cent, endless decimals as a fraction."""
    assert format_ratio(ratio) == text


@pytest.mark.parametrize(
    ("written", "fix"),
    [
        ("50 MHzz", "did you mean 'MHz'?"),
        ("50 mhz", "did you mean 'MHz'?"),
        ("50 MHZ", "did you mean 'MHz'?"),
        ("50 bananas", "known: GHz, Hz, MHz, kHz"),
        ("1,8432 MHz", "write a point before the decimals, and nothing between thousands"),
    ],
)
def test_an_unknown_unit_names_the_nearest(written: str, fix: str) -> None:
    """A misspelt unit, in letters or in case, is answered with the right one."""
    with pytest.raises(UnitError) as caught:
        parse_frequency(written)

    assert caught.value.fix == fix
    assert caught.value.allowed == "1 Hz to 1000 GHz, whole hertz, in Hz, kHz, MHz or GHz"


@pytest.mark.parametrize(
    ("written", "fix"),
    [("64 KB", "did you mean 'kB'?"), ("64 kib", "did you mean 'KiB'?")],
)
def test_a_size_in_the_wrong_case_is_hinted(written: str, fix: str) -> None:
    """Which thousand was meant is asked, not guessed."""
    with pytest.raises(UnitError) as caught:
        parse_size(written)

    assert caught.value.fix == fix


@pytest.mark.parametrize("written", [200, "200", 0.5, "0.5"])
def test_a_duration_without_a_unit_is_refused(written: object) -> None:
    """The message says that the unit is missing and which there are."""
    with pytest.raises(UnitError, match="is not a duration: the unit is missing") as caught:
        parse_duration(written)

    assert caught.value.fix == "write one of ps, ns, us, ms, s, min after the number"


def test_a_refusal_has_all_its_parts() -> None:
    """The text names the value with its type, what is wrong, what is allowed and the remedy."""
    with pytest.raises(UnitError) as caught:
        parse_duration("20 usec")

    assert str(caught.value) == (
        "'20 usec' (str) is not a duration: unknown unit 'usec'; "
        "allowed: 0 to 100000000 s, whole picoseconds, in ps, ns, us, ms, s or min; "
        "did you mean 'us'?"
    )


@pytest.mark.parametrize("parser", PARSERS)
@pytest.mark.parametrize(
    "value",
    [
        True,
        False,
        None,
        [],
        {"hz": 1},
        b"50 MHz",
        float("nan"),
        float("inf"),
        float("-inf"),
        "nan",
        "inf",
        "",
        " ",
        "MHz",
        "-",
        "1e400",
        "1e-400",
        "1e99999999999999999999",
        "-5",
        "-1 s",
        1e300,
        pytest.param(10**5000, id="5001 digits"),
        pytest.param("9" * 5000, id="5000 digits as text"),
        "1/0",
        "1 2 3",
    ],
)
def test_nonsense_is_refused(parser: Parser, value: object) -> None:
    """What is no quantity, or out of all bounds, is refused shortly with what is allowed."""
    if parser is parse_ratio and value == "-5":
        value = "-101"

    with pytest.raises(UnitError) as caught:
        parser(value)

    assert caught.value.allowed
    assert len(caught.value.what) < 200


@pytest.mark.parametrize(
    ("parser", "written"),
    [
        (parse_frequency, "0 Hz"),
        (parse_frequency, "0.5 Hz"),
        (parse_frequency, "1000.000001 GHz"),
        (parse_duration, "0.5 ps"),
        (parse_duration, "100000001 s"),
        (parse_size, "0.3 B"),
        (parse_size, 2**64 + 1),
        (parse_cycles, "1.5 cycles"),
        (parse_ratio, "101"),
    ],
)
def test_the_limits_hold(parser: Parser, written: object) -> None:
    """Just outside the range, or finer than the whole number kept, is refused."""
    with pytest.raises(UnitError):
        parser(written)


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("8N1", "the baud rate is missing.*write '115200 8N1'"),
        ("fast 8N1", "'fast' .str. is not a baud rate.*write it in plain digits"),
        ("9600.5 8N1", "'9600.5' .str. is not a baud rate"),
        ("9600 8", "'8' .str. is not a frame.*write it like '8N1'"),
        ("9600 8X1", "unknown parity 'X'.*write N, O, E, M or S"),
        ("9600 9N1", "data_bits is 9 .int.; allowed: whole numbers 5 to 8"),
        ("9600 8N1.5", "stop_bits is 1.5 .float. with 8 data bits; allowed: 1 or 2"),
        ("9600 5N2", "stop_bits is 2.0 .float. with 5 data bits; allowed: 1 or 1.5"),
        ("0 8N1", "baud is 0 .int.; allowed: whole numbers 1 to 100000000"),
        (9600.0, "9600.0 .float. does not describe a serial line"),
    ],
)
def test_a_line_that_cannot_be_is_refused(written: object, message: str) -> None:
    """Each part of the line settings has its own message."""
    with pytest.raises(UnitError, match=message):
        parse_line(written)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"baud": 0}, "baud is 0"),
        ({"baud": True}, "baud is True"),
        ({"baud": "9600"}, "baud is '9600'"),
        ({"baud": 9600, "data_bits": 4}, "data_bits is 4"),
        ({"baud": 9600, "parity": "evn"}, "parity is 'evn'.*did you mean 'even'"),
        ({"baud": 9600, "parity": "E"}, "parity is 'E'.*did you mean 'even'"),
        ({"baud": 9600, "parity": None}, "parity is None"),
        ({"baud": 9600, "stop_bits": 3}, "stop_bits is 3"),
        ({"baud": 9600, "stop_bits": True}, "stop_bits is True"),
        ({"baud": 9600, "stop_bits": "1"}, "stop_bits is '1'"),
        ({"baud": 9600, "stop_bits": Fraction(1)}, "stop_bits is a Fraction"),
    ],
)
def test_settings_are_checked_when_made(arguments: dict[str, Any], message: str) -> None:
    """No settings exist that a line cannot have, however they were made."""
    with pytest.raises(UnitError, match=message):
        LineSettings(**arguments)


def test_settings_cannot_be_changed() -> None:
    """What a driver was given stays what it was."""
    with pytest.raises(FrozenInstanceError):
        LineSettings(9600).baud = 19_200  # type: ignore[misc]


def test_settings_survive_pickling_and_compare_by_value() -> None:
    """Settings reach a worker process whole and can be looked up in a table."""
    settings = LineSettings(9600, 7, "even", 2)

    copy = pickle.loads(pickle.dumps(settings))  # noqa: S301 - made one line above

    assert copy == settings
    assert hash(copy) == hash(LineSettings(9600, 7, "even", 2.0))


# One start bit, the data bits, a parity bit unless there is none, and the stop bits.
# Source: PC16550D data sheet, National Semiconductor, TL/C/8652, June 1995, section 8.1.
@pytest.mark.parametrize(
    ("frame", "bits"),
    [
        ("5N1", 7),
        ("5N1.5", 7.5),
        ("5E1.5", 8.5),
        ("6N1", 8),
        ("6E2", 10),
        ("7N1", 9),
        ("7E1", 10),
        ("7O1", 10),
        ("7N2", 10),
        ("7E2", 11),
        ("8N1", 10),
        ("8E1", 11),
        ("8O1", 11),
        ("8N2", 11),
        ("8E2", 12),
        ("8O2", 12),
    ],
)
def test_frames_have_their_published_length(frame: str, bits: float) -> None:
    """Frame lengths follow from the word format as the data sheet describes it."""
    assert parse_line(f"9600 {frame}").frame_bits == bits


@pytest.mark.parametrize("parity", ["mark", "space"])
def test_a_fixed_parity_bit_takes_its_time(parity: str) -> None:
    """Mark and space parity lengthen the frame like any other parity."""
    assert LineSettings(9600, parity=parity).frame_bits == 11


RATES = (110, 300, 600, 1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200)

# Baud rate over frame bits, to four decimals, by the word format of the PC16550D data sheet,
# section 8.1. The rows of 8N1 agree with 240 and 11,520 characters a second at 2400 and 115200
# in C. Blum, The Serial Port FAQ, on how long a FIFO lasts.
CHARACTERS_PER_SECOND = {
    "7N1": "12.2222 33.3333 66.6667 133.3333 266.6667 533.3333 1066.6667 2133.3333 4266.6667 "
    "6400 12800",
    "7E1": "11 30 60 120 240 480 960 1920 3840 5760 11520",
    "8N1": "11 30 60 120 240 480 960 1920 3840 5760 11520",
    "8E1": "10 27.2727 54.5455 109.0909 218.1818 436.3636 872.7273 1745.4545 3490.9091 "
    "5236.3636 10472.7273",
    "8E2": "9.1667 25 50 100 200 400 800 1600 3200 4800 9600",
    "5N1.5": "14.6667 40 80 160 320 640 1280 2560 5120 7680 15360",
}

# Frame bits over baud rate in microseconds, to four decimals; same source.
CHARACTER_US = {
    "7E1": "90909.0909 33333.3333 16666.6667 8333.3333 4166.6667 2083.3333 1041.6667 520.8333 "
    "260.4167 173.6111 86.8056",
    "8N1": "90909.0909 33333.3333 16666.6667 8333.3333 4166.6667 2083.3333 1041.6667 520.8333 "
    "260.4167 173.6111 86.8056",
    "8E1": "100000 36666.6667 18333.3333 9166.6667 4583.3333 2291.6667 1145.8333 572.9167 "
    "286.4583 190.9722 95.4861",
    "8E2": "109090.9091 40000 20000 10000 5000 2500 1250 625 312.5 208.3333 104.1667",
}

# The receive time-out of a 16550 lasts four characters; microseconds to four decimals.
# Source: PC16550D data sheet, section 8.11, which prints 160 ms for 300 baud and 12 bits.
FOUR_CHARACTERS_US = {
    "8N1": "363636.3636 133333.3333 66666.6667 33333.3333 16666.6667 8333.3333 4166.6667 "
    "2083.3333 1041.6667 694.4444 347.2222",
    "8E1": "400000 146666.6667 73333.3333 36666.6667 18333.3333 9166.6667 4583.3333 2291.6667 "
    "1145.8333 763.8889 381.9444",
    "8E2": "436363.6364 160000 80000 40000 20000 10000 5000 2500 1250 833.3333 416.6667",
}


def rows(table: dict[str, str]) -> list[tuple[LineSettings, float]]:
    """Return the settings and the figure of each entry of a table above."""
    return [
        (parse_line(f"{baud} {frame}"), float(figure))
        for frame, figures in table.items()
        for baud, figure in zip(RATES, figures.split(), strict=True)
    ]


@pytest.mark.parametrize(("settings", "figure"), rows(CHARACTERS_PER_SECOND), ids=str)
def test_characters_per_second_are_as_published(settings: LineSettings, figure: float) -> None:
    """One over the character time is the published rate."""
    assert 1 / settings.character_s == pytest.approx(figure, abs=5.1e-5)


@pytest.mark.parametrize(("settings", "figure"), rows(CHARACTER_US), ids=str)
def test_character_times_are_as_published(settings: LineSettings, figure: float) -> None:
    """The character time in seconds and in picoseconds is the published one."""
    assert settings.character_s * 1e6 == pytest.approx(figure, abs=5.1e-5)
    assert settings.character_ps / 1e6 == pytest.approx(figure, abs=5.1e-5)


@pytest.mark.parametrize(("settings", "figure"), rows(FOUR_CHARACTERS_US), ids=str)
def test_four_character_time_outs_are_as_published(settings: LineSettings, figure: float) -> None:
    """Four character times are the published receive time-out."""
    assert 4 * settings.character_ps / 1e6 == pytest.approx(figure, abs=5.1e-5)


def test_figures_printed_as_examples_hold() -> None:
    """Worked examples from three documents come out as printed there."""
    # PC16550D data sheet, section 8.11: four 12-bit characters at 300 baud take 160 ms.
    assert 4 * parse_line("300 8E2").character_ps == parse_duration("160 ms")
    # C. Blum, The Serial Port FAQ: 2400 baud 8N1 carries 240 characters a second.
    assert 1 / parse_line("2400 8N1").character_s == pytest.approx(240)
    # An article on CSDN about the time a serial character takes: 9600 8O1 gives 1.1458 ms, and
    # a hundred characters at 115200 8N1 take 8.6805 ms (cut off, not rounded).
    assert parse_line("9600 8O1").character_s == pytest.approx(1.1458e-3, abs=5e-8)
    assert 100 * parse_line("115200 8N1").character_s == pytest.approx(8.6805e-3, abs=1e-7)
    # A comment in the source of SimpleModbusMaster: 9600 baud, 10 bits, 1.04167 ms each.
    assert parse_line("9600 8N1").character_s == pytest.approx(1.04167e-3, abs=5e-9)


def test_a_teletype_sends_ten_characters_a_second() -> None:
    """At 110 baud with two stop bits a character has 11 bits: ten a second.

    From memory: common practice of the teletype and ITU-T V.4; no copy was at hand.
    """
    settings = parse_line("110 7E2")

    assert settings.frame_bits == 11
    assert 1 / settings.character_s == pytest.approx(10)
