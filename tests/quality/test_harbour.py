"""Several drivers at once on the harbour's board: a shared line, and two by way of a controller."""

from __future__ import annotations

import zlib
from dataclasses import replace
from typing import NamedTuple

import pytest

from drivers_example.dispatcher import Dispatcher
from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.message_seal import MessageSeal
from drivers_example.pin_keeper import PinKeeper
from drivers_example.smallest import Smallest
from drivers_example.timekeeper import Timekeeper
from drivers_example.watchkeeper import Watchkeeper
from emu import CheckSettings, Cpu, LineSettings, Window, routed
from emu.errors import RunEnded
from emu.kernel.board import Board, LineRules
from emu.line.far_end import FarEnd
from emu.line.plan import FarEndPlan
from emu.scenario.build import build_board
from emu.scenario.load import load_any_board
from emu.scenario.model import BoardModel
from tests.quality.seeded_drivers import ROOT

HARBOUR, _ = load_any_board(ROOT / "fixtures" / "boards" / "harbour.yaml")
LINE = LineSettings(115_200)
SLOW = LineSettings(9600)
SAMPLING = 0x01  # the bit of the sampling timer at the gates
CLOCK, RELEASE = 0x00, 0x04
US = 10**6


class Harbour(NamedTuple):
    """The board with a driver on each device."""

    board: Board
    router: Dispatcher
    radio: InterruptDriver
    console: Smallest
    pins: PinKeeper
    timer: Timekeeper
    seal: MessageSeal


def opened(model: BoardModel, board: Board | None = None) -> Harbour:
    """Build the board, hang far ends on its lines, and open every driver.

    Of a board that is given only the drivers are new.
    """
    ends = []
    lines = (("telemetry", LINE), ("console", SLOW)) if board is None else ()
    if board is None:
        board = build_board(model)
        board.power_on()
    for name, line in lines:
        far = FarEnd(FarEndPlan("echo"), board.clock, board.device(name).signals, line)
        ends.append(far)
    gates = board.window("gates")
    gates.write32(CLOCK, SAMPLING)
    gates.write32(RELEASE, SAMPLING)
    board.cpu.sleep(10e-6)

    router = Dispatcher(board.window("router"), board.cpu)
    router.open()

    def given(name: str) -> tuple[Window, Cpu]:
        return board.window(name), routed(board.cpu, {"router": router})

    found = Harbour(
        board, router, InterruptDriver(*given("telemetry")), Smallest(*given("console")),
        PinKeeper(*given("float_and_lamp")), Timekeeper(*given("sampling")),
        MessageSeal(*given("seal")),
    )  # fmt: skip
    found.radio.open(LINE)
    found.console.open(SLOW)
    found.pins.open()
    found.timer.open()
    found.seal.open(CheckSettings())
    for far in ends:
        far.opened()
    return found


def shared(model: BoardModel) -> BoardModel:
    """Let the timer and the pins drive one interrupt line."""
    devices = tuple(
        replace(one, irq=8) if one.name == "float_and_lamp" else one for one in model.devices
    )
    return replace(model, devices=devices, interrupts={8: LineRules(shared=True)})


def a_busy_minute(harbour: Harbour) -> None:
    """Use everything at once, and check that each gets what it asked for."""
    board, _, radio, console, pins, timer, seal = harbour
    outside = board.device("float_and_lamp").signals["pin1"]
    pins.follow(1, 2)
    pins.output(4, 0)
    timer.every(500)
    began = board.clock.now_ps
    for turn in range(6):
        board.clock.schedule(began + (turn + 1) * 700 * US, lambda: outside.set(1 - outside.level))
    message = b"tide 3.21 m, wind 7\r\n"
    assert console.write(b"status", 1.0) == 6
    assert radio.write(message, 1.0) == len(message)
    assert seal.compute(message * 40, 1.0) == zlib.crc32(message * 40)
    pins.set(4, 1)
    assert timer.alarm(900, 0.1)
    assert radio.read(len(message), 1.0) == message
    assert console.read(6, 1.0) == b"status"
    pins.set(4, 0)
    periods = (board.clock.now_ps - began) // (500 * US)
    assert periods - 1 <= timer.periods() <= periods
    assert timer.missed == 0
    assert board.device("float_and_lamp").signals["pad2"].level == outside.level


def closed(harbour: Harbour) -> None:
    """Close every driver and see that nothing stirs."""
    for driver in reversed(harbour[1:]):
        driver.close()
    before = harbour.board.cpu.entries
    harbour.board.cpu.sleep(0.01)
    assert harbour.board.cpu.entries == before
    assert not any(line.handlers for line in harbour.board.cpu.interrupts.lines.values())


@pytest.mark.parametrize("model", [HARBOUR, shared(HARBOUR)], ids=["own lines", "a shared line"])
def test_drivers_do_not_disturb_each_other(model: BoardModel) -> None:
    """Six drivers on one board, their handlers in each other's way, all keep what they promise."""
    harbour = opened(model)
    a_busy_minute(harbour)
    lines = harbour.board.cpu.interrupts.lines
    by_router = [one for one in lines.values() if one.through]
    assert [one.name for one in by_router] == ["console.irq", "seal.irq"]
    assert all(one.deliveries for one in by_router)
    assert lines[11].deliveries <= sum(one.deliveries for one in by_router)
    assert harbour.board.cpu.entries > 40
    closed(harbour)


def test_a_reset_of_the_board_is_survived() -> None:
    """After a reset of the whole board every driver can be opened again and works."""
    harbour = opened(HARBOUR)
    board = harbour.board
    board.on_reset = lambda _why: True
    board.reset("somebody pressed the button")
    gates = board.window("gates")
    gates.write32(CLOCK, SAMPLING)
    gates.write32(RELEASE, SAMPLING)
    board.cpu.sleep(10e-6)
    for driver in reversed(harbour[3:]):
        driver.close()
    harbour.router.close()
    harbour.router.open()
    harbour.radio.open(LINE)  # which closes it first, as open may
    harbour.console.open(SLOW)
    harbour.pins.open()
    harbour.timer.open()
    harbour.seal.open(CheckSettings())
    a_busy_minute(harbour)
    closed(harbour)


def test_a_bite_of_the_watchdog_ends_all_drivers() -> None:
    """Fed, the board works on; starved, it begins anew with new drivers, and knows why."""
    harbour = opened(HARBOUR)
    board = harbour.board
    guard = Watchkeeper(board.window("guard"), board.cpu)
    guard.open()
    assert guard.causes() == {"power-on"}
    assert guard.guard(3277, 100, locked=True)
    a_busy_minute(harbour)
    assert guard.feed()
    with pytest.raises(RunEnded, match="guard bit: not fed"):
        harbour.timer.alarm(1_000_000, 2.0)
    board.cpu.restart()
    again = opened(HARBOUR, board)
    guard = Watchkeeper(board.window("guard"), board.cpu)
    guard.open()
    assert guard.causes() == {"late"}
    a_busy_minute(again)
    closed(again)


def test_the_router_of_the_board() -> None:
    """The driver of the interrupt controller serves what has no other driver, beside the others."""
    harbour = opened(HARBOUR)
    board, router = harbour.board, harbour.router
    calls: list[int] = []
    wire = board.device("router").signals["source9"]

    def serve() -> None:
        calls.append(9)
        wire.set(0)

    router.attach(9, serve, 2)
    for turn in range(5):
        board.clock.schedule(board.clock.now_ps + (turn + 1) * 300 * US, lambda: wire.set(1))
    a_busy_minute(harbour)
    assert calls == [9] * 5
    closed(harbour)
