"""What a timer driver is tried with: counters about to carry, periods, alarms, faults, timings.

The one idea: a wrap or a match lies where accesses can fall on both sides of it, so that every
point of a driver is held up across it once.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emu.search.bout import Bout
from emu.search.usual_faults import Moments, usual_faults

__all__ = ["timer_suite"]

_PORT = "sampling"
_CARRY = 2**32
_SHORT = 40  # cycles, so that a cycle too many shows within milliseconds


def timer_suite() -> list[Bout]:
    """Return all bouts for a timer driver, in the order in which they are tried."""
    plain = [*_periods(), *_clocks(), *_alarms(), *_starts(), *_faults()]
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario on a timer at 1 MHz, unless `more` says otherwise."""
    faults = {"faults": more.pop("faults")} if "faults" in more else {}
    seed = {"seed": more.pop("seed")} if "seed" in more else {}
    timer = {"kind": "timer", "at": 0x4000_2000, "irq": 7, "clock": "1 MHz", **more}
    board = {"name": "tide gauge", "devices": {_PORT: timer}}
    return {"scenario": title, "board": board, **seed, **faults, "do": list(steps)}


def _periods() -> Iterator[dict[str, Any]]:
    """Periods from the shortest that a handler can serve to the longest that can be made."""
    yield _body("a hundred periods", "open", {"every": 1000}, {"wait": "100.5 ms"}, "periods")
    yield _body("many short periods", "open", {"every": _SHORT}, {"wait": "30 ms"}, "periods",
                {"wait": "30 ms"}, "periods")  # fmt: skip
    yield _body("no period yet", "open", {"every": 50_000}, "periods", {"wait": "20 ms"}, "periods")
    yield _body("one length after another", "open", {"every": 1000}, {"wait": "5.5 ms"}, "periods",
                {"every": 300}, {"wait": "4 ms"}, "periods", {"every": 2000}, {"wait": "9 ms"},
                "periods")  # fmt: skip
    yield _body("the longest period", "open", {"every": _CARRY}, {"wait": "1 ms"}, "periods")
    yield _body("periods that cannot be made", "open", {"every": 0}, {"every": 1},
                {"every": _CARRY + 1}, {"every": 1000}, {"wait": "3.5 ms"}, "periods")  # fmt: skip
    yield _body("away for many periods", "open", {"every": 500}, {"work": 200_000}, "periods",
                {"wait": "10 ms"}, "periods")  # fmt: skip


def _clocks() -> Iterator[dict[str, Any]]:
    """The wide counter at its beginning, its end, and just before a carry."""
    yield _body("the time, again and again", "open", *["now"] * 8, {"wait": "2 ms"}, *["now"] * 8)
    for before in (2, 3, 4, 5):
        yield _body(f"a carry {before} cycles after the start", "open", *["now"] * 24,
                    cycles=_CARRY - before)  # fmt: skip
    yield _body("a large count", "open", "now", {"wait": "3 ms"}, "now", cycles=0x1234_FFFF_F000)
    yield _body("a fast clock", "open", *["now"] * 4, {"every": 10_000}, {"wait": "2.1 ms"},
                "periods", clock="50 MHz", cycles=_CARRY - 60)  # fmt: skip


def _alarms() -> Iterator[dict[str, Any]]:
    """Alarms near and far, and in the middle of periods."""
    for cycles in (0, 1, 2, 3, 5, 10):
        yield _body(f"an alarm in {cycles} cycles", "open", {"alarm": cycles}, {"alarm": cycles})
    lengths = [{"alarm": 7 * number} for number in range(1, 12)]
    yield _body("alarms of all lengths", "open", *lengths)
    yield _body("an alarm longer than a period", "open", {"every": 1000}, {"alarm": 3500},
                "periods", {"alarm": 250}, {"alarm": 1000}, "periods")  # fmt: skip
    near = [{"alarm": cycles} for cycles in (495, 999, 1000, 1001, 998)]
    yield _body("an alarm at the end of a period", "open", {"every": 1000}, {"wait": "500 us"},
                *near, "periods")  # fmt: skip
    yield _body("an alarm that comes too late", "open", {"alarm": 50_000, "timeout": "5 ms"},
                {"alarm": 100}, {"wait": "60 ms"}, {"alarm": 100})  # fmt: skip
    yield _body("an alarm across a carry", "open", {"alarm": 200}, "now", {"alarm": 200}, "now",
                cycles=_CARRY - 150)  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the timer may be found, and ways to open and close."""
    for seed in (1, 2, 3, 4, 5, 6):
        faults = [{"kind": "random-state", "target": _PORT}]
        yield _body(f"a random state, number {seed}", "open", {"every": 800}, {"wait": "4.5 ms"},
                    "periods", {"alarm": 100}, faults=faults, seed=seed)  # fmt: skip
    yield _body("closed and opened again", "open", {"every": 700}, {"wait": "3 ms"}, "reopen",
                "now", {"alarm": 300}, "reopen", {"every": 500}, {"wait": "2.2 ms"},
                "periods")  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults, and the same asked for once more after them."""
    when, held = {"from": "1 ms", "until": "3 ms"}, {"from": "1 ms", "duration": "900 us"}
    moments = Moments(when, "130 us", held, when, "1.2 ms")
    for title, fault in (
        *usual_faults(_PORT, moments),
        ("END never seen", {"kind": "never-ready", "target": f"{_PORT}.STATUS.END", **when}),
        ("MATCH stuck at 1", {"kind": "stuck-field", "target": f"{_PORT}.STATUS.MATCH",
                              "value": 1, **when}),
    ):  # fmt: skip
        yield _body(f"fault: {title}", "open", {"every": 400}, {"wait": "2 ms"}, "periods",
                    {"alarm": 200, "timeout": "20 ms"}, {"wait": "4 ms"}, "reopen", {"every": 400},
                    {"wait": "2.1 ms"}, "periods", {"alarm": 200}, faults=[fault])  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short runs in which something comes while the driver is at work."""
    yield _body("the time near a carry, at every timing", "open", "now", "now", "now",
                cycles=_CARRY - 3)  # fmt: skip
    yield _body("an alarm, at every timing", "open", {"alarm": 20}, {"alarm": 4})
    yield _body("periods, at every timing", "open", {"every": 300}, {"wait": "1 ms"}, "periods",
                {"wait": "1 ms"}, "periods")  # fmt: skip
    yield _body("an alarm among periods, at every timing", "open", {"every": 300}, {"alarm": 296},
                {"alarm": 304}, "periods", {"wait": "1 ms"}, "periods")  # fmt: skip
