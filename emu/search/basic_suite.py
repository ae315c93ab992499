"""What a driver of the smallest serial controller is tried with: rates, starts, traffic, timings.

The one idea: there is one place to wait each way, so who is a character time late has lost one, and
must say so.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emu.search.bout import Bout

__all__ = ["basic_suite"]

_PORT = "console"
_TEXT = "tide 3.21 m\r\n"
_SLOW = "9600 8N1"


def basic_suite() -> list[Bout]:
    """Return all bouts for such a driver, in the order in which they are tried."""
    plain = [*_rates(), *_starts(), *_traffic(), *_waiting(), *_disturbed(), *_faults()]
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario at 9600 baud with an echoing far end, unless `more` says otherwise."""
    device = more.pop("device", {})
    console = {"kind": "serial_basic", "at": 0x4000_2000, "irq": 6, **device}
    board = {"name": "tide gauge", "devices": {_PORT: console}}
    return {
        "scenario": title, "board": board, "line": _SLOW, "far_end": "echo", **more,
        "do": list(steps),
    }  # fmt: skip


def _exchange(data: Any = _TEXT, count: int = len(_TEXT), **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"exchange": {"send": data, "receive": count}, **more}


def _rates() -> Iterator[dict[str, Any]]:
    """Rates, clocks, and the controller that moves four bytes an access."""
    for line in ("9600 8N1", "1200 8N1", "38400 8N1", "115200 8N1"):
        yield _body(f"one message each way at {line}", "open", _exchange(), "drain", line=line)
    yield _body("a clock that no baud rate divides", "open", _exchange(),
                device={"clock": "20 MHz"})  # fmt: skip
    yield _body("another rate between two messages", "open", _exchange(), {"line": "4800 8N1"},
                _exchange(), {"line": "19200 8N1"}, _exchange())  # fmt: skip
    wide = {"bytes": 4}
    yield _body("four bytes an access", "open", _exchange(), "drain", device=wide)
    yield _body("four bytes an access, all lengths", "open",
                *(_exchange({"count": size}, size) for size in range(1, 10)), "drain",
                device=wide)  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the controller may be found."""
    for seed in (1, 2, 3, 4, 5, 6):
        faults = [{"kind": "random-state", "target": _PORT}]
        yield _body(f"a random state, number {seed}", "open", _exchange(), faults=faults, seed=seed)
    yield _body("closed and opened again", "open", _exchange(), "reopen", _exchange(), "reopen",
                _exchange(), "close", {"close": "again"})  # fmt: skip
    talking = {"kind": "source", "data": {"count": 60}, "start": "1 ms"}
    yield _body("closed in the middle of traffic", "open", {"wait": "10 ms"}, {"close": "now"},
                "open", {"receive": 10}, {"send": _TEXT}, {"close": "now"}, "open",
                far_end=talking)  # fmt: skip


def _traffic() -> Iterator[dict[str, Any]]:
    """Bursts, long blocks, both directions, and nobody who reads."""
    long = {"kind": "source", "data": {"count": 300}, "start": "1 ms"}
    yield _body("300 bytes each way at once", "open",
                {"exchange": {"send": {"count": 300}, "receive": 300}}, far_end=long)  # fmt: skip
    yield _body("one long block out", "open", {"send": {"count": 400}, "timeout": "150 ms"},
                "drain", far_end="sink")  # fmt: skip
    yield _body("a block out, closed at once", "open", {"send": {"count": 40}}, "close",
                far_end="sink")  # fmt: skip
    yield _body("every byte value", "open", _exchange({"count": 256}, 256))
    yield _body("small pieces", "open", _exchange({"count": 40}, 40, chunk=1))
    flood = {"kind": "source", "data": {"count": 500}, "start": "1 ms"}
    yield _body("nobody reads for half a second", "open", {"wait": "530 ms"}, {"receive": "all"},
                far_end=flood)  # fmt: skip


def _waiting() -> Iterator[dict[str, Any]]:
    """Time-outs: short, none, and for what never comes."""
    yield _body("nothing ever comes", "open", {"receive": 5, "timeout": "5 ms"}, far_end="sink")
    yield _body("a write that cannot be done in time", "open",
                {"send": {"count": 60}, "timeout": "20 ms"}, "drain", far_end="sink",
                line="1200 8N1")  # fmt: skip
    yield _body("a drain that gives up", "open", {"send": {"count": 30}},
                {"drain": None, "timeout": "5 ms"}, "drain", far_end="sink")  # fmt: skip
    yield _body("without time-outs", "open", {"send": _TEXT, "timeout": "never"},
                {"receive": len(_TEXT), "timeout": "never"},
                {"drain": None, "timeout": "never"})  # fmt: skip


def _disturbed() -> Iterator[dict[str, Any]]:
    """Characters without their stop bit."""
    wrong = {"kind": "source", "data": {"repeat": _TEXT, "times": 3}, "start": "1 ms",
             "baud_error": "+8 %"}  # fmt: skip
    yield _body("the far end at the wrong rate", "open", {"receive": "all", "timeout": "20 ms"},
                far_end=wrong)  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults for a while, and traffic after them."""
    line, when = f"{_PORT}.irq", {"from": "5 ms", "until": "30 ms"}
    for title, fault in (
        ("interrupts for nothing", {"kind": "spurious-interrupt", "target": line,
                                    "every": "700 us", **when}),
        ("causes that vanish", {"kind": "withdrawn-interrupt", "target": line, **when}),
        ("interrupts held back", {"kind": "cpu-masked", "target": "cpu", "from": "6 ms",
                                  "duration": "9 ms"}),
        ("the processor stands still", {"kind": "cpu-stalled", "target": "cpu", "from": "6 ms",
                                        "duration": "9 ms"}),
        ("glitches", {"kind": "noise", "target": f"{_PORT}.sin", **when}),
    ):  # fmt: skip
        yield _body(f"fault: {title}", "open", _exchange({"count": 40}, 40, timeout="60 ms"),
                    {"wait": "20 ms"}, "close", "open", _exchange("once more\r\n", 11),
                    faults=[fault])  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short traffic, at every timing."""
    fast = "115200 8N1"
    yield _body("a few bytes each way, at every timing", "open", _exchange("tide", 4), "drain",
                line=fast)  # fmt: skip
    yield _body("sent and closed, at every timing", "open", {"send": "3.21"}, "close", "open",
                {"send": "m"}, "drain", far_end="sink", line=fast)  # fmt: skip
    source = {"kind": "source", "data": {"count": 6}, "start": "200 us"}
    yield _body("received, at every timing", "open", {"receive": 6}, far_end=source, line=fast)
    yield _body("another task calls, at every timing", "open", {"send": {"count": 5}},
                {"receive": 5}, line=fast, callers=["write", "close"])  # fmt: skip
