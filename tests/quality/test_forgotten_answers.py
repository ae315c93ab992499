"""A driver that forgets to return an answer is found out, whatever its trade.

The one idea: what a call returns when nothing is said is None, and nobody may take that for the end
of a call by a bus error, which excuses it.
"""

from __future__ import annotations

from typing import Any

import pytest

from emu.scenario.from_python import scenario_of
from emu.scenario.runner import run_scenario
from tests.quality.test_trades import driver_of

BOARDS = {
    "timer": {"kind": "timer", "at": 0x4000_2000, "irq": 7, "clock": "1 MHz"},
    "pins": {"kind": "gpio", "at": 0x4000_3000, "irq": 7},
    "copy": {"kind": "dma", "at": 0x4000_6000, "irq": 10, "beside": ["log"]},
    "watchdog": {"kind": "watchdog", "at": 0x4000_7000},
    "deadlines": {"kind": "mtimer", "at": 0x0200_0000, "irq": 12},
    "clocks": {"kind": "clock_gate", "at": 0x4000_8000, "blocks": "gauge2"},
    "checksum": {"kind": "checksum_engine", "at": 0x4000_5000, "irq": 9},
}
ASKED = [
    ("timer", "now", ["now"]),
    ("timer", "periods", [{"every": 100}, {"wait": "1 ms"}, "periods"]),
    ("timer", "alarm", [{"alarm": 50}]),
    ("pins", "get", [{"get": 3}]),
    ("pins", "edges", [{"watch": 1, "edge": "rising"}, {"edges": 1}]),
    ("copy", "copy", [{"copy": {"from": 0x400, "to": 0x800, "size": 64}}]),
    ("copy", "start", [{"start": {"from": 0x400, "to": 0x800, "size": 64}}, "done"]),
    ("copy", "done", [{"start": {"from": 0x400, "to": 0x800, "size": 64}}, "done"]),
    ("copy", "abort", [{"start": {"from": 0x400, "to": 0x800, "size": 64}}, "abort"]),
    ("watchdog", "guard", [{"guard": 300}]),
    ("watchdog", "feed", [{"guard": 300}, "feed"]),
    ("watchdog", "causes", ["causes"]),
    ("deadlines", "time", ["time"]),
    ("deadlines", "book", [{"book": 100}]),
    ("deadlines", "cancel", [{"book": 10_000}, {"cancel": 1}]),
    ("clocks", "enable", [{"enable": 0}]),
    ("clocks", "reset", [{"enable": 0}, {"reset": 0}]),
    ("checksum", "compute", [{"compute": "3.21 m"}]),
]


def outcome_of(trade: str, driver: type, steps: list[Any]) -> Any:
    """Run a driver through a few steps."""
    devices: dict[str, Any] = {"gauge": BOARDS[trade]}
    if trade == "copy":
        devices["log"] = {"kind": "ram", "at": 0x2000_0000, "size": "4 KiB"}
    if trade == "clocks":
        devices["gauge2"] = {**BOARDS["timer"]}
    board = {"name": "tide gauge", "devices": devices}
    body = {"scenario": "an answer", "board": board, "port": "gauge", "do": ["open", *steps]}
    return run_scenario(scenario_of(body), driver)


@pytest.mark.parametrize(("trade", "name", "steps"), ASKED)
def test_a_forgotten_answer_is_found(trade: str, name: str, steps: list[Any]) -> None:
    """The same steps are clean with the good driver, and not if one call returns nothing."""
    good = driver_of(trade)
    assert outcome_of(trade, good, steps).clean

    def silent(self: Any, *given: Any) -> None:
        getattr(good, name)(self, *given)

    forgetful = type("Forgetful", (good,), {name: silent})
    outcome = outcome_of(trade, forgetful, steps)
    assert not outcome.clean
    told = [one.message for one in outcome.findings] + [
        one.detail for one in outcome.promises if not one.kept
    ]
    assert any(name in one for one in told), told
