"""What a board gives a driver besides its own device: windows, addresses, and who watches them."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import pytest

from drivers_example.timekeeper import Timekeeper
from emu import BusError, Cpu, Window
from emu.devices.timer import IntervalTimer
from emu.errors import AccessError
from emu.kernel.board import Board
from emu.scenario.from_python import scenario_of
from emu.scenario.load import parse_board
from emu.scenario.model import BoardModel
from emu.scenario.runner import run_scenario
from emu.scenario.written import board_as_plain
from emu.search.trial import Trying

DEVICES: dict[str, Any] = {
    "sampling": {"kind": "timer", "at": 0x4000_2000, "irq": 7, "beside": ["log"]},
    "log": {"kind": "ram", "at": 0x2000_0000, "size": "1 KiB"},
    "spare": {"kind": "timer", "at": 0x4000_3000},
}
SCENARIO = {"scenario": "a log", "board": {"name": "b", "devices": DEVICES}, "port": "sampling",
            "do": ["open", "now", "close"]}  # fmt: skip


class Logger(Timekeeper):
    """Keeps the time in a memory beside its timer."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        super().__init__(io, cpu)
        self._log = io.beside["log"]

    def now(self) -> int:
        """Note the time, and return it as it was noted."""
        self._log.write32(0, super().now())
        return self._log.read32(0)


def test_a_driver_reaches_what_lies_beside() -> None:
    """The windows beside a device's own are those that its board names, and no others."""
    run = run_scenario(scenario_of(SCENARIO), Logger)
    assert run.clean
    board = Board()
    board.attach(IntervalTimer, "sampling", 0)
    assert board.window("sampling").beside == {}


def test_an_address_is_the_bus_address() -> None:
    """The base that a driver is told is where its device lies."""
    scenario = scenario_of(SCENARIO)
    seen: list[int] = []

    class Looker(Logger):
        def __init__(self, io: Window, cpu: Cpu) -> None:
            super().__init__(io, cpu)
            seen.extend((io.base, io.beside["log"].base))

    assert run_scenario(scenario, Looker).clean
    assert seen == [0x4000_2000, 0x2000_0000]


def test_accesses_beside_are_steps_too() -> None:
    """A search counts what a driver does with the devices beside its own."""
    trying = Trying(scenario_of(SCENARIO), Logger)
    plain = Trying(scenario_of(SCENARIO), Timekeeper)
    assert trying.run().calls == plain.run().calls + 2


def test_rules_watch_what_lies_beside() -> None:
    """An access that nothing answers is a finding, whichever window it was made through."""

    class Wild(Logger):
        def now(self) -> int:
            with suppress(BusError):
                self._log.write32(0x1000, 1)
            return super().now()

    outcome = run_scenario(scenario_of(SCENARIO), Wild)
    assert [one.rule for one in outcome.findings] == ["unmapped-access"]


def test_what_is_written_reads_back() -> None:
    """The names beside a device survive the way to a file and back."""
    model: BoardModel = scenario_of(SCENARIO).board
    assert model.devices[0].beside == ("log",)
    assert board_as_plain(model)["devices"]["sampling"]["beside"] == ["log"]


def test_a_name_that_is_not_there() -> None:
    """The kernel refuses a name that no device of the board has."""
    model = parse_board("name: b\ndevices: {t: {kind: timer, at: 0}}\n")
    board = Board()
    board.attach(IntervalTimer, model.devices[0].name, 0)
    with pytest.raises(AccessError, match="nowhere"):
        board.put_beside("t", ["nowhere"])
