"""What a checksum driver is tried with: checks, lengths, slow engines, starts, faults, timings.

The one idea: messages follow each other, so that what one leaves behind shows in the next.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emu.search.bout import Bout
from emu.search.usual_faults import Moments, usual_faults

__all__ = ["checksum_suite"]

_PORT = "seal"
_TEXT = "123456789"
# Name, width, poly, init, refin, refout, xorout. Source: Catalogue of parametrised CRC algorithms,
# G. Cook; each is checked against its published check value in tests/unit/test_checksum_engine.py.
_CHECKS = (
    ("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, False, False, 0),
    ("CRC-16/MODBUS", 16, 0x8005, 0xFFFF, True, True, 0),
    ("CRC-8/SMBUS", 8, 0x07, 0, False, False, 0),
    ("CRC-32/MPEG-2", 32, 0x04C1_1DB7, 0xFFFF_FFFF, False, False, 0),
    ("CRC-5/USB", 5, 0x05, 0x1F, True, True, 0x1F),
    ("CRC-3/GSM", 3, 0x3, 0, False, False, 0x7),
    ("CRC-12/UMTS", 12, 0x80F, 0, False, True, 0),
)


def checksum_suite() -> list[Bout]:
    """Return all bouts for a checksum driver, in the order in which they are tried."""
    plain = [*_messages(), *_kinds(), *_paces(), *_starts(), *_faults()]
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario on an engine at 50 MHz, unless `more` says otherwise."""
    faults = {"faults": more.pop("faults")} if "faults" in more else {}
    seed = {"seed": more.pop("seed")} if "seed" in more else {}
    engine = {"kind": "checksum_engine", "at": 0x4000_3000, "irq": 9, **more}
    board = {"name": "tide gauge", "devices": {_PORT: engine}}
    return {"scenario": title, "board": board, **seed, **faults, "do": list(steps)}


def _compute(data: Any = _TEXT, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"compute": data, **more}


def _messages() -> Iterator[dict[str, Any]]:
    """Lengths of all kinds, one after another."""
    yield _body("one message", "open", _compute(), "close")
    yield _body("the same message again", "open", *[_compute()] * 3)
    sizes = (0, 1, 2, 3, 4, 5, 7, 8, 255, 256)
    yield _body("short messages", "open", *(_compute({"count": size}) for size in sizes))
    for size in (1023, 1024, 1025, 2048, 3001):
        yield _body(f"a message of {size} bytes", "open", _compute({"count": size}), _compute())


def _kinds() -> Iterator[dict[str, Any]]:
    """Checks of other widths and kinds, and back."""
    for name, width, poly, init, refin, refout, xorout in _CHECKS:
        kind = {"width": width, "poly": poly, "init": init, "refin": refin, "refout": refout,
                "xorout": xorout}  # fmt: skip
        yield _body(f"{name}, then CRC-32", "open", {"check": kind}, _compute(), _compute("tide"),
                    {"check": {}}, _compute())  # fmt: skip


def _paces() -> Iterator[dict[str, Any]]:
    """Engines that are slow, or faster than the processor looks; and time that is too short."""
    block = {"count": 600}
    for cycles in (40, 500):
        yield _body(f"{cycles} cycles a byte", "open", _compute(block), _compute(), cycles=cycles)
    yield _body("too little time, then enough", "open", _compute(block, timeout="2 ms"), _compute(),
                _compute(block), cycles=500)  # fmt: skip
    yield _body("no time at all", "open", _compute(block, timeout="0 s"), _compute(), cycles=200)
    yield _body("closed after too little time", "open", _compute(block, timeout="1 ms"), "close",
                "open", _compute(), cycles=500)  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the engine may be found."""
    for seed in (1, 2, 3, 4, 5, 6):
        faults = [{"kind": "random-state", "target": _PORT}]
        yield _body(f"a random state, number {seed}", "open", _compute(), _compute("tide"),
                    faults=faults, seed=seed, cycles=30)  # fmt: skip
    yield _body("closed and opened again", "open", _compute(), "reopen", _compute("tide"), "reopen",
                _compute())  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults, and the same asked for once more after them."""
    when, away = {"from": "0 s", "until": "12 ms"}, {"from": "40 us", "until": "12 ms"}
    moments = Moments(when, "30 us", {"from": "50 us", "duration": "900 us"}, away, "60 us")
    for title, fault in (
        *usual_faults(_PORT, moments),
        ("never done", {"kind": "never-ready", "target": f"{_PORT}.STATUS.DONE", **when}),
        ("always busy", {"kind": "stuck-field", "target": f"{_PORT}.STATUS.BUSY", "value": 1,
                         **when}),
        ("the device stops", {"kind": "device-stops", "target": _PORT, "from": "40 us",
                              "until": "12 ms"}),
        ("a lost start", {"kind": "dropped-write", "target": f"{_PORT}.CONTROL", "first": 3,
                          "count": 1}),
    ):  # fmt: skip
        block = {"count": 300}
        yield _body(f"fault: {title}", "open", _compute(block, timeout="8 ms"),
                    _compute(block, timeout="8 ms"), {"wait": "6 ms"}, "reopen", _compute(),
                    _compute(block), faults=[fault], cycles=100)  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short runs in which the engine finishes while the driver is at work."""
    yield _body("two messages, at every timing", "open", _compute(), _compute("tide"), cycles=10)
    yield _body("given up, then another, at every timing", "open",
                _compute({"count": 24}, timeout="30 us"), _compute("tide"), cycles=400)  # fmt: skip
    yield _body("two blocks, at every timing", "open", _compute({"count": 1030}), cycles=1)
