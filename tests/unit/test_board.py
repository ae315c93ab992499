"""A board: devices put on the bus, interrupt lines wired, everything reset, and told apart."""

from __future__ import annotations

from contextlib import nullcontext
from typing import ClassVar

import pytest

from emu.devices.ram import Ram
from emu.devices.uart16550 import Uart16550
from emu.errors import AccessError, DeclarationError, RunEnded
from emu.kernel.board import Board, BusSettings, CpuSettings, LineRules
from emu.kernel.device import Device
from emu.kernel.register import Field, Register


class Gauge(Device):
    """One register, and a line that is high after a reset."""

    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("LEVEL", 0, (Field("MM", 0, 8, reset=7),)),
    )

    def on_reset(self) -> None:
        """Ask for service at once."""
        self.irq.set(1)


def test_attached_device_is_reached_by_name_and_through_its_window() -> None:
    """The board hands out the same device and the same window it made."""
    board = Board("harbour")
    window = board.attach(Ram, "buffer", 0x1000, settings={"size": "4 KiB"})

    window.write8(0, 0x5A)

    memory = board.device("buffer").memory
    assert memory is not None
    assert (len(memory), memory[0], board.window("buffer") is window) == (4096, 0x5A, True)


def test_unknown_device_is_answered_with_the_nearest() -> None:
    """A wrong name helps on its way to the right one."""
    board = Board("harbour")
    board.attach(Ram, "buffer", 0)

    for look in (board.device, board.window):
        with pytest.raises(AccessError, match=r"harbour: no device 'bufer'; did you mean 'buffer'"):
            look("bufer")


def test_power_on_resets_devices_after_wiring_their_lines() -> None:
    """A line that a device raises in its reset is seen by the processor."""
    board = Board()
    board.attach(Gauge, "tide", 0, irq=4)
    before = board.device("tide").peek("LEVEL")
    board.device("tide").registers["LEVEL"].value = 99
    board.power_on()

    assert (before, board.device("tide").peek("LEVEL")) == (7, 7)
    assert board.cpu.interrupts.line(4).pending


def test_line_rules_reach_the_line() -> None:
    """Priority, trigger, sharing and moderation are what was said; unsaid ones are the defaults."""
    board = Board()
    board.attach(Gauge, "tide", 0, irq=4)
    board.attach(Gauge, "wind", 8, irq=5)
    board.interrupt(4, LineRules(priority=7, edge=True, shared=True, moderation_ps=5_000))
    board.power_on()
    said, unsaid = board.cpu.interrupts.line(4), board.cpu.interrupts.line(5)

    assert (said.priority, said.edge, said.shared, said.moderation_ps) == (7, True, True, 5_000)
    assert (unsaid.priority, unsaid.edge, unsaid.shared, unsaid.moderation_ps) == (
        1, False, False, 0,
    )  # fmt: skip
    assert (said.name, unsaid.name) == ("tide.irq", "wind.irq")


def test_rules_for_a_line_that_nothing_drives() -> None:
    """Such a line must be declared as raised by software, else it is a mistake."""
    board = Board("harbour")
    board.interrupt(9, LineRules())
    with pytest.raises(DeclarationError, match="harbour: interrupt 9 has rules but no device"):
        board.power_on()

    other = Board()
    other.interrupt(9, LineRules(software=True))
    other.power_on()
    assert other.cpu.interrupts.line(9).name == "irq9"


def test_rules_are_said_once() -> None:
    """Saying two things about one line is a mistake."""
    board = Board("harbour")
    board.interrupt(4, LineRules(software=True))

    with pytest.raises(DeclarationError, match="harbour: interrupt 4 is declared twice"):
        board.interrupt(4, LineRules(priority=2))


def test_two_devices_on_one_line() -> None:
    """Only a line declared shared takes two devices; either of them makes it pending."""
    lines = []
    for rules in (LineRules(), LineRules(shared=True)):
        board = Board()
        board.attach(Gauge, "tide", 0, irq=4)
        board.attach(Gauge, "wind", 8, irq=4)
        board.interrupt(4, rules)
        if not rules.shared:
            with pytest.raises(DeclarationError, match=r"claimed by tide\.irq, wind\.irq"):
                board.power_on()
            continue
        board.power_on()
        board.device("wind").irq.set(0)
        lines.append(board.cpu.interrupts.line(4).asserted)
        board.device("tide").irq.set(0)
        lines.append(board.cpu.interrupts.line(4).asserted)

    assert lines == [1, 0]


def test_costs_follow_the_settings() -> None:
    """Accesses, wait states and looks at the time cost cycles of the processor's clock."""
    board = Board(
        cpu=CpuSettings(clock_hz=10_000_000, time_cycles=3), bus=BusSettings(access_cycles=4)
    )
    io = board.attach(Gauge, "tide", 0, wait_cycles=2)
    io.read8(0)
    access_ps = board.clock.now_ps
    board.cpu.time()

    assert (board.cycles_ps(1), access_ps, board.clock.now_ps) == (100_000, 600_000, 900_000)


def test_failed_attach_leaves_no_device_behind() -> None:
    """A device that found no place can be attached elsewhere under the same name."""
    board = Board()
    board.attach(Gauge, "tide", 0)
    with pytest.raises(DeclarationError, match="overlaps"):
        board.attach(Gauge, "wind", 0, irq=4)

    board.attach(Gauge, "wind", 8, irq=5)
    board.power_on()

    assert sorted(board.devices) == ["tide", "wind"]
    assert sorted(board.cpu.interrupts.lines) == [5]


def test_two_boards_share_nothing() -> None:
    """Time, registers and journals of one board are its own."""
    boards = [Board(), Board()]
    for board in boards:
        board.attach(Uart16550, "modem", 0x1000, irq=4)
        board.power_on()

    boards[0].window("modem").write8(7, 0x55)

    assert [board.device("modem").peek("SCR") for board in boards] == [0x55, 0]
    assert [board.clock.now_ps for board in boards] == [200_000, 0]
    assert len(boards[1].journal.entries) == 0


def test_devices_join_before_lines_are_wired() -> None:
    """Each device is shown the whole board once, and can still put a wire before its line."""
    joined: list[tuple[str, list[str]]] = []

    class Sensor(Gauge):
        """Finds the others, and keeps its line to itself."""

        def join(self, board: Board) -> None:
            joined.append((self.name, [*board.devices]))
            self.outer = board.interpose(self.name)

    board = Board("harbour")
    board.attach(Sensor, "tide", 0, irq=4)
    board.attach(Ram, "buffer", 0x1000)
    board.power_on()
    sensor = board.device("tide")
    assert isinstance(sensor, Sensor)

    assert joined == [("tide", ["tide", "buffer"])]
    assert (sensor.irq.level, board.cpu.interrupts.line(4).pending) == (1, False)
    sensor.outer.set(1)
    assert board.cpu.interrupts.line(4).pending


def test_a_reset_of_the_board_reaches_every_device_and_ends_the_run() -> None:
    """Devices show their reset values, memory stays, and the driver does not go on."""
    board = Board("harbour")
    board.attach(Gauge, "tide", 0, irq=4)
    board.attach(Ram, "buffer", 0x1000).write8(0, 0x5A)
    board.power_on()
    board.device("tide").registers["LEVEL"].value = 99

    with pytest.raises(RunEnded, match="the whole board was reset: dog bit") as caught:
        board.reset("dog bit")
    assert caught.value.rule == "board-reset"
    memory = board.device("buffer").memory
    assert memory is not None
    assert (board.device("tide").peek("LEVEL"), memory[0]) == (7, 0x5A)
    with pytest.raises(RunEnded):
        board.cpu.time()


@pytest.mark.parametrize("goes_on", [True, False])
def test_whoever_is_asked_decides_whether_the_driver_goes_on(goes_on: bool) -> None:
    """The hook is told what it was due to, and its answer ends the run or does not."""
    board = Board("harbour")
    board.attach(Gauge, "tide", 0)
    board.power_on()
    told: list[str] = []

    def asked(why: str) -> bool:
        told.append(why)
        return goes_on

    board.on_reset = asked
    with nullcontext() if goes_on else pytest.raises(RunEnded):
        board.reset("dog bit")
    assert (told, board.cpu.ended is None) == (["dog bit"], goes_on)
