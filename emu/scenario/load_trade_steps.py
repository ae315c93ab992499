"""The steps of scenario files for drivers that are not serial, by trade.

The one idea: each step has a name of its own over all trades, so the name alone tells what a driver
is asked for, and a step that is none of its trade is refused by name.
"""

from __future__ import annotations

from emu.scenario.shape import Whole
from emu.scenario.step_shapes import COMMON_STEPS, TIMEOUT, Nothing, StepTable

__all__ = ["TRADE_STEPS", "actions_of"]

_SHARED = ("open", "close", "reopen", *COMMON_STEPS)
_MOST_CYCLES = 2**40

TRADE_STEPS: dict[str, StepTable] = {
    "timer": {
        "now": (Nothing(), "ask for the time", ()),
        "every": (Whole(0, _MOST_CYCLES), "count periods of so many cycles", ()),
        "periods": (Nothing(), "ask how many periods have ended", ()),
        "alarm": (Whole(0, _MOST_CYCLES), "wait for so many cycles", (TIMEOUT,)),
    },
}


def actions_of(trade: str) -> tuple[str, ...]:
    """Return the steps that a driver of a trade other than ``serial`` can be asked for."""
    return (*_SHARED, *TRADE_STEPS[trade])
