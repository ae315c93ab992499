"""What a copy driver is tried with: sizes, slow engines, errors, aborts, chains, faults, timings.

The one idea: transfers follow each other, so that what one leaves behind, in the engine or in the
memory, shows in the next.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emu.search.bout import Bout
from emu.search.usual_faults import Moments, usual_faults

__all__ = ["copy_suite"]

_PORT = "mover"
_SIZE = 0x4000
_SLOW = {"clock": "200 kHz"}  # an item takes as long as 25 accesses
_SLOWEST = {"clock": "200 kHz", "burst": 16}


def copy_suite() -> list[Bout]:
    """Return all bouts for a copy driver, in the order in which they are tried."""
    plain = [
        *_sizes(), *_errors(), *_background(), *_chains(), *_starts(), *_faults(), *_stopped(),
        *_largest(),
    ]  # fmt: skip
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario on an engine at 10 MHz with 16 KiB, unless `more` says otherwise."""
    faults = {"faults": more.pop("faults")} if "faults" in more else {}
    seed = {"seed": more.pop("seed")} if "seed" in more else {}
    log = {"kind": "ram", "at": 0x2000_0000, "size": more.pop("size", _SIZE)}
    mover = {"kind": "dma", "at": 0x4000_3000, "irq": 7, "beside": ["log"], **more}
    board = {"name": "tide gauge", "devices": {_PORT: mover, "log": log}}
    return {"scenario": title, "board": board, **seed, **faults, "do": list(steps)}


def _piece(size: int, source: int = 0x800, destination: int = 0x2000) -> dict[str, int]:
    return {"from": source, "to": destination, "size": size}


def _copy(size: int, source: int = 0x800, destination: int = 0x2000, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"copy": _piece(size, source, destination), **more}


def _start(size: int, source: int = 0x800, destination: int = 0x2000) -> dict[str, Any]:
    return {"start": _piece(size, source, destination)}


def _chain(*pieces: dict[str, int], **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"chain": list(pieces), **more}


_OTHER = _piece(40, 0x1000, 0x3000)
_THREE = (_piece(24), _piece(7, 0x901, 0x2103), _piece(32, 0xA00, 0x2200))


def _sizes() -> Iterator[dict[str, Any]]:
    """Small and middling sizes, at all alignments."""
    yield _body("one copy", "open", _copy(64), "close")
    yield _body("the same copy again", "open", *[_copy(100)] * 3)
    yield _body("the smallest sizes", "open", *(_copy(size) for size in range(10)))
    for source in range(4):
        steps = [
            _copy(size, 0x800 + source, 0x2000 + destination)
            for destination in range(4)
            for size in (1, 2, 6, 13)
        ]
        yield _body(f"sources {source} bytes off a word", "open", *steps)
    yield _body("buffers close to each other", "open", _copy(32, 0x800, 0x820),
                _copy(32, 0x820, 0x800), _copy(8, 0x400, 0x3FF8))  # fmt: skip


def _errors() -> Iterator[dict[str, Any]]:
    """Bus errors at the first item, at a later one, and at the last, and a copy after each."""
    for at in (0, 4, 20, 60):
        yield _body(f"a source that ends after {at} bytes", "open", _copy(64, _SIZE - at),
                    _copy(16))  # fmt: skip
        yield _body(f"a destination that ends after {at} bytes", "open",
                    _copy(64, 0x800, _SIZE - at), _copy(16))  # fmt: skip
    yield _body("an error in the background", "open", _start(64, _SIZE - 24), "done", "abort",
                _start(64), "done", "abort")  # fmt: skip
    yield _body("an error in a chain", "open", _chain(_piece(24), _piece(64, _SIZE - 24, 0x2100)),
                _chain(*_THREE))  # fmt: skip


def _background() -> Iterator[dict[str, Any]]:
    """Transfers that are begun, and ended or aborted at every stage; a second start meanwhile."""
    for title, pace in (("", {}), (" on a slow engine", _SLOW), (" in long bursts", _SLOWEST)):
        yield _body(f"begun and done{title}", "open", _start(50), "done", "abort", _start(33),
                    "done", "abort", **pace)  # fmt: skip
        yield _body(f"begun twice{title}", "open", _start(200), {"start": _OTHER}, "done",
                    {"start": _OTHER}, "done", "abort", **pace)  # fmt: skip
        looks = [{"wait": "90 us"}, {"done": None, "timeout": "0 s"}] * 2
        yield _body(f"looked at again and again{title}", "open", _start(64), *looks, "done",
                    _start(64), "done", **pace)  # fmt: skip
        size = 64 if pace else 2000
        stages = [
            step
            for wait_us in (0, 10, 40, 90, 170, 300, 500)
            for step in (_start(size), {"wait": f"{wait_us} us"}, "abort")
        ]
        yield _body(f"aborted at every stage{title}", "open", *stages, _copy(20), **pace)
    late = [_start(400), {"wait": "50 us"}, "abort"]
    yield _body("aborted, and begun elsewhere", "open", _start(400), "abort", {"start": _OTHER},
                "done", "abort", *late, _copy(12), **_SLOWEST)  # fmt: skip
    yield _body("closed in the middle", "open", _start(400), {"wait": "60 us"}, "close", "open",
                _copy(40), **_SLOWEST)  # fmt: skip
    yield _body("too little time, then enough", "open", _copy(400, timeout="300 us"), _copy(40),
                _copy(400, timeout="0 s"), _copy(40, 0x801), **_SLOWEST)  # fmt: skip


def _chains() -> Iterator[dict[str, Any]]:
    """Chains of one and of many, short ones after long ones, and too little time for one."""
    yield _body("a chain of one", "open", _chain(_piece(40)), _chain(_piece(5, 0x801, 0x2002)))
    yield _body("three pieces", "open", _chain(*_THREE), _chain(*_THREE))
    yield _body("nothing to move in a chain", "open", _chain(_piece(0)),
                _chain(_piece(8), _piece(0, 0x900, 0x2100), _piece(9, 0xA00, 0x2200)))  # fmt: skip
    many = [_piece(3 + 5 * one, 0x800 + 0x80 * one, 0x2001 + 0x80 * one) for one in range(16)]
    yield _body("sixteen pieces, then two", "open", _chain(*many), _chain(*many[3:5]),
                _chain(*many))  # fmt: skip
    for title, pace in (("slow engine", _SLOW), ("long bursts", _SLOWEST)):
        yield _body(f"chains and copies: {title}", "open", _chain(*_THREE), _copy(20),
                    _chain(*_THREE[1:]), **pace)  # fmt: skip
        short = _chain(*_THREE, timeout="150 us")
        yield _body(f"a chain that takes too long: {title}", "open", short, _chain(*_THREE[:2]),
                    _copy(9), **pace)  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the engine may be found."""
    for seed in (1, 2, 3, 4, 5, 6):
        faults = [{"kind": "random-state", "target": _PORT}]
        yield _body(f"a random state, number {seed}", "open", _copy(30), _chain(*_THREE),
                    _start(9), "done", faults=faults, seed=seed)  # fmt: skip
    yield _body("closed and opened again", "open", _copy(30), "reopen", _chain(*_THREE), "reopen",
                _start(30), "done", "reopen", _copy(30))  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults, and the same asked for once more after them."""
    when, away = {"from": "0 s", "until": "12 ms"}, {"from": "40 us", "until": "12 ms"}
    moments = Moments(when, "30 us", {"from": "50 us", "duration": "900 us"}, away, "60 us")
    for title, fault in (
        *usual_faults(_PORT, moments),
        ("never done", {"kind": "never-ready", "target": f"{_PORT}.STATUS0.DONE", **when}),
        ("always busy", {"kind": "stuck-field", "target": f"{_PORT}.STATUS0.BUSY", "value": 1,
                         **when}),
        ("the device stops", {"kind": "device-stops", "target": _PORT, "from": "40 us",
                              "until": "12 ms"}),
        ("a lost start", {"kind": "dropped-write", "target": f"{_PORT}.CONTROL0", "first": 2,
                          "count": 1}),
    ):  # fmt: skip
        yield _body(f"fault: {title}", "open", _copy(100, timeout="5 ms"),
                    _chain(*_THREE, timeout="5 ms"), _start(60), {"done": None, "timeout": "3 ms"},
                    "abort", {"wait": "6 ms"}, "reopen", _copy(60), _chain(*_THREE), _start(40),
                    "done", "abort", faults=[fault], **_SLOW)  # fmt: skip


def _stopped() -> Iterator[dict[str, Any]]:
    """An engine that stands still from some moment on."""
    fault = {"kind": "device-stops", "target": _PORT, "from": "40 us"}
    yield _body("fault: the engine stops for good", "open", _copy(100, timeout="1 ms"), "close",
                faults=[fault], **_SLOW)  # fmt: skip


def _largest() -> Iterator[dict[str, Any]]:
    """Sizes around the most that COUNT can say."""
    for size in (65535, 65536):
        yield _body(f"{size} bytes, one by one", "open", _copy(size, 0x401, 0x11000),
                    size=0x22000)  # fmt: skip
    size = 2 * 65535 + 3
    yield _body(f"{size} bytes, two by two", "open", _start(size, 0x402, 0x21000), "done", "abort",
                size=0x42000)  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short runs in which the engine finishes, fails or is stopped while the driver is at work."""
    yield _body("two copies, at every timing", "open", _copy(8), _copy(5, 0x801, 0x2000))
    yield _body("begun and aborted, at every timing", "open", _start(24), "abort", _start(8),
                "done", "abort")  # fmt: skip
    yield _body("begun twice, at every timing", "open", _start(11), {"start": _OTHER}, "done",
                {"start": _OTHER}, "done")  # fmt: skip
    yield _body("a chain, at every timing", "open", _chain(*_THREE[:2]), _chain(_piece(8)))
    yield _body("given up, then another, at every timing", "open", _copy(40, timeout="60 us"),
                _copy(8), **_SLOW)  # fmt: skip
    yield _body("an error, at every timing", "open", _copy(16, _SIZE - 8), _copy(8))
