"""A device that masters the bus: the same registers and faults, none of the driver's accounts."""

from __future__ import annotations

from functools import partial

import pytest

from emu.devices.ram import Ram
from emu.devices.timer import IntervalTimer
from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.bus import BusError, Window
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.master import BusMaster
from emu.record.counters import count_registers
from emu.rules.attach import attach_rules
from emu.rules.finding import Findings

RAM, UART = 0x2000, 0x1000


class Harbour:
    """A board with memory and a serial controller, and a master on its bus."""

    def __init__(self) -> None:
        self.board = Board("harbour")
        self.uart: Window = self.board.attach(Uart16550, "telemetry", UART, stride=4)
        self.ram: Window = self.board.attach(Ram, "tide_log", RAM, settings={"size": 64})
        self.board.power_on()
        self.master = BusMaster(self.board.bus, "mover")


@pytest.fixture
def harbour() -> Harbour:
    """Return a fresh board."""
    return Harbour()


@pytest.mark.parametrize("width", [8, 16, 32])
def test_master_and_driver_see_the_same_memory(harbour: Harbour, width: int) -> None:
    """What one writes the other reads, in every width of the bus."""
    value = 0x44332211 & (1 << width) - 1
    harbour.master.write(RAM + 8, width, value)
    assert getattr(harbour.ram, f"read{width}")(8) == value
    harbour.ram.write32(12, 0x88776655)
    assert harbour.master.read(RAM + 12, width) == 0x88776655 & (1 << width) - 1


def test_registers_have_their_side_effects(harbour: Harbour) -> None:
    """A read of a buffer takes the character, as the driver's read would."""
    device = harbour.board.device("telemetry")
    assert isinstance(device, Uart16550)
    device.receive(0x42, 0)
    assert harbour.master.read(UART, 8) == 0x42
    assert not device.peek("LSR.DR")


def test_the_bank_is_the_one_that_is_selected(harbour: Harbour) -> None:
    """With the divisor latch shown, a write that is meant for the buffer goes there."""
    harbour.uart.write8(3 * 4, 0x83)
    harbour.master.write(UART, 8, 0x5A)
    assert harbour.board.device("telemetry").peek("DLL") == 0x5A


def test_it_takes_no_time_and_no_row(harbour: Harbour) -> None:
    """Neither an access nor a bus error moves the clock, the tape or the driver's counts."""
    board = harbour.board
    before = board.clock.now_ps, len(board.journal.entries), board.bus.accesses()
    harbour.master.write(RAM, 8, 1)
    with pytest.raises(BusError):
        harbour.master.read(RAM + 64, 8)
    assert (board.clock.now_ps, len(board.journal.entries), board.bus.accesses()) == before


@pytest.mark.parametrize(
    ("address", "width"),
    [(0x9000, 8), (RAM + 64, 8), (RAM + 1, 32), (RAM, 64), (UART, 16), (UART + 1, 8)],
    ids=["nowhere", "beyond", "misaligned", "too wide", "wrong width", "between registers"],
)
def test_what_cannot_be_answered_is_a_bus_error(harbour: Harbour, address: int, width: int) -> None:
    """Reads and writes alike end in a bus error that names address, width and direction."""
    for direction in ("read", "write"):
        with pytest.raises(BusError) as caught:
            harbour.master.read(address, width) if direction == "read" else harbour.master.write(
                address, width, 0
            )
        error = caught.value
        assert (error.address, error.width_bits, error.direction) == (address, width, direction)
        assert str(error).startswith(f"mover: {direction}{width}({address:#x}): ")


def test_the_bus_tells_whose_access_it_is(harbour: Harbour) -> None:
    """While the master accesses a register the bus names it, and nobody otherwise."""
    bus, seen = harbour.board.bus, list[str]()

    def noting(read: ReadPort) -> ReadPort:
        def read_noting() -> int:
            seen.append(bus.master)
            return read()

        return read_noting

    harbour.board.device("telemetry").ports["SCR"].wrap_read(noting)
    harbour.master.read(UART + 7 * 4, 8)
    harbour.uart.read8(7 * 4)
    assert (seen, bus.master) == (["mover", ""], "")


def test_what_watches_the_driver_does_not_see_a_master() -> None:
    """What wraps a port before masters are set apart sees both, what comes later the driver."""
    board = Board("harbour")
    io = board.attach(IntervalTimer, "sampling", UART, widths=(8, 32))
    board.power_on()
    master, seen = BusMaster(board.bus, "mover"), list[str]()

    def noting(word: str, read: ReadPort) -> ReadPort:
        def read_noting() -> int:
            seen.append(word)
            return read()

        return read_noting

    port = board.device("sampling").ports["RELOAD"]
    port.wrap_read(partial(noting, "fault"))
    master.read(UART + 8, 32)
    board.set_masters_apart()
    board.set_masters_apart()
    port.wrap_read(partial(noting, "rule"))
    assert seen == ["fault"]
    for width in (8, 32):
        seen.clear()
        master.read(UART + 8, width)
        assert seen == ["fault"]
        seen.clear()
        getattr(io, f"read{width}")(8)
        assert seen == ["rule", "fault"]


def test_writes_are_set_apart_too(harbour: Harbour) -> None:
    """A rule that watches writes of the driver sees none of a master's."""
    seen: list[int] = []

    def noting(write: WritePort) -> WritePort:
        def write_noting(data: int) -> None:
            seen.append(data)
            write(data)

        return write_noting

    harbour.board.set_masters_apart()
    harbour.board.device("telemetry").ports["SCR"].wrap_write(noting)
    harbour.master.write(UART + 28, 8, 0x11)
    harbour.uart.write8(28, 0x22)
    harbour.master.write(UART + 28, 8, 0x33)
    assert (seen, harbour.uart.read8(28)) == ([0x22], 0x33)


def test_rules_and_counters_do_not_take_a_master_for_the_driver(harbour: Harbour) -> None:
    """An access by a device is no finding, whatever it does, and no register's count."""
    board = harbour.board
    findings = Findings(board.clock)
    attach_rules(board, findings).port("telemetry").call_begins("open")
    counts = count_registers(board)
    harbour.master.write(UART + 5 * 4, 8, 0xFF)
    assert (findings.all(), counts.by_path["telemetry.LSR"].writes) == ([], 0)
    harbour.uart.write8(5 * 4, 0xFF)
    assert counts.by_path["telemetry.LSR"].writes == 1
    assert "write-to-read-only" in {one.rule for one in findings.all()}


def test_a_bus_error_of_the_device_itself_is_the_masters(harbour: Harbour) -> None:
    """Where a fault makes an access fail, a master is told, and the driver's clock stays."""
    board = harbour.board
    region = next(one for one in board.bus.regions if one.device.name == "telemetry")

    def failing(_read: ReadPort) -> ReadPort:
        def fail() -> int:
            board.bus.fail(region, "read", 28, 8, "the device did not answer")
            return 0

        return fail

    board.device("telemetry").ports["SCR"].wrap_read(failing)
    with pytest.raises(BusError, match="did not answer"):
        harbour.master.read(UART + 28, 8)
    assert (board.clock.now_ps, len(board.journal.entries), board.bus.master) == (0, 0, "")
    with pytest.raises(BusError, match="did not answer"):
        harbour.uart.read8(28)
    assert board.clock.now_ps
