"""A board model becomes a board: same devices, same order, same settings."""

from __future__ import annotations

import pytest

from emu.devices.uart16550 import Uart16550
from emu.errors import DeclarationError
from emu.kernel.board import BusSettings, CpuSettings, LineRules
from emu.scenario.build import build_board
from emu.scenario.model import BoardModel, DeviceModel

TELEMETRY = DeviceModel(
    "telemetry", "uart16550", 0x40001000, {"clock": 14_745_600, "fifo": 64}, stride=4, irq=5
)
MEMORY = DeviceModel("memory", "ram", 0x20000000, {"size": 4096})


def test_devices_stand_where_the_model_says() -> None:
    """Each device is on the bus at its address, with its stride, interrupt and settings."""
    board = build_board(BoardModel("gauge", devices=(TELEMETRY, MEMORY)))
    window = board.window("telemetry")

    assert (window.stride, window.irq, window.clock_hz) == (4, 5, 14_745_600)
    assert board.device("telemetry").settings["fifo"] == 64
    assert [region.base for region in board.bus.regions] == [0x20000000, 0x40001000]
    assert isinstance(board.device("telemetry"), Uart16550)


def test_the_board_is_not_powered_on() -> None:
    """The caller powers the board on, having put in place what must see the reset."""
    model = BoardModel(devices=(TELEMETRY,), interrupts={5: LineRules(priority=7, edge=True)})
    board = build_board(model)
    assert not board.cpu.interrupts.lines

    board.power_on()

    line = board.cpu.interrupts.line(5)
    assert (line.priority, line.edge) == (7, True)


def test_costs_of_processor_and_bus() -> None:
    """Clock, access time and wait states of the model are those of the board."""
    model = BoardModel(
        cpu=CpuSettings(clock_hz=25_000_000),
        bus=BusSettings(access_cycles=8),
        devices=(DeviceModel("telemetry", "uart16550", 0x40001000, wait_cycles=4, widths=(8, 32)),),
    )
    board = build_board(model)
    board.power_on()
    before_ps = board.clock.now_ps

    board.window("telemetry").read8(7)

    assert board.clock.now_ps - before_ps == 12 * 40_000
    assert board.bus.regions[0].widths == (8, 32)


def test_journal_is_as_long_as_asked_for() -> None:
    """The number of journal entries is the caller's choice."""
    board = build_board(BoardModel(devices=(MEMORY,)), events=3)
    board.power_on()
    window = board.window("memory")
    for offset in range(0, 80, 8):
        window.write8(offset, offset)
    board.journal.settle()

    assert len(board.journal.entries) <= 3


@pytest.mark.parametrize(
    ("device", "what"),
    [
        (DeviceModel("memory", "rom", 0), "no device kind 'rom'"),
        (DeviceModel("memory", "ram", 0, {"size": 3}), "size=3"),
        (DeviceModel("telemetry", "ram", 0), "already"),
    ],
)
def test_what_does_not_fit_is_refused(device: DeviceModel, what: str) -> None:
    """A model that makes no board ends in an error that says why."""
    with pytest.raises(DeclarationError, match=what):
        build_board(BoardModel(devices=(TELEMETRY, device)))
