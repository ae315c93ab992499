"""What a driver of clocks is tried with: blocks by turns and together, settling, faults, timings.

The one idea: all blocks share two registers, so whatever is asked for one is asked while others
run, and while another task asks for its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

from emu.search.bout import Bout
from emu.search.usual_faults import Moments, usual_faults

__all__ = ["clock_suite"]

_PORT = "power"
_BLOCKS: dict[str, dict[str, Any]] = {
    "console": {"kind": "uart16550", "at": 0x4000_1000, "irq": 5},
    "sampling": {"kind": "timer", "at": 0x4000_2000, "irq": 7},
    "seal": {"kind": "checksum_engine", "at": 0x4000_3000},
    "panel": {"kind": "gpio", "at": 0x4000_4000, "irq": 9},
    "ticks": {"kind": "mtimer", "at": 0x0200_0000, "irq": 11},
}
_EVERY = range(len(_BLOCKS))
_HELPLESS = ("spurious-interrupt", "withdrawn-interrupt", "lost-interrupt", "delayed-interrupt")


def clock_suite() -> list[Bout]:
    """Return all bouts for a driver of clocks, in the order in which they are tried."""
    plain = [*_turns(), *_counts(), *_resets(), *_settling(), *_starts(), *_faults()]
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario on a gate with five blocks, with settings of the gate among `more`.

    A call waits for 10 ms, unless `more` says otherwise.
    """
    own: dict[str, Any] = {key: more.pop(key) for key in ("settle", "clock") if key in more}
    gate: dict[str, Any] = {
        "kind": "clock_gate",
        "at": 0x4000_0000,
        "blocks": ", ".join(_BLOCKS),
        **own,
    }
    board = {"name": "tide gauge", "devices": {_PORT: gate, **deepcopy(_BLOCKS)}}
    limits = {"call": more.pop("call", "10 ms")}
    done = [deepcopy(one) for one in steps]
    return {"scenario": title, "board": board, "port": _PORT, **more, "limits": limits, "do": done}


def _on(block: int, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"enable": block, **more}


def _off(block: int) -> dict[str, Any]:
    return {"disable": block}


def _reset(block: int, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"reset": block, **more}


def _turns() -> Iterator[dict[str, Any]]:
    """Each block alone, all of them together, and in another order off than on."""
    yield _body("each block in turn", "open",
                *(step for one in _EVERY for step in (_on(one), _off(one))))  # fmt: skip
    yield _body("all blocks together", "open", *map(_on, _EVERY), *map(_off, _EVERY),
                *map(_on, reversed(_EVERY)), *map(_off, _EVERY))  # fmt: skip
    yield _body("one after the other, overlapping", "open", _on(0), _on(1), _off(0), _on(2),
                _off(1), _on(0), _on(4), _off(2), _off(4), _off(0))  # fmt: skip
    yield _body("blocks that cannot be there", "open", _on(1), _on(32), _off(33), _reset(40),
                _on(63), _off(1))  # fmt: skip


def _counts() -> Iterator[dict[str, Any]]:
    """Blocks that several need, and those that are let go of too often."""
    yield _body("needed by three", "open", _on(1), _on(1), _on(0), _on(1), _off(1), _off(0),
                _off(1), _on(2), _off(1), _off(2))  # fmt: skip
    yield _body("let go of too often", "open", _off(0), _on(0), _off(0), _off(0), _off(0), _on(0),
                _on(1), _off(0), _off(1), _off(1), _on(1), _on(0))  # fmt: skip
    yield _body("needed again and again", "open", *[_on(2), _on(2), _off(2), _off(2)] * 4)


def _resets() -> Iterator[dict[str, Any]]:
    """Resets of a block among others, and of such as are not enabled."""
    yield _body("reset among others", "open", _on(0), _on(1), _on(2), _reset(1), _reset(1),
                _reset(0), _off(1), _reset(2), _off(0))  # fmt: skip
    yield _body("reset of a block that several need", "open", _on(3), _on(3), _on(4), _reset(3),
                _off(3), _reset(3), _off(4), _off(3))  # fmt: skip
    yield _body("reset of what is not enabled", "open", _reset(0), _on(0), _off(0), _reset(0),
                _on(0), _reset(0))  # fmt: skip


def _settling() -> Iterator[dict[str, Any]]:
    """Blocks that answer at once, soon, and late, and callers that wait too short."""
    for settle, clock in ((0, "10 MHz"), (1, "10 MHz"), (1000, "10 MHz"), (8, "32768 Hz"),
                          (20_000, "10 MHz")):  # fmt: skip
        yield _body(f"settling takes {settle} cycles of {clock}", "open", _on(0), _on(2), _on(0),
                    _reset(0), _off(2), _on(2), _off(0), _reset(2), settle=settle,
                    clock=clock)  # fmt: skip
    short = {"timeout": "100 us"}
    yield _body("callers that wait too short", "open", _on(0), _on(1, **short), _off(1), _on(1),
                _reset(0, **short), {"wait": "3 ms"}, _on(2, **short), _on(0), _off(0), _off(0),
                _on(2), settle=10_000)  # fmt: skip


def _life() -> list[Any]:
    """Return steps that use everything once."""
    return [_on(0), _on(1), _on(1), _reset(0), _off(1), {"wait": "500 us"}, _on(2), _off(0),
            _reset(1), _off(1), {"wait": "500 us"}]  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the gate may be found, and ways to open and close."""
    for seed in range(1, 9):
        faults = [{"kind": "random-state", "target": _PORT}]
        yield _body(f"a random state, number {seed}", "open", *_life(), _on(3), _off(3),
                    faults=faults, seed=seed)  # fmt: skip
    yield _body("closed and opened again", "open", *_life(), "reopen", _on(2), _off(2), *_life(),
                "close", {"wait": "1 ms"}, "open", *_life())  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults, and the same asked for once more after them."""
    when, held = {"from": "100 us", "until": "3 ms"}, {"from": "100 us", "duration": "900 us"}
    moments = Moments(when, "130 us", held, when, "700 us")
    usual = usual_faults(_PORT, moments)
    for title, fault in (
        *(one for one in usual if one[1]["kind"] not in _HELPLESS),
        ("a block that never answers", {"kind": "never-ready", "target": f"{_PORT}.READY.CONSOLE"}),
        ("a block that answers late", {"kind": "late-ready", "target": f"{_PORT}.READY.SAMPLING",
                                       "reads": 20, **when}),
    ):  # fmt: skip
        yield _body(f"fault: {title}", "open", *_life(), {"wait": "3 ms"}, "reopen", *_life(),
                    faults=[fault], call="1 ms")  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short runs in which another task asks while the driver is at work."""
    callers = {"callers": ["enable", "disable"], "call": "200 us"}
    yield _body("another task while blocks start and stop, at every timing", "open", _on(0),
                _on(1), _off(0), _off(1), **callers)  # fmt: skip
    yield _body("another task during a reset, at every timing", "open", _on(1), _reset(1), _off(1),
                _on(0), **callers)  # fmt: skip
    yield _body("another task while a block settles, at every timing", "open", _on(2), _off(2),
                settle=200, **callers)  # fmt: skip
    yield _body("a block that several need, at every timing", "open", _on(0), _on(0), _off(0),
                _off(0), **callers)  # fmt: skip
