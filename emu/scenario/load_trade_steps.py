"""The steps of scenario files for drivers that are not serial, by trade.

The one idea: each step has a name of its own over all trades, so the name alone tells what a driver
is asked for, and a step that is none of its trade is refused by name.
"""

from __future__ import annotations

from emu.devices.gpio import PINS
from emu.devices.pin_driver import EDGES
from emu.scenario.load_copy_steps import COPY_STEPS
from emu.scenario.load_data import DATA
from emu.scenario.quantities import DURATION, SPAN
from emu.scenario.shape import Choice, Items, Key, Table, Truth, Whole
from emu.scenario.step_shapes import COMMON_STEPS, TIMEOUT, Nothing, StepTable

__all__ = ["SPANS", "TRADE_STEPS", "actions_of"]

_SHARED = ("open", "close", "reopen", *COMMON_STEPS)
_MOST_CYCLES = 2**40
_PIN = Whole(0, PINS - 1)
_NUMBER = Whole(0, 2 * PINS - 1)  # of a pin, or of one that is not there
_LEVEL = Key("level", Choice((0, 1)), "the level", required=True)

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

_SOURCE = Whole(1, 31)
_TICKS = Whole(0, 2**33)
_BLOCK = Whole(0, 63)  # a bit, or one that is not there

# fmt: off
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
    "dispatch": {
        "attach": (
            _SOURCE, "give a source a handler",
            (
                Key("priority", Whole(1, 7), "higher is served first, 1 if left out"),
                Key("deferred", Truth(), "its handler only masks it, and main code serves it"),
            ),
        ),
        "detach": (_SOURCE, "take its handler away", ()),
        "mask": (_SOURCE, "let a source through no more for a while", ()),
        "unmask": (_SOURCE, "let it through again", ()),
        "assert": (
            Items(_SOURCE, least=1), "let sources ask for attention, all at once",
            (
                Key("times", Whole(1, 1000), "how often, once if left out"),
                Key("gap", SPAN, "how long from one to the next, 1 ms if left out"),
                Key("after", DURATION, "time until the first, which is not waited for"),
            ),
        ),
        "serve": (Nothing(), "serve what handlers have left to main code", ()),
    },
    "pins": {
        "output": (
            _NUMBER, "make a pin an output",
            (_LEVEL, Key("open_drain", Truth(), "let it go instead of driving it high")),
        ),
        "input": (_NUMBER, "let go of a pin", ()),
        "set": (_NUMBER, "set an output", (_LEVEL,)),
        "get": (_NUMBER, "ask for the level of a pin", ()),
        "watch": (
            _NUMBER, "count the edges of a pin",
            (Key("edge", Choice(EDGES), "which edges", required=True),),
        ),
        "edges": (_NUMBER, "ask how many edges came", ()),
        "follow": (
            _NUMBER, "let an output follow a pin",
            (Key("target", _NUMBER, "the output", required=True),),
        ),
        "drive": (_PIN, "let the outside drive a pin", (_LEVEL,)),
        "pulse": (
            _PIN, "let the outside invert a pin again and again, from now on",
            (
                Key("length", SPAN, "how long each time", required=True),
                Key("times", Whole(1, 10_000), "how often, once if left out"),
                Key("gap", SPAN, "how long between two, as long as a pulse if left out"),
                Key("after", DURATION, "how long to wait before the first"),
            ),
        ),
    },
    "copy": COPY_STEPS,
    "watchdog": {
        "guard": (
            _TICKS, "guard the board, with so many ticks until it is reset",
            (
                Key("opens", _TICKS, "ticks before which it must not be fed, 0 if left out"),
                Key("locked", Truth(), "let nothing but a reset stop it"),
            ),
        ),
        "feed": (Nothing(), "feed the watchdog", ()),
        "causes": (Nothing(), "ask which resets there were", ()),
        "restart": (Nothing(), "reset the board by software", ()),
        "stray": (
            Choice(("feed", "stop", "start")), "let another program do that to the watchdog", (),
        ),
    },
    "deadlines": {
        "time": (Nothing(), "ask for the ticks that were counted", ()),
        "book": (
            Whole(0, 2**64), "book a deadline, so many ticks from now",
            (Key("times", Whole(1, 1000), "how many, each booked when the last is called"),),
        ),
        "cancel": (Whole(1, 100_000), "take back a deadline, counted from 1 since open", ()),
    },
    "clocks": {
        "enable": (_BLOCK, "let a block run, and wait until it answers", (TIMEOUT,)),
        "disable": (_BLOCK, "undo one enable", ()),
        "reset": (_BLOCK, "bring a block to its state of power-on", (TIMEOUT,)),
    },
}
# fmt: on

SPANS = frozenset(
    key.name
    for table in TRADE_STEPS.values()
    for _, _, options in table.values()
    for key in options
    if key.shape in (DURATION, SPAN)
)
"""The options that are durations, in ps once they are read."""


def actions_of(trade: str) -> tuple[str, ...]:
    """Return the steps that a driver of a trade other than ``serial`` can be asked for."""
    return (*_SHARED, *TRADE_STEPS[trade])
