"""What a driver that keeps deadlines is tried with: near, far, many, taken back, carries, timings.

The one idea: a deadline is lost where the compare is written while another one comes, so deadlines
lie a few accesses apart, and around the moment at which the low half of the time carries.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emu.search.bout import Bout
from emu.search.usual_faults import Moments, usual_faults

__all__ = ["deadline_suite"]

_PORT = "ticks"
_CARRY = 2**32
_NEAR = (0, 1, 2, 3, 5, 10)  # ticks, of which an access takes a few


def deadline_suite() -> list[Bout]:
    """Return all bouts for such a driver, in the order in which they are tried."""
    plain = [*_times(), *_alone(), *_many(), *_taken_back(), *_starts(), *_faults()]
    return [*(Bout(one) for one in plain), *(Bout(one, hunted=True) for one in _hunted())]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario on a machine timer at 1 MHz, unless `more` says otherwise."""
    faults = {"faults": more.pop("faults")} if "faults" in more else {}
    seed = {"seed": more.pop("seed")} if "seed" in more else {}
    timer = {"kind": "mtimer", "at": 0x0200_0000, "irq": 7, "clock": "1 MHz", **more}
    board = {"name": "tide gauge", "devices": {_PORT: timer}}
    return {"scenario": title, "board": board, **seed, **faults, "do": list(steps)}


def _book(ticks: int, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"book": ticks, **more}


def _books(*ticks: int) -> list[dict[str, Any]]:
    return [_book(one) for one in ticks]


def _cancel(number: int) -> dict[str, Any]:
    return {"cancel": number}


def _wait(time: str) -> dict[str, Any]:
    return {"wait": time}


def _times() -> Iterator[dict[str, Any]]:
    """The time at its beginning, its end, and just before a carry."""
    yield _body("the time, again and again", "open", *["time"] * 8, _wait("2 ms"), *["time"] * 8)
    for before in (2, 3, 4, 5):
        yield _body(f"a carry {before} ticks after the start", "open", *["time"] * 24,
                    cycles=_CARRY - before)  # fmt: skip
    yield _body("a large count", "open", "time", _wait("3 ms"), "time", _book(300), _wait("1 ms"),
                cycles=0x1234_FFFF_F000)  # fmt: skip


def _alone() -> Iterator[dict[str, Any]]:
    """One deadline after another, near and far, across a carry, and such as cannot be."""
    for clock in ("1 MHz", "10 MHz", "32768 Hz"):
        near = [step for ticks in _NEAR for step in (_book(ticks), _wait("1 ms"))]
        yield _body(f"near deadlines at {clock}", "open", *near, clock=clock)
    far = [step for ticks in (100, 1000, 20_000) for step in (_book(ticks), _wait("21 ms"))]
    yield _body("far deadlines", "open", *far)
    for before in (10, 150, 900):
        yield _body(f"deadlines around a carry in {before} ticks", "open",
                    *_books(before + 100, before, before + 5, before - 8, _CARRY, 2 * _CARRY),
                    _wait("3 ms"), "time", _book(50), _wait("1 ms"),
                    cycles=_CARRY - before)  # fmt: skip
    yield _body("times that never come", "open", _book(2**64), _book(2**64 - 10_000), _book(200),
                _wait("1 ms"), _cancel(1), _book(2**64), _book(3), _wait("1 ms"))  # fmt: skip


def _many() -> Iterator[dict[str, Any]]:
    """Several at a time: earlier and later ones, equal ones, and some that book the next."""
    yield _body("one later than the other", "open", *_books(200, 400, 600, 800), _wait("2 ms"))
    yield _body("one earlier than the other", "open", *_books(1600, 800, 400, 200), _wait("3 ms"))
    yield _body("one between others", "open", *_books(900, 300, 600, 450, 750, 100, 1000),
                _wait("2 ms"), *_books(500, 250), _wait("1 ms"))  # fmt: skip
    yield _body("several for one moment", "open", *[_book(300)] * 8, _wait("1 ms"))
    yield _body("a second after the last was called", "open", _book(50), _wait("1 ms"), _book(80),
                _book(70), _wait("1 ms"), _book(1000), _wait("500 us"), _book(100),
                _wait("2 ms"))  # fmt: skip
    yield _body("each books the next", "open", _book(250, times=20), _wait("6 ms"))
    yield _body("several rows of deadlines", "open", _book(250, times=12), _book(400, times=8),
                _book(1000, times=3), _wait("1 ms"), *_books(30, 700), _wait("4 ms"))  # fmt: skip
    sixty = [_book(1000 + 97 * (7 * number % 61)) for number in range(60)]
    yield _body("sixty at a time", "open", *sixty, _wait("10 ms"))


def _taken_back() -> Iterator[dict[str, Any]]:
    """Deadlines that are taken back before and after they were called."""
    yield _body("taken back before and after", "open", _book(500), _cancel(1), _cancel(1),
                _book(300), _wait("1 ms"), _cancel(2), _book(200), _wait("1 ms"))  # fmt: skip
    yield _body("taken back from the middle", "open", *_books(300, 600, 900, 1200), _cancel(1),
                _cancel(3), _wait("2 ms"), _cancel(2), _book(100), _wait("1 ms"))  # fmt: skip
    yield _body("all taken back, and others", "open", *_books(700, 500, 900), _cancel(2),
                _cancel(1), _cancel(3), _wait("1500 us"), *_books(400, 300),
                _wait("1 ms"))  # fmt: skip
    yield _body("taken back from several for one moment", "open", *[_book(400)] * 5, _cancel(2),
                _cancel(5), _wait("1 ms"))  # fmt: skip


def _life() -> list[Any]:
    """Return steps that use everything once."""
    return ["time", _book(400), _book(200), _book(300, times=4), _cancel(1), _wait("2 ms"),
            _book(90), _wait("500 us"), "time"]  # fmt: skip


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the timer may be found, and ways to open and close."""
    for seed in (1, 2, 3, 4, 5, 6):
        faults = [{"kind": "random-state", "target": _PORT}]
        yield _body(f"a random state, number {seed}", "open", _wait("1 ms"), *_life(),
                    faults=faults, seed=seed)  # fmt: skip
    yield _body("closed and opened again", "open", *_life(), "reopen", *_life(), _book(700),
                "reopen", _wait("2 ms"), *_life(), "close", _wait("2 ms"), "open", _book(50),
                _wait("1 ms"))  # fmt: skip
    yield _body("closed with much to come", "open", *_books(900, 700, 5000), _book(300, times=9),
                _wait("400 us"), "close", _wait("6 ms"), "open", _wait("1 ms"), _book(80),
                _wait("1 ms"))  # fmt: skip


def _faults() -> Iterator[dict[str, Any]]:
    """Faults, and the same asked for once more after them."""
    when, held = {"from": "400 us", "until": "3 ms"}, {"from": "500 us", "duration": "900 us"}
    moments = Moments(when, "130 us", held, when, "1.2 ms")
    for title, fault in (
        *usual_faults(_PORT, moments),
        ("the time stands still", {"kind": "stuck-field", "target": f"{_PORT}.MTIME_LOW.TICKS",
                                   "value": 0, **when}),
    ):  # fmt: skip
        yield _body(f"fault: {title}", "open", *_life(), _wait("2 ms"), "reopen", *_life(),
                    faults=[fault])  # fmt: skip


def _hunted() -> Iterator[dict[str, Any]]:
    """Short runs in which a deadline comes while the driver is at work."""
    yield _body("the time near a carry, at every timing", "open", "time", "time", "time",
                cycles=_CARRY - 3)  # fmt: skip
    yield _body("a deadline near a carry, at every timing", "open", *_books(14, 6, 9),
                _wait("400 us"), cycles=_CARRY - 7)  # fmt: skip
    yield _body("another while one is due, at every timing", "open", *_books(12, 40),
                _wait("400 us"), _book(9), _book(30), _wait("400 us"))  # fmt: skip
    yield _body("an earlier one while one is due, at every timing", "open", *_books(60, 30, 12, 3),
                _wait("600 us"))  # fmt: skip
    yield _body("taken back as it is due, at every timing", "open", *_books(8, 200), _cancel(1),
                _cancel(2), _wait("600 us"), _book(6), _cancel(3), _wait("400 us"))  # fmt: skip
    yield _body("a row of deadlines, at every timing", "open", _book(30, times=4), *_books(25, 55),
                _wait("600 us"))  # fmt: skip
    yield _body("closed as one is due, at every timing", "open", *_books(10, 60), "close",
                _wait("300 us"), "open", _book(10), _wait("400 us"))  # fmt: skip
