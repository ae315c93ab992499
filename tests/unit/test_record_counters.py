"""Counts that never drop: windows, interrupt lines, faults, and registers when asked."""

from __future__ import annotations

import json
from typing import ClassVar

from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.device import Device
from emu.kernel.register import Field, Register
from emu.record.counters import MOST_VALUES, count_registers, counters

IER, LCR, LSR, SCR = 1, 3, 5, 7


class Wide(Device):
    """One register of 32 bits with a narrow and a wide field."""

    KIND = "wide"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("WORD", 0, (Field("LOW", 0, 4), Field("HIGH", 8, 24)), width=32),
    )


def make_board(*, events: int | None = 16) -> Board:
    """Return a board with a serial controller on interrupt 5 and a short tape."""
    board = Board(events=events)
    board.attach(Uart16550, "telemetry", 0x1000, irq=5)
    board.power_on()
    return board


def test_counters_are_exact_when_the_tape_is_not() -> None:
    """Reads, repeats, writes and deliveries are whole though the tape holds 16 entries."""
    board = make_board()
    io, cpu = board.window("telemetry"), board.cpu
    cpu.connect(5, lambda: io.read8(2))
    for _ in range(50):
        io.write8(IER, 0)
        io.write8(IER, 2)
        for _ in range(3):
            io.read8(LSR)

    counts = counters(board)
    assert len(board.journal.entries) == 16
    assert counts["windows"] == {
        "telemetry": {"fresh_reads": 100, "repeated_reads": 100, "writes": 100}
    }
    assert counts["interrupts"] == [{"irq": 5, "name": "telemetry.irq", "deliveries": 50}]


def test_counters_count_an_open_row() -> None:
    """Equal reads that are still going on are counted."""
    board = make_board()
    for _ in range(9):
        board.window("telemetry").read8(LSR)

    assert counters(board)["windows"]["telemetry"]["repeated_reads"] == 8


def test_counters_pass_on_what_faults_did() -> None:
    """Counts of faults come from whoever put them in place."""
    assert counters(make_board(), faults={"stuck-field": 7})["faults"] == {"stuck-field": 7}


def test_counters_are_plain_data() -> None:
    """The counts can be written as JSON as they are."""
    counts = counters(make_board())

    assert json.loads(json.dumps(counts)) == counts


def test_register_counts_are_by_register_and_direction() -> None:
    """Each register has its own reads and writes, those of other registers are untouched."""
    board = make_board()
    counts = count_registers(board).by_path
    io = board.window("telemetry")
    for _ in range(40):
        io.read8(LSR)
    io.write8(SCR, 1)

    assert (counts["telemetry.LSR"].reads, counts["telemetry.LSR"].writes) == (40, 0)
    assert (counts["telemetry.SCR"].reads, counts["telemetry.SCR"].writes) == (0, 1)
    assert sum(one.reads + one.writes for one in counts.values()) == 41


def test_register_counts_follow_the_bank() -> None:
    """What is written behind the bank select counts for the register that is shown there."""
    board = make_board()
    counts = count_registers(board).by_path
    io = board.window("telemetry")
    io.write8(LCR, 0x80)
    io.write8(0, 12)
    io.write8(LCR, 0x03)

    assert (counts["telemetry.DLL"].writes, counts["telemetry.THR"].writes) == (1, 0)
    assert counts["telemetry.DLL"].written_values == {-1: {12: 1}}


def test_register_counts_start_when_asked() -> None:
    """What came before is not counted: nothing is in the way until somebody asks."""
    board = make_board()
    board.window("telemetry").read8(LSR)

    assert count_registers(board).by_path["telemetry.LSR"].reads == 0


def test_field_values_that_were_exercised_are_known() -> None:
    """For each field it is known which values the driver saw and which it wrote."""
    board = make_board()
    counts = count_registers(board).by_path
    io = board.window("telemetry")
    for lcr in (0x03, 0x03, 0x1B):
        io.write8(LCR, lcr)
    io.read8(LCR)
    written = counts["telemetry.LCR"].fields_written()

    assert written["WLS"] == {3: 3}
    assert written["PEN"] == {0: 2, 1: 1}
    assert counts["telemetry.LCR"].fields_read()["EPS"] == {1: 1}
    assert counts["telemetry.LSR"].fields_written() == {}


def test_a_narrow_write_exercises_only_the_fields_it_reaches() -> None:
    """A write of one byte says nothing about the fields in the other bytes."""
    board = Board()
    io = board.attach(Wide, "wide", 0, widths=(8, 32))
    counts = count_registers(board).by_path["wide.WORD"]
    io.write8(0, 0x05)
    io.write32(0, 0x100)

    assert counts.fields_written() == {"LOW": {0: 1, 5: 1}, "HIGH": {1: 1}}


def test_register_counts_are_bounded_in_memory() -> None:
    """Values beyond the bound are counted and not kept; the number of accesses stays exact."""
    board = Board(events=4)
    io = board.attach(Wide, "wide", 0)
    counts = count_registers(board).by_path["wide.WORD"]
    for value in range(MOST_VALUES + 100):
        io.write32(0, value << 8)

    assert counts.writes == MOST_VALUES + 100
    assert (len(counts.written_values[-1]), counts.unkept) == (MOST_VALUES, 100)


def test_register_counts_are_plain_data() -> None:
    """The counts can be written as JSON as they are."""
    board = make_board()
    counts = count_registers(board)
    board.window("telemetry").write8(LCR, 0x03)
    plain = counts.plain()

    assert json.loads(json.dumps(plain)) == plain
    assert plain["telemetry.LCR"]["fields_written"]["WLS"] == {"3": 1}
