"""The example drivers that are simulated: in ordinary scenarios, and over two bare pins."""

from __future__ import annotations

import textwrap
import tomllib
from pathlib import Path

import pytest

from drivers_example.bit_banged import BitBanged
from drivers_example.block_driver import BlockDriver
from drivers_example.level_driver import LevelDriver
from drivers_example.paced_driver import PacedDriver
from emu.devices.gpio import Gpio
from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S
from emu.line.far_end import FarEnd
from emu.line.plan import FarEndPlan
from emu.scenario.load import load_scenario, parse_scenario
from emu.scenario.runner import run_scenario
from emu.sizing.bench_board import Setting, bench_board
from emu.sizing.drivers import FILES, driver_for
from emu.sizing.strategies import strategies_of
from emu.sizing.workload import Workload
from emu.units import LineSettings, parse_line

ROOT = Path(__file__).resolve().parents[3]
LINE = LineSettings(115_200)
TEXT = b"tide 3.21 m\r\n\x00\xff\x55\xaa"


@pytest.mark.parametrize("driver", [LevelDriver, PacedDriver])
@pytest.mark.parametrize(
    "name", ["quiet", "busy_both_ways", "first_day", "reopen", "burst_64", "break_and_parity"]
)
def test_the_drivers_are_clean(driver: type, name: str) -> None:
    """Rules and contract hold nothing against the drivers in scenarios without faults."""
    outcome = run_scenario(load_scenario(ROOT / "fixtures" / f"{name}.yaml"), driver)

    assert outcome.clean, outcome.as_json()


ENGINE_BOARD = """
board:
  name: tide log
  devices:
    telemetry: {kind: uart16550, at: 0x40001000, stride: 4, irq: 5, fifo: 16, beside: [mover, log]}
    mover: {kind: dma, at: 0x40003000, irq: 7, requests: telemetry.rx_request}
    log: {kind: ram, at: 0x20000000, size: 4 KiB}
port: telemetry
"""
ENGINE_BOUTS = {
    "echo": """
        far_end: echo
        do: [open, {send: "high water 6.31 m"}, {receive: 17}, drain, close]
        expect: {received: "high water 6.31 m"}""",
    "more than the ring has": """
        far_end: {kind: source, data: 2000 bytes}
        do: [open, {receive: all, timeout: 300 ms}, close]""",
    "slow reader": """
        far_end: {kind: source, data: 400 bytes}
        do: [open, {wait: 50 ms}, {receive: all, timeout: 100 ms}, close, open, close]""",
    "parity and break": """
        line: 9600 7E1
        far_end: {kind: source, line: 9600 7O1, data: "3.21", start: 1 ms,
                  breaks: [{at: 20 ms, length: 2.2 ms}]}
        do: [open, {receive: all, timeout: 20 ms}, {wait: 10 ms}, close]
        expect: {errors: {parity: 4, breaks: 1, overrun: 0}}""",
}


@pytest.mark.parametrize("name", ENGINE_BOUTS)
@pytest.mark.parametrize("block", [1, 7, 64])
def test_the_driver_of_the_engine_is_clean(name: str, block: int) -> None:
    """Rules and contract hold nothing against it, whatever the length of a block is."""
    text = f"scenario: {name}\n{ENGINE_BOARD}{textwrap.dedent(ENGINE_BOUTS[name])}\n"
    driver = type("Block", (BlockDriver,), {"block": block, "blocks": 512 // block})
    outcome = run_scenario(parse_scenario(text), driver)

    assert outcome.clean, outcome.as_json()


def test_what_the_ring_is_too_short_for_is_one_overrun() -> None:
    """A program that comes too late gets the newest blocks, and one overrun is counted."""
    data = bytes(range(200))
    board, far_end = engine_board()
    driver = type("Block", (BlockDriver,), {"block": 8, "blocks": 6})(
        board.window("telemetry"), board.cpu
    )
    driver.open(LINE)
    far_end.begin()
    far_end.say(data)
    board.cpu.sleep(0.03)

    assert driver.read(300, 0) == data[-32:]
    assert driver.errors.overrun == 1


def engine_board() -> tuple[Board, FarEnd]:
    """Return a board with an engine, and somebody who speaks to its controller."""
    board = bench_board(Workload(), Setting(memory_bytes=4096))
    signals = board.device("telemetry").signals
    wires = {name: signals[name] for name in ("rts", "cts", "dsr", "dcd", "sin", "sout")}
    return board, FarEnd(FarEndPlan("sink"), board.clock, wires, LINE)


@pytest.mark.parametrize("fifo", [1, 16, 64])
def test_every_strategy_finds_its_driver(fifo: int) -> None:
    """Each way that is simulated has a driver set to its depth and level."""
    for strategy in strategies_of(Workload(fifo=fifo)):
        driver, setting = driver_for(strategy)
        assert setting.fifo == (strategy.depth if setting.device == "uart16550" else 16)
        if strategy.interrupts:
            assert (driver.__dict__["depth"], driver.__dict__["level"]) == (
                strategy.depth, strategy.trigger,
            )  # fmt: skip


def test_a_wheel_has_the_drivers_that_are_simulated() -> None:
    """Each driver's file stands beside the room in a wheel, and exists in the tree."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    included = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]

    simulated = {
        f"drivers_example/{file}": f"emu/sizing/drivers_example/{file}"
        for file in sorted(FILES.values())
    }
    assert simulated.items() <= included.items()
    assert all((ROOT / one).is_file() for one in simulated)


def pins() -> tuple[Board, FarEnd, BitBanged]:
    """Return a board with pins, somebody at their far end, and a driver, opened."""
    board = Board()
    board.attach(Gpio, "pins", 0x4000_0000, irq=3)
    board.power_on()
    signals = board.devices["pins"].signals
    wires = dict.fromkeys(("rts", "cts", "dsr", "dcd"), signals["pin9"])
    wires |= {"sin": signals["pin0"], "sout": signals["pad1"]}
    far_end = FarEnd(FarEndPlan("sink"), board.clock, wires, LINE)
    driver = BitBanged(board.window("pins"), board.cpu)
    driver.open(LINE)
    far_end.begin()
    return board, far_end, driver


def test_bit_banging_sends_what_a_receiver_understands() -> None:
    """A real receiver hears every byte that is sent over a pin, without an error."""
    _, far_end, driver = pins()

    assert driver.write(TEXT) == len(TEXT)
    assert driver.drain()
    assert bytes(far_end.received) == TEXT
    assert far_end.flagged == {}


def test_bit_banging_hears_what_is_sent_to_it() -> None:
    """A row of characters back to back is heard, whatever their bits are, and others after it."""
    _, far_end, driver = pins()
    far_end.say(TEXT)
    heard = driver.read(len(TEXT), 0.01)
    far_end.say(TEXT[::-1])

    assert heard == TEXT
    assert driver.read(len(TEXT), 0.01) == TEXT[::-1]
    assert driver.errors.framing == driver.errors.breaks == 0


def test_bit_banging_gives_up_in_time() -> None:
    """A read of what does not come, and a write without time, end at the time-out."""
    board, _, driver = pins()
    begin_ps = board.clock.now_ps

    assert driver.read(1, 0.005) == b""
    assert board.clock.now_ps - begin_ps == pytest.approx(0.005 * PS_PER_S, rel=0.01)
    assert driver.write(b"ab", 0) == 0


def test_bit_banging_counts_a_break_once() -> None:
    """A line held low for two characters is one break, and the next character comes through."""
    board, far_end, driver = pins()
    board.devices["pins"].signals["pin0"].set(0)
    board.cpu.sleep(2 * LINE.character_s)
    board.devices["pins"].signals["pin0"].set(1)
    board.cpu.sleep(2 * LINE.character_s)
    far_end.say(b"k")

    assert driver.read(1, 0.01) == b"k"
    assert driver.errors.breaks == 1


def test_bit_banging_refuses_other_formats() -> None:
    """Only 8N1 can be bit-banged, and a driver that is closed leaves its pin alone."""
    board, _, driver = pins()
    driver.close()
    with pytest.raises(ValueError, match="only 8N1"):
        driver.open(parse_line("9600 7E1"))
    assert board.devices["pins"].peek("ENABLE") == 0
