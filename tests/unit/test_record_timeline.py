"""Parts of the timeline: what folds, what words are said, what is noted on the line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from emu.devices.ram import Ram
from emu.devices.uart16550 import Uart16550
from emu.errors import AccessError
from emu.kernel.board import Board
from emu.record.characters import note_characters
from emu.record.events import (
    Access,
    AnyEvent,
    CallBegin,
    CallEnd,
    Character,
    HandlerEnter,
    HandlerExit,
    Masked,
    Sleep,
    Unmasked,
)
from emu.record.folding import Group, Row, fold, rows_of
from emu.record.phrases import about, quoted
from emu.record.tape import read_tape
from emu.record.timeline import timeline
from emu.rules.finding import Finding

US = 10**6


def access(time_us: int, register: str, value: int, *, depth: int = 0, line: int = 0) -> Access:
    """Return a read of a register."""
    return Access(
        time_ps=time_us * US, direction="read", device="telemetry", offset=0, width_bits=8,
        value=value, registers=(register,), stream=register == "RBR", until_ps=time_us * US,
        depth=depth, line=line,
    )  # fmt: skip


def sent(time_us: int, value: int) -> Character:
    """Return a character that left."""
    return Character(time_ps=time_us * US, device="telemetry", what="sent", value=value)


def shape(rows: Sequence[Row | Group]) -> list[Any]:
    """Return how many events each row has; a group as (rounds, rows, rows meanwhile)."""
    return [
        len(row.events)
        if isinstance(row, Row)
        else (row.count, shape(row.rows), shape(row.meanwhile))
        for row in rows
    ]


def folded(*events: AnyEvent) -> list[Any]:
    """Return the shape of events after folding."""
    return shape(fold(rows_of(events)))


def test_equal_neighbours_are_one_row() -> None:
    """Two reads of a register with one value are one row, another value begins another."""
    assert folded(access(0, "LSR", 1), access(1, "LSR", 1), access(2, "LSR", 2)) == [2, 1]


def test_data_that_moves_along_is_one_row() -> None:
    """Different values of a register that moves data are one row, since they are one message."""
    assert folded(access(0, "RBR", 1), access(1, "RBR", 2), access(2, "RBR", 3)) == [3]


def test_a_pattern_that_comes_three_times_is_a_group() -> None:
    """A loop over two registers is a group; two rounds are not enough."""
    loop: list[AnyEvent] = [access(0, "LSR", 1), access(1, "RBR", 2)]

    assert folded(*loop * 3) == [(3, [3, 3], [])]
    assert folded(*loop * 2) == [1, 1, 1, 1]


def test_loops_in_loops_are_seen() -> None:
    """A row that repeats in each round is folded inside the group."""
    loop: list[AnyEvent] = [access(0, "LSR", 1), access(1, "LSR", 1), access(2, "RBR", 2)]

    assert folded(*loop * 4) == [(4, [8, 4], [])]


def test_a_handler_that_comes_again_and_again_is_a_group() -> None:
    """Entries and ends fold with what is between them."""
    handler: list[AnyEvent] = [
        HandlerEnter(time_ps=0, depth=1, irq=5),
        access(1, "RBR", 2, depth=1),
        HandlerExit(time_ps=2 * US, depth=1, irq=5, took_ps=US),
    ]

    assert folded(*handler * 5) == [(5, [5, 5, 5], [])]


def test_characters_break_no_pattern() -> None:
    """Characters that leave while a loop runs are collected at the end of its group."""
    loop: list[AnyEvent] = [access(0, "LSR", 1), Sleep(time_ps=US, until_ps=2 * US)]
    events = [*loop, sent(2, 65), *loop, sent(3, 66), *loop]

    assert folded(*events, sent(4, 67)) == [(3, [3, 3], [2]), 1]


def test_a_call_is_never_folded() -> None:
    """Headings stand alone however often they come."""
    call = CallBegin(time_ps=0, port="telemetry", call="read")

    assert folded(*[call] * 5) == [1] * 5


def test_places_keep_rows_apart() -> None:
    """The same read at another line of the driver is another row."""
    one, two = access(0, "LSR", 1, line=3), access(1, "LSR", 1, line=4)

    assert folded(one, two) == [1, 1]


def test_masking_for_nothing_is_one_row() -> None:
    """Masked and unmasked with nothing in between is said in one row."""
    text = timeline([Masked(time_ps=0), sent(0, 65), Unmasked(time_ps=US)])

    assert "interrupts masked and unmasked" in text


def test_nothing_is_lost_by_folding() -> None:
    """Every event is in exactly one row, whatever the pattern."""
    events = [access(n, "LSR", n * n % 7 % 3) for n in range(60)]

    def count(rows: Sequence[Row | Group]) -> int:
        return sum(
            len(row.events) if isinstance(row, Row) else count(row.rows) + count(row.meanwhile)
            for row in rows
        )

    assert count(fold(rows_of(events))) == 60


@pytest.mark.parametrize(
    ("duration_ps", "text"),
    [
        (0, "0 ps"),
        (999, "999 ps"),
        (200_000, "200 ns"),
        (86_805_556, "86.81 us"),
        (999_999_999, "1000 us"),
        (5 * 10**12, "5 s"),
        (123_456 * 10**12, "123456 s"),
    ],
)
def test_durations_are_said_with_four_figures(duration_ps: int, text: str) -> None:
    """Rows say durations as people do; exact ones are in the events."""
    assert about(duration_ps) == text


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"tide 3.21 m\r\n", '"tide 3.21 m\\r\\n"'),
        (b'say "a\\b"', '"say \\"a\\\\b\\""'),
        (b"\x00\xff\x80", "00 ff 80"),
        (b"abc\x00", '"abc\\x00"'),
        (b"x" * 33, f'"{"x" * 32}"...'),
        (bytes(17), " ".join(["00"] * 16) + "..."),
    ],
)
def test_characters_are_text_where_they_are_some(data: bytes, text: str) -> None:
    """Text is quoted with escapes, other bytes are in hex, long rows are cut."""
    assert quoted(data) == text


def test_repeats_are_said_with_their_end() -> None:
    """A busy-wait loop says how often and until when."""
    event = access(10, "LSR", 0x60)
    event.repeats, event.until_ps = 430, 352_800_000

    assert "read  LSR 0x60  x431 until 352.8 us" in timeline([event])


def test_with_two_devices_registers_say_whose_they_are() -> None:
    """A register's name has the device before it as soon as there are two."""
    other = access(1, "LSR", 0)
    other.device = "console"
    text = timeline([access(0, "LSR", 0), other])

    assert "telemetry.LSR" in text
    assert "console.LSR" in text


def test_a_long_run_is_shown_in_milliseconds() -> None:
    """From 100 ms on the times of a page are in ms, all of them."""
    text = timeline([access(0, "LSR", 0), access(2_000_000, "LSR", 1)])

    assert text.splitlines()[0].startswith("   time ms")
    assert "2000.0000" in text


def test_nested_handlers_have_a_bar_each() -> None:
    """A handler inside a handler is indented behind two bars."""
    text = timeline(
        [
            HandlerEnter(time_ps=0, depth=1, irq=5),
            HandlerEnter(time_ps=0, depth=2, irq=6),
            access(1, "LSR", 0, depth=2),
            HandlerExit(time_ps=2 * US, depth=2, irq=6),
            HandlerExit(time_ps=3 * US, depth=1, irq=5),
        ]
    )

    assert [line[21:].strip() for line in text.splitlines()[1:]] == [
        "+-interrupt 5", "|  +-interrupt 6", "|  |  read  LSR 0x00", "|  +-back", "+-back",
    ]  # fmt: skip


def test_noting_characters_passes_them_on() -> None:
    """What the driver's line brings and loses is noted, and the monitor before still hears it."""
    board = Board()
    board.attach(Uart16550, "telemetry", 0)
    board.power_on()
    device = board.device("telemetry")
    assert isinstance(device, Uart16550)
    before = device.monitor
    heard: list[tuple[int, int]] = []
    before.arrived = lambda data, flags: heard.append((data, flags))  # type: ignore[method-assign]
    note_characters(board, "telemetry")
    device.receive(0x41, 0)
    device.receive(0x42, 0x08)
    device.monitor.arrived_row(b"CD")
    noted = [one for one in read_tape(board).events if isinstance(one, Character)]

    assert heard == [(0x41, 0), (0x42, 0x08)]
    assert [(one.what, one.value) for one in noted] == [
        ("arrived", 0x41), ("lost", 0x41), ("arrived", 0x42), ("arrived", 0x43), ("arrived", 0x44),
    ]  # fmt: skip
    assert noted[2].errors == ("framing",)


def test_only_serial_devices_have_characters() -> None:
    """Asking for the characters of something else is refused by name."""
    board = Board()
    board.attach(Ram, "memory", 0)

    with pytest.raises(AccessError, match="memory: a Ram has no characters"):
        note_characters(board, "memory")


def test_a_row_that_reaches_over_others_says_so() -> None:
    """Equal reads that went on while something else happened are told as lying in between."""
    polled = access(10, "LSR", 0x60)
    polled.repeats, polled.until_ps = 29, 19 * US
    meanwhile = [Masked(time_ps=12 * US), Unmasked(time_ps=13 * US)]
    over = timeline([polled, *meanwhile])
    alone = timeline([polled, access(19, "LSR", 0)])

    assert "x30 until 19.0 us, in between the rows below" in over
    assert "x30 until 19.0 us\n" in alone


def finding_rows(*events: AnyEvent, line: int = 0) -> list[str]:
    """Return the first words of each row of a page with a finding at 5 us."""
    found = Finding("some-rule", "gauge.py" if line else "", line, 5 * US, "", "what", 1)
    rows = timeline(list(events), findings=[found]).splitlines()[1:]
    return [row[21:].split()[0] for row in rows if row.strip()]


def test_a_finding_stands_before_the_next_call() -> None:
    """What a call did wrong is told where it ends, not inside the call that begins just then."""
    ends = CallEnd(time_ps=5 * US, port="telemetry", call="write")
    begins = CallBegin(time_ps=5 * US, port="telemetry", call="drain")

    assert finding_rows(ends, begins) == ["write", "FINDING", "drain"]
    assert finding_rows(begins) == ["drain", "FINDING"]


def test_a_finding_stands_behind_the_event_of_its_line() -> None:
    """Where an event of that moment is at the finding's own line, the finding is behind it."""
    ends = CallEnd(time_ps=5 * US, port="telemetry", call="open")
    begins = CallBegin(time_ps=5 * US, port="telemetry", call="close")
    touch, other = access(5, "LSR", 0, line=7), access(5, "LSR", 1, line=8)
    touch.file = other.file = "gauge.py"

    rows = finding_rows(ends, begins, touch, other, line=7)

    assert rows == ["open", "close", "read", "FINDING", "read"]
