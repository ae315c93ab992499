"""What the driver of an interrupt controller is tried with: sources, priorities, masks, timings.

The one idea: sources ask again and again, so that one that never comes a second time is missed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emu.search.bout import Bout

__all__ = ["dispatch_suite"]

_PORT = "router"


def dispatch_suite() -> list[Bout]:
    """Return all bouts for such a driver, in the order in which they are tried."""
    plain = [*_sources(), *_masks(), *_deferred(), *_starts(), *_faults()]
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario on a controller with one context."""
    faults = {"faults": more.pop("faults")} if "faults" in more else {}
    seed = {"seed": more.pop("seed")} if "seed" in more else {}
    router = {"kind": "interrupt_controller", "at": 0x0C00_0000, "irq": 11, **more}
    board = {"name": "tide gauge", "devices": {_PORT: router}}
    return {"scenario": title, "board": board, **seed, **faults, "do": list(steps)}


def _attach(source: int, priority: int = 1, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"attach": source, "priority": priority, **more}


def _assert(*sources: int, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"assert": list(sources), **more}


_TIDE = (_attach(5, 3), _attach(7, 1), _attach(31, 2))


def _sources() -> Iterator[dict[str, Any]]:
    """One source, several, all of them, and those that come together."""
    yield _body("one source, once", "open", _attach(5), _assert(5), "close")
    yield _body("one source, many times", "open", _attach(5), _assert(5, times=20, gap="50 us"))
    yield _body("three sources in turn", "open", *_TIDE, _assert(7), _assert(31), _assert(5),
                _assert(7))  # fmt: skip
    for together in ((5, 7), (7, 31), (5, 7, 31)):
        names = ", ".join(map(str, together))
        yield _body(f"sources {names} at once", "open", *_TIDE, _assert(*together, times=3))
    every = [_attach(source, 1 + source % 7) for source in range(1, 32)]
    yield _body("every source", "open", *every, _assert(*range(1, 32), times=2))
    yield _body(
        "a source without a handler", "open", _attach(5), _assert(9), _assert(5), _assert(9)
    )
    yield _body("in quick succession", "open", *_TIDE, _assert(5, times=30, gap="6 us"),
                _assert(7, 5, times=30, gap="9 us"))  # fmt: skip


def _masks() -> Iterator[dict[str, Any]]:
    """Sources that are masked, let through again, and taken away."""
    yield _body("masked for a while", "open", *_TIDE, {"mask": 5}, _assert(5), _assert(7),
                {"unmask": 5}, {"wait": "1 ms"}, _assert(5))  # fmt: skip
    yield _body("masked and let through, with nothing there", "open", *_TIDE, {"mask": 7},
                {"unmask": 7}, _assert(7), {"mask": 7}, {"unmask": 7}, _assert(7))  # fmt: skip
    yield _body("taken away, and given again", "open", *_TIDE, _assert(5), {"detach": 5},
                _assert(5), _assert(7), _attach(5, 6), {"wait": "1 ms"}, _assert(5))  # fmt: skip


def _deferred() -> Iterator[dict[str, Any]]:
    """Handlers that mask their own source, and leave the rest to main code."""
    late = _attach(5, 3, deferred=True)
    yield _body("left to main code", "open", late, _assert(5), "serve", _assert(5), "serve",
                _assert(5), "serve")  # fmt: skip
    yield _body("left to main code, among others", "open", late, _attach(7, 1), _attach(31, 5),
                _assert(5, 7), _assert(31), "serve", _assert(5), _assert(7), "serve", _assert(5),
                "serve", _assert(7))  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the controller may be found."""
    for seed in (1, 2, 3, 4, 5, 6):
        faults = [{"kind": "random-state", "target": _PORT}]
        yield _body(f"a random state, number {seed}", "open", *_TIDE, _assert(5), _assert(7, 31),
                    faults=faults, seed=seed)  # fmt: skip
    yield _body("closed and opened again", "open", *_TIDE, _assert(5), "reopen", _assert(7), *_TIDE,
                _assert(5, 7), "reopen", _attach(7), _assert(7))  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults, and the same asked for once more after them."""
    line, when = f"{_PORT}.irq", {"from": "100 us", "until": "3 ms"}
    for title, fault in (
        ("interrupts for nothing", {"kind": "spurious-interrupt", "target": line,
                                    "every": "130 us", **when}),
        ("causes that vanish", {"kind": "withdrawn-interrupt", "target": line, **when}),
        ("interrupts that are late", {"kind": "delayed-interrupt", "target": line,
                                      "duration": "200 us", **when}),
        ("interrupts held back", {"kind": "cpu-masked", "target": "cpu", "from": "150 us",
                                  "duration": "900 us"}),
        ("the processor stands still", {"kind": "cpu-stalled", "target": "cpu", "from": "150 us",
                                        "duration": "900 us"}),
        ("the device does not answer", {"kind": "all-ones", "target": _PORT, **when}),
        ("bus errors", {"kind": "bus-error", "target": _PORT, **when}),
    ):  # fmt: skip
        yield _body(f"fault: {title}", "open", *_TIDE, _assert(5, times=4, gap="400 us"),
                    _assert(7), {"wait": "3 ms"}, "reopen", *_TIDE, _assert(5), _assert(7, 31),
                    faults=[fault])  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short runs in which a source asks while the driver is at work."""
    after = {"after": "2 us"}
    yield _body("two sources, at every timing", "open", _attach(5, 3), _attach(7),
                _assert(5, 7, times=2, gap="15 us"))  # fmt: skip
    yield _body("masked meanwhile, at every timing", "open", _attach(5, 3), _attach(7),
                _assert(7, times=6, gap="3 us", **after), {"mask": 5}, {"unmask": 5}, {"mask": 5},
                {"unmask": 5}, {"wait": "500 us"}, _assert(5), _assert(7))  # fmt: skip
    yield _body("a handler masks while main code does, at every timing", "open",
                _attach(5, 3, deferred=True), _attach(7), _assert(5, **after), {"mask": 7},
                {"unmask": 7}, {"mask": 7}, {"unmask": 7}, {"wait": "300 us"}, "serve", _assert(7),
                _assert(5), "serve")  # fmt: skip
    yield _body("left to main code, at every timing", "open", _attach(5, 3, deferred=True),
                _assert(5), "serve", _assert(5), "serve")  # fmt: skip
