"""A board file with engine, watchdog and clock gate on it, and a driver that uses all three."""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.devices.serial_monitor import Nobody
from emu.devices.uart16550 import Uart16550
from emu.errors import RunEnded
from emu.kernel.board import Board
from emu.scenario.build import build_board
from emu.scenario.load import load_any_board

FILE = Path(__file__).resolve().parents[2] / "fixtures" / "boards" / "tide_log.yaml"
LOG, THR_ADDRESS = 0x2000_0000, 0x4000_1000
READING = b"04:12 high water 6.31 m"


class TideLog:
    """Wake the board, and send what is in its memory."""

    def __init__(self, board: Board) -> None:
        self._cpu = board.cpu
        self._telemetry, self._mover = board.window("telemetry"), board.window("mover")
        self._gates, self._guard = board.window("gates"), board.window("guard")
        self._log = board.window("log")
        self.done = 0

    def wake(self) -> None:
        """Clock the blocks and let them go, set the line and start the watchdog."""
        self._gates.write32(0x0, 0b111)
        self._gates.write32(0x4, 0b111)
        while self._gates.read32(0x8) != 0b111:
            pass
        io = self._telemetry
        for register, value in ((3, 0x83), (0, 1), (1, 0), (3, 0x03), (2, 0x01)):
            io.write8(register * io.stride, value)
        self._guard.write32(0x04, 3277)  # a tenth of a second
        self._guard.write32(0x00, 0b11)
        self._cpu.connect(self._mover.irq, self._served)

    def _served(self) -> None:
        self.done = self._mover.read32(0x14)
        self._mover.write32(0x14, self.done)

    def send(self, data: bytes) -> None:
        """Send by the engine, and return once the last stop bit has left."""
        for place, byte in enumerate(data):
            self._log.write8(place, byte)
        for register, value in ((0x08, LOG), (0x0C, THR_ADDRESS), (0x10, len(data)),
                                (0x04, 0x114), (0x00, 0x61)):  # fmt: skip
            self._mover.write32(register, value)
        while not self.done:
            self._cpu.wait_for_interrupt()
        while not self._telemetry.read8(5 * self._telemetry.stride) & 0x40:
            pass

    def feed(self) -> None:
        """Feed the watchdog."""
        self._guard.write32(0x0C, 0xEBB0)
        self._guard.write32(0x0C, 0xF10D)


class Sent(Nobody):
    """Take down what goes on the wire."""

    def __init__(self, sent: bytearray) -> None:
        self._sent = sent

    def shifting(self, data: int, end_ps: int) -> None:
        """Note a character."""
        self._sent.append(data)


@pytest.fixture
def board() -> Board:
    """Return the board of the file, switched on."""
    made = build_board(load_any_board(FILE)[0])
    made.power_on()
    return made


def test_a_driver_of_all_three_gets_its_reading_out(board: Board) -> None:
    """Woken in the right order, fed in time and waited for to the end, everything arrives."""
    log, uart = TideLog(board), board.devices["telemetry"]
    assert isinstance(uart, Uart16550)
    sent = bytearray()
    log.wake()
    uart.monitor = Sent(sent)
    log.send(READING)
    log.feed()
    assert (bytes(sent), log.done) == (READING, 0x06)


def test_a_driver_that_stops_feeding_is_ended(board: Board) -> None:
    """Asleep after its last feed, it is ended a tenth of a second later, in that very line."""
    log = TideLog(board)
    log.wake()
    log.feed()
    fed_ps = board.clock.now_ps
    with pytest.raises(RunEnded, match="the whole board was reset: guard bit: not fed") as caught:
        board.cpu.wait_for_interrupt()
    assert caught.value.rule == "board-reset"
    assert 0.099 < (board.clock.now_ps - fed_ps) / 10**12 < 0.1001
    assert board.devices["guard"].peek("CAUSE.LATE")
