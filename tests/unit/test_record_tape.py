"""From the kernel's tape to events: names, rows of repeats, lanes, a tape cut at the front."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

import pytest

from emu.devices.ram import Ram
from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board, BusSettings
from emu.kernel.bus import BusError
from emu.kernel.device import Device
from emu.kernel.register import Field, Register
from emu.record.events import (
    Access,
    BankSwitch,
    BusErrorEvent,
    CallBegin,
    CallEnd,
    Character,
    Connected,
    Cut,
    HandlerEnter,
    HandlerExit,
    Injection,
    Masked,
    Note,
    Sleep,
    Unmasked,
)
from emu.record.naming import Naming
from emu.record.tape import read_tape

RBR = DLL = 0
IER, LCR, LSR = 4, 12, 20  # registers of a controller whose stride is 4
LOOP_S = 0.001


def make_board(*, events: int | None = None, places: bool = False) -> Board:
    """Return a board with a serial controller, registers 4 bytes apart, and some memory."""
    board = Board("tide gauge", events=events, places=places)
    board.attach(Uart16550, "telemetry", 0x1000, stride=4, irq=5)
    board.attach(Ram, "memory", 0x8000, settings={"size": "1 KiB"})
    board.power_on()
    return board


def accesses(board: Board) -> list[Access]:
    """Return the accesses on the tape."""
    return [event for event in read_tape(board).events if isinstance(event, Access)]


class Wide(Device):
    """A 32-bit register between two of 8 bits and one of 16, each with a value of its own."""

    KIND = "wide"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("ONE", 0, (Field("VALUE", 0, 8, reset=0x11),)),
        Register("TWO", 1, (Field("VALUE", 0, 8, reset=0x22),)),
        Register("HALF", 2, (Field("VALUE", 0, 16, reset=0x4433),), width=16),
        Register("WORD", 4, (Field("VALUE", 0, 32, reset=0x88776655),), width=32),
        Register("LAST", 8, (Field("VALUE", 0, 8, reset=0x99),)),
    )


def test_an_access_is_named_and_decoded() -> None:
    """A read says device, register, value and the fields that are not zero."""
    board = make_board()
    board.window("telemetry").read8(LSR)
    (event,) = accesses(board)

    assert (event.direction, event.device, event.offset) == ("read", "telemetry", LSR)
    assert (event.registers, event.value, event.fields) == (("LSR",), 0x60, ("THRE", "TEMT"))
    assert not event.stream


def test_direction_decides_between_registers_at_one_offset() -> None:
    """A read at offset 0 is of the receiver buffer, a write to the transmitter's register."""
    board = make_board()
    io = board.window("telemetry")
    io.read8(RBR)
    io.write8(RBR, 0x41)

    assert [one.registers for one in accesses(board)] == [("RBR",), ("THR",)]
    assert all(one.stream for one in accesses(board))


def test_the_bank_at_the_time_decides() -> None:
    """The same offset has one name before, another within and the first again after a bank."""
    board = make_board()
    io = board.window("telemetry")
    for lcr in (0x03, 0x83, 0x03):
        io.write8(LCR, lcr)
        io.read8(IER)
    names = [one.registers[0] for one in accesses(board) if one.offset == IER]
    switches = [one for one in read_tape(board).events if isinstance(one, BankSwitch)]

    assert names == ["IER", "DLM", "IER"]
    assert [(one.old, one.new) for one in switches] == [(0, 1), (1, 0)]


@pytest.mark.parametrize("kept", range(1, 8))
def test_the_bank_is_known_when_the_switch_is_no_longer_on_the_tape(kept: int) -> None:
    """However much was dropped, what remains has the names it has on the whole tape."""
    names = {}
    for events in (None, kept):
        board = make_board(events=events)
        io = board.window("telemetry")
        for lcr in (0x83, 0x03):
            io.write8(LCR, lcr)
            io.write8(IER, 0)
            io.read8(IER)
        names[events] = [one.registers for one in accesses(board)]

    assert names[kept] == names[None][len(names[None]) - len(names[kept]) :]


def test_memory_has_offsets_and_no_names() -> None:
    """Memory has no registers, so an access of it is known by its offset."""
    board = make_board()
    board.window("memory").write32(0x20, 0x12345678)
    (event,) = accesses(board)

    assert (event.device, event.offset, event.value) == ("memory", 0x20, 0x12345678)
    assert (event.registers, event.fields) == ((), ())


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize("stride", [1, 2, 4])
@pytest.mark.parametrize("width", [8, 16, 32])
def test_names_agree_with_the_bus(width: int, stride: int, *, big_endian: bool) -> None:
    """Every value that the bus gives is made of the registers named, at the places named.

    The bus lays functions out, the record computes names; both must mean the same registers.
    """
    board = Board(bus=BusSettings(big_endian=big_endian))
    io = board.attach(Wide, "wide", 0, stride=stride, widths=(width,))
    naming = Naming(board.bus.regions[0], big_endian=big_endian)
    device = board.device("wide")
    compared = 0
    for offset in range(0, board.bus.regions[0].size, width // 8):
        parts = naming.parts("read", offset, width, 0)
        try:
            value = getattr(io, f"read{width}")(offset)
        except BusError:
            assert not parts
            continue
        for part in parts:
            compared += 1
            mask = ((1 << part.bits) - 1) << part.low
            assert part.value(value) == device.peek(part.register.name) & mask
        assert value == sum(part.value(value) >> part.low << part.shift for part in parts)

    assert compared >= 5


def test_an_access_over_several_registers_names_them_all() -> None:
    """A wide access says which registers it took, and whose each field is."""
    board = Board()
    io = board.attach(Uart16550, "telemetry", 0, widths=(32,))
    board.power_on()
    io.read32(4)
    (event,) = accesses(board)

    assert event.registers == ("MCR", "LSR", "MSR", "SCR")
    assert event.fields == ("LSR.THRE", "LSR.TEMT")


def test_a_part_of_a_register_has_a_bit_range() -> None:
    """A narrow access says which bits of the register it took."""
    board = Board()
    io = board.attach(Wide, "wide", 0)
    io.read8(6)
    (event,) = accesses(board)

    assert (event.registers, event.value) == (("WORD[23:16]",), 0x77)
    assert event.fields == ("VALUE=0x770000",)


def test_equal_reads_are_one_event_with_a_count() -> None:
    """A busy-wait loop is one event that says how often and until when."""
    board = make_board()
    io = board.window("telemetry")
    for _ in range(432):
        io.read8(LSR)
    io.write8(IER, 0)
    first, second = accesses(board)

    assert (first.repeats, first.time_ps, first.until_ps) == (431, 0, second.time_ps)
    assert (second.repeats, second.until_ps) == (0, second.time_ps)


def test_rows_of_two_windows_are_kept_apart() -> None:
    """Rows that are open at the same time get their own counts."""
    board = make_board()
    io, memory = board.window("telemetry"), board.window("memory")
    for _ in range(3):
        io.read8(LSR)
        memory.read8(0)
    memory.read8(0)
    events = {one.device: one.repeats for one in accesses(board)}

    assert events == {"telemetry": 2, "memory": 3}


def test_a_row_whose_begin_was_dropped_is_not_lost() -> None:
    """What is left of a row at the front of the tape is an event of its own."""
    board = make_board(events=1)
    for _ in range(5):
        board.window("telemetry").read8(LSR)
    recording = read_tape(board)

    assert recording.cut
    assert [(type(one), one.repeats) for one in recording.events if isinstance(one, Cut)] == [
        (Cut, 4)
    ]


def test_reading_the_tape_twice_gives_the_same() -> None:
    """Reading disturbs nothing, and a run may go on in between."""
    board = make_board()
    for _ in range(3):
        board.window("telemetry").read8(LSR)
    first = read_tape(board).events

    assert read_tape(board).events == first
    board.window("telemetry").read8(LSR)
    assert read_tape(board).events[:1] == first


def test_a_handler_has_a_lane_of_its_own() -> None:
    """Entry, end and what is in between have depth 1, main code has depth 0."""
    board = make_board()
    io, cpu = board.window("telemetry"), board.cpu
    cpu.connect(5, lambda: io.read8(8))
    io.write8(IER, 2)
    io.read8(LSR)
    events = read_tape(board).events
    enter, leave = events[2], events[4]

    assert [(type(one), one.depth) for one in events] == [
        (Connected, 0), (Access, 0), (HandlerEnter, 1), (Access, 1), (HandlerExit, 1), (Access, 0),
    ]  # fmt: skip
    assert isinstance(enter, HandlerEnter)
    assert isinstance(leave, HandlerExit)
    assert (enter.irq, enter.name) == (5, "telemetry.irq")
    assert leave.took_ps == leave.time_ps - enter.time_ps


def test_lanes_are_right_when_the_entry_was_dropped() -> None:
    """A tape that begins inside a handler begins with its lane, and knows no duration."""
    board = make_board(events=3)
    io, cpu = board.window("telemetry"), board.cpu
    cpu.connect(5, lambda: io.read8(8))
    io.write8(IER, 2)
    io.read8(LSR)
    events = read_tape(board).events
    leave = events[1]

    assert [(type(one), one.depth) for one in events] == [
        (Access, 1), (HandlerExit, 1), (Access, 0),
    ]  # fmt: skip
    assert isinstance(leave, HandlerExit)
    assert leave.took_ps is None


def test_masking_and_sleeping_are_events() -> None:
    """Masked, asleep until something happens, unmasked."""
    board = make_board()
    with board.cpu.interrupts_masked():
        board.cpu.sleep(LOOP_S)
    events = read_tape(board).events
    sleep = events[1]

    assert [type(one) for one in events] == [Masked, Sleep, Unmasked]
    assert isinstance(sleep, Sleep)
    assert sleep.until_ps - sleep.time_ps == 10**9


def test_a_sleep_at_the_end_of_the_tape_lasts_until_now() -> None:
    """Nothing happened after it, so the present is as far as is known."""
    board = make_board()
    board.cpu.sleep(LOOP_S)
    (sleep,) = read_tape(board).events

    assert isinstance(sleep, Sleep)
    assert sleep.until_ps == board.clock.now_ps


def test_characters_do_not_end_a_sleep() -> None:
    """What happens on the line happens while the processor sleeps on."""
    board = make_board()
    who = board.journal.source("line", "telemetry")
    board.clock.schedule(10**6, lambda: board.journal.append((10**6, who, "arrived", 0x41)))
    board.cpu.sleep(LOOP_S)
    sleep, arrived = read_tape(board).events

    assert isinstance(sleep, Sleep)
    assert isinstance(arrived, Character)
    assert sleep.until_ps == 10**9


def test_a_bus_error_is_an_event() -> None:
    """An access that nothing answers says where it went."""
    board = make_board()
    with pytest.raises(BusError):
        board.window("telemetry").read8(1)
    (event,) = read_tape(board).events

    assert isinstance(event, BusErrorEvent)
    assert (event.device, event.offset) == ("telemetry", 1)


def test_entries_of_other_rooms_are_read() -> None:
    """Calls, characters, faults and sources that are not known here become events."""
    board = make_board()
    journal = board.journal
    call, line, fault, other = (
        journal.source(kind, name)
        for kind, name in (
            ("call", "telemetry"),
            ("line", "telemetry"),
            ("fault", "stuck telemetry.LSR.DR"),
            ("tide", "float"),
        )
    )
    for entry in (
        (10, call, "write", 1),
        (20, line, "arrived", 0x41 | 0x08 << 8),
        (30, fault, 0, "read 0x61 for 0x60"),
        (40, fault, -1, 6),
        (50, other, "rose", 3),
        (60, call, "write", 0),
    ):
        journal.append(entry)

    assert read_tape(board).events == [
        CallBegin(time_ps=10, port="telemetry", call="write"),
        Character(
            time_ps=20, device="telemetry", what="arrived", value=0x41, errors=("framing",)
        ),
        Injection(
            time_ps=30, fault=0, name="stuck telemetry.LSR.DR", detail="read 0x61 for 0x60",
            repeats=6, until_ps=40,
        ),
        Note(time_ps=50, source="tide", name="float", what="rose", value="3"),
        CallEnd(time_ps=60, port="telemetry", call="write", took_ps=50),
    ]  # fmt: skip


DRIVER = """
def poll(io):
    io.read8(20)
    io.read8(20)

    return io.read8(8)

def handle(io):
    io.read8(8)
"""


def driver_functions() -> dict[str, Callable[..., object]]:
    """Return the functions of a driver whose file and lines are known for certain."""
    names: dict[str, Callable[..., object]] = {}
    exec(compile(DRIVER, "gauge.py", "exec"), names)  # noqa: S102 - the text stands above
    return names


def test_places_are_lines_of_the_driver() -> None:
    """Each access has the line that made it, in main code and in a handler."""
    board = make_board(places=True)
    driver = driver_functions()
    io = board.window("telemetry")
    board.cpu.connect(5, lambda: driver["handle"](io))
    io.write8(IER, 2)
    driver["poll"](io)
    places = [(one.file, one.line, one.repeats) for one in accesses(board)[1:]]

    assert places == [("gauge.py", 9, 0), ("gauge.py", 3, 1), ("gauge.py", 6, 0)]


def test_what_the_bench_does_between_calls_has_no_place() -> None:
    """Outside a call it is not the driver that sleeps."""
    board = make_board(places=True)
    call = board.journal.source("call", "telemetry")
    for inside in (0, 1):
        board.journal.append((board.clock.now_ps, call, "read", inside))
        board.cpu.sleep(LOOP_S)
    sleeps = [one for one in read_tape(board).events if isinstance(one, Sleep)]

    assert [bool(one.file) for one in sleeps] == [False, True]


@pytest.mark.parametrize("events", [1, 7, 64])
def test_the_record_stays_as_small_as_it_was_asked_to_be(events: int) -> None:
    """A journal of N events holds N however long the run, and the events read are no more."""
    board = make_board(events=events)
    io = board.window("telemetry")
    for value in range(500):
        io.write8(28, value & 0xFF)
        io.read8(28)

    assert len(board.journal.entries) == events
    assert len(read_tape(board).events) <= events
    assert read_tape(board).cut
    assert board.bus.accesses()["telemetry"] == (500, 0, 500)
