"""A board with an engine and its memory, and what a run says of a copy driver on it, for tests."""

from __future__ import annotations

import inspect
from typing import Any

from emu.scenario.from_python import scenario_of
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario

BYTES = 0x2000
BOARD = {"name": "tide gauge", "devices": {
    "mover": {"kind": "dma", "at": 0x4000_3000, "irq": 7, "beside": ["log"], "clock": "200 kHz"},
    "log": {"kind": "ram", "at": 0x2000_0000, "size": BYTES},
}}  # fmt: skip


def piece(size: int = 40, source: int = 0x800, destination: int = 0x1000) -> dict[str, int]:
    """Return what is to be moved, as it stands in a file."""
    return {"from": source, "to": destination, "size": size}


def body(*steps: Any, **more: Any) -> dict[str, Any]:
    """Return a scenario, a copy of 40 bytes unless something else is asked for."""
    asked = list(steps) or [{"copy": piece()}]
    return {"scenario": "a copy", "board": BOARD, "do": asked, **more}


def run(driver: type, *steps: Any, **more: Any) -> Outcome:
    """Run a driver."""
    return run_scenario(scenario_of(body(*steps, **more)), driver)


def accused(outcome: Outcome) -> dict[str, int]:
    """Return rules and lines of what a run holds against a driver."""
    return {one.rule: one.line for one in outcome.findings}


def broken(outcome: Outcome) -> list[str]:
    """Return the promises that were broken."""
    return [one.promise for one in outcome.promises if not one.kept]


def line_of(function: Any, text: str) -> int:
    """Return the number of the line of a function that contains a text."""
    lines, first = inspect.getsourcelines(function)
    (found,) = [first + at for at, line in enumerate(lines) if text in line]
    return found
