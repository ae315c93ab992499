"""What a watchdog driver is tried with: times, windows, locks, causes, starts, faults, timings.

The one idea: whatever is set up is proved from outside, by letting it bite. So each bout feeds for
a while, then starves it or lets another program at it, and asks the new driver for the cause.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

from emu.search.bout import Bout
from emu.search.usual_faults import Moments, usual_faults

__all__ = ["watchdog_suite"]

_PORT = "guard"
_CLOCK_HZ = 32_768
_NS_PER_S = 10**9
_LONGEST = 2**32 - 1


def watchdog_suite() -> list[Bout]:
    """Return all bouts for a watchdog driver, in the order in which they are tried."""
    plain = [
        *_times(), *_windows(), *_changes(), *_locks(), *_causes(), *_starts(), *_faults(),
    ]  # fmt: skip
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario on a watchdog with its usual clock, unless `more` says otherwise."""
    device = {"kind": "watchdog", "at": 0x4000_7000}
    if "clock" in more:
        device["clock"] = more.pop("clock")
    board = {"name": "tide gauge", "devices": {_PORT: device}}
    return {"scenario": title, "board": board, **more, "do": [deepcopy(one) for one in steps]}


def _wait(ticks: float, clock_hz: int = _CLOCK_HZ) -> dict[str, Any]:
    """Return a wait of so many ticks."""
    return {"wait": f"{round(ticks * _NS_PER_S / clock_hz)} ns"}


def _guard(timeout: int, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"guard": timeout, **more}


def _starved(ticks: float) -> list[Any]:
    """Return steps that starve it, and ask the next driver why the board was reset."""
    return [_wait(ticks), "open", "causes"]


def _times() -> Iterator[dict[str, Any]]:
    """Times from one tick to the longest, fed until just before they are over, then starved."""
    for timeout in (1, 2, 3, 5):
        yield _body(f"bitten after {timeout} ticks", "open", _guard(timeout), *_starved(9))
    for timeout in (40, 100, 4000):
        fed = [step for _ in range(4) for step in (_wait(timeout - 6), "feed")]
        yield _body(f"fed for {timeout} ticks, then starved", "open", "causes", _guard(timeout),
                    *fed, *_starved(timeout + 1))  # fmt: skip
    yield _body("the longest time", "open", _guard(_LONGEST), "feed", _wait(9000), "feed",
                "close", _wait(9000))  # fmt: skip
    yield _body("the longest time, starved", "open", _guard(_LONGEST), *_starved(_LONGEST + 9))
    yield _body("starved from the start", "open", _guard(50), *_starved(60), _guard(50), "feed",
                *_starved(60))  # fmt: skip
    yield _body("a fast clock", "open", _guard(2000, opens=700), _wait(1200, 1_000_000), "feed",
                _wait(300, 1_000_000), "feed", _wait(900, 1_000_000), "feed",
                _wait(2500, 1_000_000), "open", "causes", clock="1 MHz")  # fmt: skip
    yield _body("nothing guarded", "open", "feed", _wait(40_000), "feed", "causes")
    wrong = [_guard(0), _guard(2**32), _guard(10, opens=10), _guard(10, opens=11),
             _guard(2**32 + 10), _guard(1, opens=1)]  # fmt: skip
    yield _body("times and windows that cannot be made", "open", *wrong, _wait(100), _guard(100),
                _guard(0), _wait(60), "feed", *_starved(110))  # fmt: skip


def _windows() -> Iterator[dict[str, Any]]:
    """Feeds before, within and after the window, from the driver and from elsewhere."""
    for timeout, opens in ((100, 50), (100, 90), (60, 1), (4000, 2000)):
        early = ["feed", _wait(opens // 3), "feed"]
        late = _wait((opens + timeout) / 2 - opens // 3)
        yield _body(f"a window from {opens} to {timeout}", "open", _guard(timeout, opens=opens),
                    *[*early, late, "feed"] * 3, *early, *_starved(timeout + 1))  # fmt: skip
        yield _body(f"a stray feed before {opens} of {timeout}", "open",
                    _guard(timeout, opens=opens), late, "feed", _wait(opens / 2),
                    {"stray": "feed"}, "open", "causes", _wait(timeout + 1))  # fmt: skip
    stray = {"stray": "feed"}
    yield _body("a stray feed within the window", "open", _guard(100, opens=20), _wait(60), stray,
                _wait(10), "feed", _wait(60), "feed", _wait(60), stray, *_starved(101))  # fmt: skip
    yield _body("no window at all", "open", _guard(100), *["feed"] * 6, stray, "feed",
                *_starved(101))  # fmt: skip
    yield _body("too early once, then in time", "open", _guard(100, opens=60), _wait(30), "feed",
                _wait(45), "feed", _wait(30), "feed", _wait(40), "feed", "close",
                _wait(200))  # fmt: skip


def _changes() -> Iterator[dict[str, Any]]:
    """One window after another, each of them proved by starving it."""
    kinds = {
        "longer": ((50, 0), (200, 0)), "shorter": ((200, 0), (50, 0)),
        "one that opens": ((100, 0), (100, 60)), "one without a window": ((100, 60), (100, 0)),
        "the same": ((100, 40), (100, 40)),
    }  # fmt: skip
    for title, ((one, its), (other, their)) in kinds.items():
        first = [_guard(one, opens=its), _wait(its + 20), "feed", _wait(10)]
        second = _guard(other, opens=their)
        yield _body(f"guarded anew, {title}", "open", *first, second, *_starved(other + 1))
        yield _body(f"guarded anew, {title}, and fed", "open", *first, second, _wait(their + 20),
                    "feed", _wait(their + 15), "feed", *_starved(other + 1))  # fmt: skip
        yield _body(f"guarded anew, {title}, and a stray feed", "open", *first, second,
                    _wait(max(their - 20, 5)), {"stray": "feed"}, "open", "causes",
                    second, _wait(their + 10), "feed", *_starved(other + 1))  # fmt: skip
    yield _body("closed and guarded again", "open", _guard(100, opens=50), _wait(30), "close",
                _wait(200), "open", _guard(80), _wait(60), "feed", _wait(60), "reopen",
                _wait(200), _guard(60, opens=20), *_starved(61))  # fmt: skip


def _locks() -> Iterator[dict[str, Any]]:
    """A lock that must hold against the driver, the next driver and any other program."""
    locked = _guard(100, opens=30, locked=True)
    yield _body("locked, and a program that stops it", "open", locked, _wait(50), {"stray": "stop"},
                "feed", _wait(40), "feed", {"stray": "stop"}, *_starved(101))  # fmt: skip
    yield _body("not locked, and a program that stops it", "open", _guard(100), _wait(50),
                {"stray": "stop"}, "feed", _wait(150), "close")  # fmt: skip
    yield _body("locked, and guarded anew", "open", locked, _guard(400), _wait(50), "feed",
                _guard(20), _wait(60), "feed", *_starved(101), _guard(50),
                *_starved(51))  # fmt: skip
    long = _guard(300, opens=80, locked=True)
    yield _body("locked, closed and opened again", "open", long, _wait(50), "close", _wait(50),
                "open", "causes", "feed", _wait(150), "feed", "reopen", "feed", _wait(150), "feed",
                *_starved(301), _wait(600))  # fmt: skip
    yield _body("locked and left alone", "open", locked, "close", _wait(150), "open", "causes",
                _wait(200))  # fmt: skip
    yield _body("locked, and a stray feed", "open", locked, _wait(50), "feed", _wait(10),
                {"stray": "feed"}, "open", "causes", _guard(60), _wait(30), {"stray": "stop"},
                _wait(90))  # fmt: skip
    yield _body("locked, then restarted", "open", locked, "restart", "open", "causes", _wait(200),
                _guard(100), {"stray": "stop"}, _wait(200))  # fmt: skip


def _causes() -> Iterator[dict[str, Any]]:
    """Resets of every kind, one after another, and nothing told twice."""
    yield _body("every cause in its turn", "open", "causes", "causes", "restart", "open", "causes",
                _guard(50), *_starved(60), "reopen", "causes", _guard(50, opens=20),
                {"stray": "feed"}, "open", "causes", "restart", "restart", "open", "causes",
                "reopen", "causes")  # fmt: skip
    yield _body("causes asked late", "open", _guard(50), *_starved(60)[:-1], _guard(100),
                _wait(40), "feed", "causes", _wait(40), "feed", "causes", "close")  # fmt: skip
    yield _body("two resets, and none that is asked for", "open", _guard(40), _wait(50), "open",
                "restart", "open", "causes", "reopen", "causes")  # fmt: skip
    yield _body("restarted while it guards", "open", _guard(50, opens=20), _wait(30), "feed",
                "restart", "open", "causes", _wait(100))  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the watchdog may be found."""
    for seed in (1, 2, 3, 4):
        faults = [{"kind": "random-state", "target": _PORT}]
        for opens in (0, 20):
            yield _body(f"a random state, number {seed}, open from {opens}", "open",
                        _guard(60, opens=opens), _wait(40), "feed", _wait(30), "feed",
                        *_starved(61), faults=faults, seed=seed)  # fmt: skip
    yield _body("left running by another program", "open", "close", {"stray": "start"}, "open",
                "causes", _wait(40_000), _guard(100, opens=20), _wait(50), "feed", *_starved(101),
                "close", {"stray": "start"}, "open", _guard(40), *_starved(41))  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults, and the same asked for once more after them."""
    when, held = {"from": "1 ms", "until": "3 ms"}, {"from": "1 ms", "duration": "900 us"}
    usual = usual_faults(_PORT, Moments(when, "130 us", held, when, "1.2 ms"))
    cut = [dict(fault, **held) for _, fault in usual if "cpu" in fault["kind"]]
    cut = [{**fault, "duration": "8 ms"} for fault in cut]
    status = f"{_PORT}.STATUS"
    own = [(f"{fault['kind']} until after the bite", fault) for fault in cut]
    own += [
        (f"{name} stuck at {value}",
         {"kind": "stuck-field", "target": f"{status}.{name}", "value": value, **when})
        for name in ("OPEN", "HALF_FED", "RUNNING") for value in (0, 1)
    ]  # fmt: skip
    own += [
        (f"writes to {name} that are lost",
         {"kind": "dropped-write", "target": f"{_PORT}.{name}", "until": "3 ms"})
        for name in ("FEED", "CONTROL", "CAUSE", "TIMEOUT")
    ]  # fmt: skip
    own.append(
        ("OPEN seen late", {"kind": "late-ready", "target": f"{status}.OPEN", "reads": 2, **when})
    )
    life = [_guard(60, opens=15), _wait(25), "feed", _wait(10), "feed", _wait(25), "feed",
            "causes"]  # fmt: skip
    for title, fault in (*(one for one in usual if not one[1]["target"].endswith(".irq")), *own):
        yield _body(f"fault: {title}", "open", *life, _wait(30), "feed", "reopen", *life,
                    *_starved(61), "reopen", "causes", *life, faults=[fault])  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short runs in which it bites, or another task feeds, while the driver is at work."""
    yield _body("feeds, at every timing", "open", _guard(100, opens=20), _wait(60), "feed",
                _wait(60), "feed", "feed", "causes")  # fmt: skip
    yield _body("bitten and begun anew, at every timing", "open", _guard(40), *_starved(50),
                _guard(40), "feed", "restart", "causes", "close")  # fmt: skip
    yield _body("locked and taken over, at every timing", "open", _guard(200, locked=True),
                _wait(100), "reopen", "feed", "causes", *_starved(201))  # fmt: skip
    yield _body("guarded anew, at every timing", "open", _guard(100), _wait(60), _guard(60),
                _wait(30), "feed", "close")  # fmt: skip
    for opens in (0, 40):
        yield _body(f"another task that feeds from {opens} on, at every timing", "open",
                    _guard(100, opens=opens), _wait(50), "feed", _wait(50), "feed", "causes",
                    _guard(60), "feed", *_starved(61), callers=["feed"])  # fmt: skip
