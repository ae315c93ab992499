"""The steps of scenario files for drivers that are not serial, by trade.

The one idea: each step has a name of its own over all trades, so the name alone tells what a driver
is asked for, and a step that is none of its trade is refused by name.
"""

from __future__ import annotations

from emu.scenario.load_copy_steps import COPY_STEPS
from emu.scenario.load_data import DATA
from emu.scenario.shape import Key, Table, Truth, Whole
from emu.scenario.step_shapes import COMMON_STEPS, TIMEOUT, Nothing, StepTable

__all__ = ["TRADE_STEPS", "actions_of"]

_SHARED = ("open", "close", "reopen", *COMMON_STEPS)
_MOST_CYCLES = 2**40

_WORD = Whole(0, 0xFFFF_FFFF, base=16)
_CHECK = Table(
    "a check",
    (
        Key("width", Whole(1, 32), "bits of the result"),
        Key("poly", _WORD, "polynomial without its highest term, highest first"),
        Key("init", _WORD, "register before the first byte"),
        Key("refin", Truth(), "whether the lowest bit of a byte goes first"),
        Key("refout", Truth(), "whether the register is turned round at the end"),
        Key("xorout", _WORD, "what the result is exclusive-ored with"),
    ),
)

TRADE_STEPS: dict[str, StepTable] = {
    "timer": {
        "now": (Nothing(), "ask for the time", ()),
        "every": (Whole(0, _MOST_CYCLES), "count periods of so many cycles", ()),
        "periods": (Nothing(), "ask how many periods have ended", ()),
        "alarm": (Whole(0, _MOST_CYCLES), "wait for so many cycles", (TIMEOUT,)),
    },
    "checksum": {
        "check": (_CHECK, "close, and open for another check than CRC-32", ()),
        "compute": (DATA, "ask for the check of these bytes", (TIMEOUT,)),
    },
    "copy": COPY_STEPS,
}


def actions_of(trade: str) -> tuple[str, ...]:
    """Return the steps that a driver of a trade other than ``serial`` can be asked for."""
    return (*_SHARED, *TRADE_STEPS[trade])
