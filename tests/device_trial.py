"""A device alone on a board, played with a driver class: what the tests of a trade share.

The one idea: the tests break a good driver in one place by a subclass, so a trial is the device's
settings and a line of steps as they would stand in a file.
"""

from __future__ import annotations

import inspect
from copy import deepcopy
from typing import Any

import yaml

from emu.scenario.load import parse_scenario
from emu.scenario.model import Scenario
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario
from tests.driven_run import broken

__all__ = ["asked", "line_of", "lines_of", "promises_of", "trial"]


def asked(device: dict[str, Any], *steps: Any, **more: Any) -> Scenario:
    """Return a scenario on one device.

    Args:
        device: its kind and settings.
        steps: what is asked of the driver.
        more: other keys of the scenario.
    """
    devices = {"panel": {"at": 0x4000_0000, "irq": 7, **device}}
    body = {"scenario": "a trial", "board": {"devices": devices}, "do": list(steps), **more}
    return parse_scenario(yaml.safe_dump(deepcopy(body), sort_keys=False))


def trial(driver: type, device: dict[str, Any], *steps: Any, **more: Any) -> Outcome:
    """Run a scenario on one device and return the outcome; see `asked`."""
    return run_scenario(asked(device, *steps, **more), driver)


def promises_of(outcome: Outcome) -> list[str]:
    """Return the names of the broken promises."""
    return list(broken(outcome))


def lines_of(outcome: Outcome) -> dict[str, int]:
    """Return the line of each finding by its rule."""
    return {one.rule: one.line for one in outcome.findings}


def line_of(code: Any, text: str = "# <- here") -> int:
    """Return the line of a class or function that contains a text."""
    lines, first = inspect.getsourcelines(code)
    (found,) = [first + index for index, line in enumerate(lines) if text in line]
    return found
