"""The tape: bounded, in order, equal reads counted exactly, the driver's place on request."""

from __future__ import annotations

import inspect
from typing import Any, ClassVar

import pytest

from emu.kernel.board import Board
from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.journal import AGAIN, DEFAULT_EVENTS, Journal, Source
from emu.kernel.register import Field, Register
from emu.kernel.where import driver_place, place_of

ACCESS_PS = 200_000


class Gauge(Device):
    """Two plain registers."""

    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("LEVEL", 0, (Field("MM", 0, 8),)),
        Register("RATE", 1, (Field("HZ", 0, 8),)),
    )


def bench(**settings: Any) -> tuple[Board, Any, Any]:
    """Make a board with two gauges and return it with their windows."""
    board = Board(**settings)
    return board, board.attach(Gauge, "tide", 0), board.attach(Gauge, "wind", 8)


def told(board: Board) -> list[tuple[str, str, int, Any]]:
    """Return the tape as (kind, name, what, value)."""
    sources = board.journal.sources
    return [
        (sources[who].kind, sources[who].name, what, value)
        for _, who, what, value in board.journal.entries
    ]


def test_sources_are_numbered_as_they_are_announced() -> None:
    """An entry names its source by a number that leads to kind, name and width."""
    journal = Journal()
    before = len(journal.sources)

    numbers = [journal.source("read", "tide", 8), journal.source("fault", "tide.LSR")]

    assert numbers == [before, before + 1]
    assert journal.sources[numbers[0]] == Source("read", "tide", 8)
    assert journal.sources[numbers[1]].width_bits == 0


@pytest.mark.parametrize(("events", "kept"), [(3, 3), (None, 10), (0, 0), (DEFAULT_EVENTS, 10)])
def test_only_the_last_entries_are_kept(events: int | None, kept: int) -> None:
    """Old entries fall off the front, unless all are wanted."""
    journal = Journal(events=events)
    for number in range(10):
        journal.append((number, 0, 0, 0))

    assert [entry[0] for entry in journal.entries] == list(range(10 - kept, 10))


def test_accesses_are_noted_at_their_start_in_order() -> None:
    """Reads and writes appear with the time they took effect, the offset and the value."""
    board, tide, _ = bench()
    tide.write8(1, 7)
    tide.read8(1)

    assert told(board) == [("write", "tide", 1, 7), ("read", "tide", 1, 7)]
    assert [entry[0] for entry in board.journal.entries] == [0, ACCESS_PS]


@pytest.mark.parametrize("closing", ["other value", "other register", "write", "settle"])
def test_row_of_equal_reads_is_one_entry_and_a_count(closing: str) -> None:
    """Whatever ends a row, the entry that closes it says how many more reads there were."""
    board, tide, _ = bench()
    for _ in range(100):
        tide.read8(0)
    if closing == "other value":
        board.device("tide").registers["LEVEL"].value = 9
        tide.read8(0)
    elif closing == "other register":
        tide.read8(1)
    elif closing == "write":
        tide.write8(1, 1)
    else:
        board.journal.settle()

    assert told(board)[:2] == [("read", "tide", 0, 0), ("read", "tide", AGAIN, 99)]
    assert board.journal.entries[1][0] == 100 * ACCESS_PS


def test_settling_twice_notes_nothing_twice() -> None:
    """A closed row stays closed, and single reads make no row."""
    board, tide, wind = bench()
    tide.read8(0)
    wind.read8(0)
    wind.read8(0)
    for _ in range(3):
        board.journal.settle()

    assert [one for one in told(board) if one[2] == AGAIN] == [("read", "wind", AGAIN, 1)]


def test_rows_of_two_windows_are_counted_apart() -> None:
    """Polling two devices in turn is two rows, each with its exact count."""
    board, tide, wind = bench()
    for _ in range(10):
        tide.read8(0)
        wind.read8(0)
    board.journal.settle()

    rows = sorted(one for one in told(board) if one[2] == AGAIN)
    assert rows == [("read", "tide", AGAIN, 9), ("read", "wind", AGAIN, 9)]
    assert board.bus.accesses() == {"tide": (1, 9, 0), "wind": (1, 9, 0)}


def test_counts_are_exact_though_the_tape_is_short() -> None:
    """What has fallen off the tape is still counted."""
    board, tide, _ = bench(events=4)
    for number in range(50):
        tide.write8(0, number)
        tide.read8(0)
        tide.read8(0)

    assert board.bus.accesses()["tide"] == (50, 50, 50)
    assert len(board.journal.entries) == 4


def test_place_of_the_driver_is_noted_on_request() -> None:
    """Each entry then has the file and line of the driver code that made the call."""
    board, tide, _ = bench(places=True)
    line = inspect.currentframe().f_lineno + 1  # type: ignore[union-attr]
    tide.write8(0, 1)
    board.cpu.sleep(1e-6)

    assert [entry[4] for entry in board.journal.entries] == [
        (__file__, line), (__file__, line + 1),
    ]  # fmt: skip


def test_place_is_the_innermost_frame_that_is_not_ours() -> None:
    """Frames of the bench are left out; without any other there is no place."""
    clock = Clock()
    places: list[tuple[str, int]] = []
    clock.schedule(0, lambda: places.append(driver_place()))
    line = inspect.currentframe().f_lineno + 1  # type: ignore[union-attr]
    clock.run_until(0)

    assert places == [(__file__, line - 2)]
    assert place_of(None) == ("", 0)
