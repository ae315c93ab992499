"""One thing that a driver is tried with when nothing but the driver is given.

The one idea: a bout is a scenario as it would stand in a file, so every case that comes of it can
be read, kept and changed like any other. Plain bouts are run once; hunted ones are short, and are
tried at every timing.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import yaml

from emu.scenario.load import parse_scenario
from emu.scenario.model import Scenario

__all__ = ["Bout"]


class Bout(NamedTuple):
    """One thing to try.

    Args:
        body: the scenario as it would stand in a file.
        hunted: whether to try it at every timing.
        most: how many runs at most, None for as many as there is time for.
    """

    body: dict[str, Any]
    hunted: bool = False
    most: int | None = None

    def scenario(self) -> Scenario:
        """Return the scenario."""
        text = yaml.safe_dump(self.body, sort_keys=False, allow_unicode=True)
        return parse_scenario(text, path=f"check: {self.body['scenario']}")
