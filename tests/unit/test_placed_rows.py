"""With places noted, the tape has everything in its order, and a run is measured as without.

The one idea: the same mixture of reads, writes, masks and sleeps is done on two boards, one of
which notes places; what was counted is equal, and the tape of the other has no row of equal reads
that reaches over something else.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, ClassVar

import pytest

from emu.devices.uart16550 import Uart16550
from emu.faults.arm import arm
from emu.faults.plan import FaultPlan
from emu.faults.spell import fault
from emu.kernel.board import Board
from emu.kernel.device import Device
from emu.kernel.journal import AGAIN
from emu.kernel.register import Field, Register
from emu.record.events import Access, Injection, Masked, Sleep
from emu.record.tape import read_tape
from emu.record.timeline import timeline

ACCESS_PS = 200_000


class Gauge(Device):
    """Two plain registers."""

    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("LEVEL", 0, (Field("MM", 0, 8),)),
        Register("RATE", 1, (Field("HZ", 0, 8),)),
    )


def bench(*, places: bool) -> tuple[Board, Any]:
    """Make a board with a gauge and return it with its window."""
    board = Board("quay", places=places)
    return board, board.attach(Gauge, "tide", 0)


def poll_with_sleeps(board: Board, io: Any) -> None:
    """Poll a register that changes once, masked, with a sleep between two looks."""
    for turn in range(6):
        if turn == 4:
            board.device("tide").registers["LEVEL"].value = 9
        with board.cpu.interrupts_masked():
            io.read8(0)
            io.read8(0)
        board.cpu.sleep(5e-6)
    io.write8(1, 3)
    io.read8(1)
    board.cpu.time()
    io.read8(1)


def test_what_comes_between_is_on_the_tape_between() -> None:
    """A row of equal reads ends where the driver masks or sleeps, and begins anew behind it."""
    board, io = bench(places=True)
    poll_with_sleeps(board, io)
    events = read_tape(board).events

    pattern = [type(one) for one in events[:5]]
    assert pattern[:2] == [Masked, Access]
    assert pattern[3] is Sleep
    assert [one.repeats for one in events if isinstance(one, Access)] == [1] * 6 + [0, 1]
    for before, after in pairwise(events):
        assert getattr(before, "until_ps", 0) <= after.time_ps


def test_times_and_lines_are_those_of_each_read() -> None:
    """A read that goes on with a row after a sleep has its own time and its own line."""
    board, io = bench(places=True)
    io.read8(0)
    board.cpu.sleep(1e-6)
    io.read8(0)
    first, second = (one for one in read_tape(board).events if isinstance(one, Access))

    assert (first.time_ps, second.time_ps) == (0, ACCESS_PS + 10**6)
    assert (first.repeats, second.repeats) == (0, 0)


def test_a_busy_wait_is_still_one_entry() -> None:
    """A loop that does nothing but read fills no tape, whether or not places are noted."""
    board, io = bench(places=True)
    board.cpu.sleep(1e-6)
    for _ in range(1000):
        io.read8(0)
    board.journal.settle()

    assert [entry[2:4] for entry in list(board.journal.entries)[-2:]] == [(0, 0), (AGAIN, 999)]
    assert len(board.journal.entries) == 3


@pytest.mark.parametrize("change", [False, True])
def test_places_do_not_change_what_is_counted(change: bool) -> None:
    """Fresh reads, equal reads, writes and the time spent polling are the same either way."""
    counted = []
    for places in (False, True):
        board, io = bench(places=places)
        poll_with_sleeps(board, io)
        if change:
            board.device("tide").registers["RATE"].value = 5
            board.cpu.sleep(1e-6)
            io.read8(1)
        board.journal.settle()
        counted.append((board.bus.accesses(), board.cpu.polled_ps, board.clock.now_ps))

    assert counted[0] == counted[1]


def test_a_folded_loop_reads_as_it_runs() -> None:
    """The page shows a waiting loop as one group with its look inside, not before it."""
    board, io = bench(places=True)
    for _ in range(5):
        with board.cpu.interrupts_masked():
            io.read8(0)
        board.cpu.sleep(5e-6)
    io.write8(1, 3)
    rows = [line.split()[1:4] for line in timeline(read_tape(board).events).splitlines()[1:]]

    assert rows[0][:2] == ["5", "times"]
    assert [row[0] for row in rows[1:5]] == ["interrupts", "read", "interrupts", "sleep"]


def test_injections_stand_where_they_happen() -> None:
    """A fault that acts on each look of a waiting loop is told at each, not once before them."""
    board = Board("quay", places=True)
    io = board.attach(Uart16550, "telemetry", 0)
    board.power_on()
    armed = arm(FaultPlan.of([fault("never-ready", "telemetry.LSR.THRE")]), board)
    armed.start()
    for _ in range(3):
        io.read8(5)
        io.read8(5)
        board.cpu.sleep(1e-6)
    found = [one for one in read_tape(board).events if isinstance(one, Injection)]

    assert [one.repeats for one in found] == [1, 1, 1]
    assert armed.counts == (6,)
