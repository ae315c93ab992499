"""Operations on a device as plain data do what an access to it does."""

from __future__ import annotations

import pytest

from emu.devices.uart16550 import Uart16550
from emu.errors import AccessError
from emu.kernel.board import Board
from emu.testing.operations import Operation, Read, Wait, Write, play


@pytest.fixture
def uart() -> Uart16550:
    """Return a controller on a board that is switched on."""
    board = Board("tide gauge")
    board.attach(Uart16550, "telemetry", 0x4000_1000, irq=5)
    board.power_on()
    device = board.devices["telemetry"]
    assert isinstance(device, Uart16550)
    return device


def played(device: Uart16550, *operations: Operation) -> list[int | None]:
    """Play operations and return what came of each."""
    return [play(device, one) for one in operations]


def test_what_is_written_reads_back(uart: Uart16550) -> None:
    """A register is reached by its name, whatever bank shows it."""
    assert played(uart, Write("SCR", 0x5A), Read("SCR")) == [None, 0x5A]
    assert played(uart, Write("LCR", 0x83), Write("DLL", 12), Read("DLL")) == [None, None, 12]


def test_a_read_has_the_side_effects_of_the_register(uart: Uart16550) -> None:
    """Reading RBR takes the character, so that DR falls."""
    uart.receive(0x37, 0)
    assert played(uart, Read("LSR"), Read("RBR"), Read("LSR")) == [0x61, 0x37, 0x60]


def test_waiting_lets_the_hardware_go_on(uart: Uart16550) -> None:
    """A character that was written has left when its time on the line is over."""
    now_ps = uart.clock.now_ps
    start = [Write("LCR", 0x83), Write("DLL", 1), Write("DLM", 0), Write("LCR", 0x03)]
    played(uart, *start, Write("THR", 0x41))
    assert play(uart, Read("LSR")) != 0x60
    assert play(uart, Wait(200_000_000)) is None  # two characters at 115200 baud, and more
    assert uart.clock.now_ps == now_ps + 200_000_000
    assert play(uart, Read("LSR")) == 0x60


@pytest.mark.parametrize("operation", [Read("LSS"), Write("LSS", 1)])
def test_an_unknown_register_is_named_with_the_nearest(
    uart: Uart16550, operation: Operation
) -> None:
    """A misspelt register is refused, and the one that was meant is told."""
    with pytest.raises(AccessError, match="LSR"):
        play(uart, operation)
