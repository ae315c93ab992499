"""What a driver of pins is tried with: every pin, both idle levels, edges, faults, timings.

The one idea: a level that nobody asked for shows only where the outside has the other one, and an
edge is lost only where another comes just then. So whatever is tried is tried with both.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

from emu.search.bout import Bout
from emu.search.usual_faults import Moments, usual_faults

__all__ = ["pin_suite"]

_PORT = "panel"
_PINS = 16
_FLOAT, _LAMP, _POWER, _RADIO = 3, 5, 7, 9  # a float switch, and what it and the program switch


def pin_suite() -> list[Bout]:
    """Return all bouts for a driver of pins, in the order in which they are tried."""
    plain = [*_levels(), *_watches(), *_followers(), *_starts(), *_faults()]
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario on pins whose outside idles at 1, unless `more` says otherwise.

    Each step is a copy of its own, so that in a file none stands for another.
    """
    device = {"kind": "gpio", "at": 0x4000_3000, "irq": 9, "idle": more.pop("idle", 1)}
    board = {"name": "tide gauge", "devices": {_PORT: device}}
    return {"scenario": title, "board": board, **more, "do": [deepcopy(one) for one in steps]}


def _output(pin: int, level: int, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"output": pin, "level": level, **more}


def _set(pin: int, level: int) -> dict[str, Any]:
    return {"set": pin, "level": level}


def _watch(pin: int, edge: str = "both") -> dict[str, Any]:
    return {"watch": pin, "edge": edge}


def _pulse(pin: int, length: str = "20 us", **more: Any) -> dict[str, Any]:  # noqa: ANN401
    return {"pulse": pin, "length": length, **more}


def _levels() -> Iterator[dict[str, Any]]:
    """Outputs and inputs, and what they pass through on the way."""
    for idle in (1, 0):
        each = [
            step
            for pin in range(_PINS)
            for step in (_output(pin, pin % 2), {"get": pin}, _set(pin, 1 - pin % 2), {"get": pin})
        ]
        yield _body(f"every pin an output, idle at {idle}", "open", *each,
                    *({"input": pin} for pin in range(_PINS)), idle=idle)  # fmt: skip
        both = [_output(pin, level) for pin in (0, _LAMP, 15) for level in (0, 1, 1, 0, 0, 1)]
        again = [
            step
            for level in (1, 0, 0, 1, 1)
            for step in (_output(_POWER, level), {"input": _POWER}, {"get": _POWER})
        ]
        yield _body(f"the same pin again, idle at {idle}", "open", *both, *again, idle=idle)
        ways = [_output(_LAMP, level, open_drain=drain)
                for level in (0, 1) for drain in (True, False)]  # fmt: skip
        drains = [step for one in ways for other in ways for step in (one, other)]
        shared = [_set(_LAMP, 1), {"get": _LAMP}, {"drive": _LAMP, "level": 1 - idle},
                  {"get": _LAMP}, _set(_LAMP, 0), {"get": _LAMP}, _set(_LAMP, 1)]  # fmt: skip
        yield _body(f"open drain, idle at {idle}", "open", *drains, *shared, {"input": _LAMP},
                    *drains[2:], idle=idle)  # fmt: skip
    reads = [step for pin in range(_PINS)
             for step in ({"drive": pin, "level": pin % 3 % 2}, {"get": pin})]  # fmt: skip
    yield _body("every pin read", "open", *reads, *({"get": pin} for pin in range(_PINS)))
    yield _body("pins that are not there", "open", _output(16, 1), {"input": 17}, _set(16, 0),
                {"get": 31}, _watch(16), {"edges": 16}, {"follow": 16, "target": _LAMP},
                {"follow": _FLOAT, "target": 16}, _output(0, 1), {"get": 0})  # fmt: skip


def _watches() -> Iterator[dict[str, Any]]:
    """Edges of each kind, alone and many at once, and those that came too early."""
    for edge in ("rising", "falling", "both"):
        for idle in (1, 0):
            yield _body(f"{edge} edges, idle at {idle}", "open", _watch(_FLOAT, edge),
                        _pulse(_FLOAT, times=5, gap="100 us"), {"wait": "1 ms"}, {"edges": _FLOAT},
                        _pulse(_FLOAT, "150 us"), {"wait": "80 us"}, {"edges": _FLOAT},
                        {"wait": "1 ms"}, {"edges": _FLOAT}, idle=idle)  # fmt: skip
        early = [{"drive": _FLOAT, "level": level} for level in (0, 1, 0, 1)]
        yield _body(f"{edge} edges before the watch", "open", *early, _watch(_FLOAT, edge),
                    {"wait": "1 ms"}, {"edges": _FLOAT}, *early, {"wait": "1 ms"},
                    {"edges": _FLOAT}, _watch(_FLOAT, edge), {"wait": "1 ms"}, {"edges": _FLOAT},
                    *early, _watch(_FLOAT, edge), {"edges": _FLOAT})  # fmt: skip
    for first, then in (("both", "rising"), ("both", "falling"), ("rising", "falling"),
                        ("falling", "rising"), ("rising", "both")):  # fmt: skip
        for idle in (1, 0):
            yield _body(f"{first} edges, then {then}, idle at {idle}", "open",
                        _watch(_FLOAT, first), _pulse(_FLOAT, times=2, gap="100 us"),
                        {"wait": "1 ms"}, {"edges": _FLOAT}, _watch(_FLOAT, then),
                        _pulse(_FLOAT, times=3, gap="100 us"), {"wait": "1 ms"}, {"edges": _FLOAT},
                        idle=idle)  # fmt: skip
    for edge in ("rising", "falling"):
        yield _body(f"{edge} edges of a pin that was followed", "open",
                    {"follow": _FLOAT, "target": _LAMP}, _pulse(_FLOAT, times=2, gap="100 us"),
                    {"wait": "1 ms"}, _watch(_FLOAT, edge), _pulse(_FLOAT, times=3, gap="100 us"),
                    {"wait": "1 ms"}, {"edges": _FLOAT})  # fmt: skip
    pins = range(_PINS)
    yield _body("all pins watched", "open", *(_watch(pin) for pin in pins),
                *(_pulse(pin, "200 us", after=f"{40 * pin} us") for pin in pins),
                {"wait": "2 ms"}, *({"edges": pin} for pin in pins))  # fmt: skip
    yield _body("all pins at once", "open", *(_watch(pin, "rising") for pin in pins),
                *(_pulse(pin, "50 us", times=3, gap="150 us", after="1 ms") for pin in pins),
                {"wait": "3 ms"}, *({"edges": pin} for pin in pins))  # fmt: skip
    yield _body("bursts of edges", "open", _watch(_FLOAT), _watch(_RADIO, "falling"),
                _pulse(_FLOAT, "1 us", times=40), _pulse(_RADIO, "3 us", times=20),
                {"wait": "2 ms"}, {"edges": _FLOAT}, {"edges": _RADIO})  # fmt: skip
    close = [_pulse(one, "150 us", times=6, gap="150 us", after=f"{at} ns")
             for one, at in ((1, 0), (2, 400), (4, 900), (6, 1500))]  # fmt: skip
    yield _body("edges close to each other", "open", *(_watch(one) for one in (1, 2, 4, 6)),
                *close, {"wait": "3 ms"}, *({"edges": one} for one in (1, 2, 4, 6)))  # fmt: skip
    own = [step for level in (1, 0, 0, 1) for step in (_set(_LAMP, level), {"wait": "200 us"})]
    yield _body("edges of an output", "open", _output(_LAMP, 0), _watch(_LAMP, "rising"), *own,
                {"edges": _LAMP})  # fmt: skip


def _followers() -> Iterator[dict[str, Any]]:
    """Outputs that follow, and others that are set meanwhile."""
    follow = {"follow": _FLOAT, "target": _LAMP}
    for idle in (1, 0):
        sets = [step for level in (1, 0) * 6 for step in (_set(_POWER, level), {"wait": "37 us"})]
        yield _body(f"a lamp that follows a float, idle at {idle}", "open", _output(_POWER, 0),
                    follow, _pulse(_FLOAT, "90 us", times=12, gap="110 us"), *sets * 3,
                    {"wait": "1 ms"}, {"get": _LAMP}, idle=idle)  # fmt: skip
        yield _body(f"the end of following, idle at {idle}", "open", follow, _set(_LAMP, 1),
                    _pulse(_FLOAT), {"wait": "1 ms"}, {"get": _LAMP}, follow, _output(_LAMP, 0),
                    _pulse(_FLOAT), {"wait": "1 ms"}, follow, {"input": _LAMP}, _pulse(_FLOAT),
                    {"wait": "1 ms"}, follow, _watch(_FLOAT), _pulse(_FLOAT), {"wait": "1 ms"},
                    {"edges": _FLOAT}, idle=idle)  # fmt: skip
        yield _body(f"a lamp that was open drain, idle at {idle}", "open",
                    _output(_LAMP, 1, open_drain=True), follow, _pulse(_FLOAT, "300 us"),
                    {"wait": "150 us"}, {"get": _LAMP}, {"wait": "1 ms"}, idle=idle)  # fmt: skip
    yield _body("a float that moves fast", "open", follow,
                _pulse(_FLOAT, "2 us", times=30, gap="3 us"), {"wait": "1 ms"},
                _pulse(_FLOAT, "500 us"), {"wait": "300 us"}, {"get": _LAMP},
                {"wait": "1 ms"})  # fmt: skip
    yield _body("two lamps, and a pin that is watched", "open", follow,
                {"follow": _RADIO, "target": _POWER}, _watch(1, "rising"),
                _pulse(_FLOAT, "170 us", times=6, gap="170 us"),
                _pulse(_RADIO, "130 us", times=8, gap="130 us"),
                _pulse(1, "150 us", times=7, gap="150 us"), {"wait": "4 ms"},
                {"edges": 1})  # fmt: skip


def _life(idle: int) -> list[Any]:
    """Return steps that use everything once."""
    return [
        _output(_POWER, idle), {"get": _POWER}, _output(_RADIO, 1 - idle), _watch(_FLOAT, "both"),
        _pulse(_FLOAT, "150 us", times=2), {"wait": "700 us"}, {"edges": _FLOAT},
        {"follow": 1, "target": _LAMP}, _pulse(1, "250 us"), {"wait": "1 ms"}, {"edges": _FLOAT},
        _set(_POWER, 1 - idle), {"wait": "500 us"},
    ]  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the pins may be found, and ways to open and close."""
    for seed in range(1, 9):
        faults = [{"kind": "random-state", "target": _PORT}]
        idle = seed % 2
        every = range(_PINS)
        falling = [*(_watch(pin, "falling") for pin in every), *(_pulse(pin) for pin in every),
                   {"wait": "1 ms"}, *({"edges": pin} for pin in every)]  # fmt: skip
        yield _body(f"a random state, number {seed}", "open", *falling, *_life(idle),
                    faults=faults, seed=seed, idle=idle)  # fmt: skip
    for idle in (1, 0):
        pins = [step for pin in range(_PINS) for step in (_output(pin, pin % 2), _watch(pin))]
        yield _body(f"closed and opened again, idle at {idle}", "open", *_life(idle), "reopen",
                    *_life(idle), *pins, "reopen", *_life(1 - idle), "reopen", "close", "open",
                    {"get": _FLOAT}, idle=idle)  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults, and the same asked for once more after them."""
    when, held = {"from": "200 us", "until": "3 ms"}, {"from": "300 us", "duration": "900 us"}
    moments = Moments(when, "130 us", held, when, "1.2 ms")
    for title, fault in (
        *usual_faults(_PORT, moments),
        ("nothing ever pending", {"kind": "stuck-field", "target": f"{_PORT}.PENDING.PIN",
                                  "value": 0, **when}),
        ("pins that read as one", {"kind": "stuck-field", "target": f"{_PORT}.IN.PIN",
                                   "value": 0xFFFF, **when}),
    ):  # fmt: skip
        yield _body(f"fault: {title}", "open", *_life(1), {"wait": "2 ms"}, "reopen", *_life(1),
                    faults=[fault])  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short runs in which an edge comes, or another task, while the driver is at work."""
    follow = {"follow": _FLOAT, "target": _LAMP}
    yield _body("an output set while a lamp follows, at every timing", "open", _output(_POWER, 0),
                follow, _pulse(_FLOAT, "40 us", times=3), _set(_POWER, 1), _set(_POWER, 0),
                _output(_RADIO, 1), {"input": _RADIO}, {"wait": "300 us"})  # fmt: skip
    yield _body("two pins that are watched, at every timing", "open", _watch(1, "rising"),
                _watch(2), _pulse(1, "8 us", times=2), _pulse(2, "7 us", times=2, after="1 us"),
                {"wait": "300 us"}, {"edges": 1}, {"edges": 2})  # fmt: skip
    yield _body("a watch that begins among edges, at every timing", "open",
                _pulse(_FLOAT, "3 us", times=4), _watch(_FLOAT, "rising"), {"wait": "200 us"},
                {"edges": _FLOAT})  # fmt: skip
    once = _pulse(_FLOAT, "20 ms", after="40 us")
    yield _body("one edge as a watch begins, at every timing", "open", once,
                _watch(_FLOAT, "rising"), {"wait": "300 us"}, {"edges": _FLOAT})  # fmt: skip
    yield _body("one edge as following begins, at every timing", "open", once, follow,
                {"wait": "300 us"}, {"get": _LAMP})  # fmt: skip
    yield _body("following that ends among edges, at every timing", "open", follow,
                _pulse(_FLOAT, "6 us", times=6), {"get": _LAMP}, _set(_LAMP, 1),
                {"wait": "200 us"}, {"get": _LAMP})  # fmt: skip
    for idle in (1, 0):
        yield _body(f"another task at every timing, idle at {idle}", "open", _output(_POWER, 0),
                    _set(_POWER, 1), _set(_POWER, 0), _watch(_FLOAT), {"input": _POWER}, follow,
                    {"get": _LAMP}, callers=["set", "output"], idle=idle)  # fmt: skip
