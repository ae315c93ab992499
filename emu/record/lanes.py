"""Lanes: a moment of a run side by side, what main code did, what the handler did, what came in.

The one idea: everything that can be at odds has a lane of its own, and time runs down. It is for a
few rows around a moment; the whole of a run is told by `emu.record.timeline`.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from emu.record.events import (
    AnyEvent,
    BankSwitch,
    Character,
    Connected,
    HandlerEnter,
    HandlerExit,
    Injection,
    Note,
)
from emu.record.gauges import Gauges
from emu.record.phrases import Phrases

__all__ = ["Remark", "lanes"]

WIDTH = 100
_US = 10**6
_TIME, _CODE, _WIRE, _FIFO = 10, 29, 13, 5
_GAP = "  "
_LONGEST_ROUND, _FARTHEST = 8, 400
_LEAST_LEFT_OUT = 3  # rows that are worth a word in their place
_WIDE = re.compile(r"0x0+(?=[0-9a-f]{2,}\b)")
_UNTIL = re.compile(r" until [0-9.]+ us| in [0-9.]+ us in all")


class Remark(NamedTuple):
    """Say something at a time, across all lanes."""

    time_ps: int
    text: str


class _Row(NamedTuple):
    time_ps: int
    main: str = ""
    handler: str = ""
    wire: str = ""
    remark: str = ""


def lanes(
    events: Sequence[AnyEvent],
    gauges: Gauges,
    *,
    moment_ps: int,
    since_ps: int | None = None,
    remarks: Sequence[Remark] = (),
    rows: int = 24,
) -> str:
    """Return some rows around a moment as text, lines of 100 columns at most.

    Args:
        events: in the order of time, with the driver's lines.
        gauges: what stood there meanwhile.
        moment_ps: the moment, most of whose rows come before it.
        since_ps: when it began to go wrong, if that is known: it is shown too, or rather.
        remarks: what is to be said besides.
        rows: how many rows to show.
    """
    told = [_row(one) for one in events if not isinstance(one, BankSwitch)]
    for remark in sorted(remarks, key=lambda one: one.time_ps):
        told.insert(_place_of(remark, told), _Row(remark.time_ps, remark=remark.text))
    told, before, after = _about(told, moment_ps if since_ps is None else since_ps, moment_ps)
    first = _first_of(told, moment_ps if since_ps is None else since_ps, moment_ps, rows)
    shown = told[first : first + rows]
    before, after = before + first, after + len(told) - first - len(shown)
    fifo = gauges.at(moment_ps).received is not None
    lines = [_head(fifo=fifo)]
    if before:
        lines.append(f"({before} earlier {'row' if before == 1 else 'rows'} left out)")
    for row in shown:
        lines += _laid(row, gauges, fifo=fifo)
    if after:
        lines.append(f"({after} later {'row' if after == 1 else 'rows'} left out)")
    return "\n".join(lines) + "\n"


def _about(told: list[_Row], since_ps: int, until_ps: int) -> tuple[list[_Row], int, int]:
    """Return what lies about a stretch of time, folded, and how many rows lie before and after."""
    start = max(0, _index(told, since_ps) - _FARTHEST)
    end = _index(told, until_ps) + _FARTHEST
    return _folded(told[start:end]), start, max(0, len(told) - end)


def _index(told: Sequence[_Row], time_ps: int) -> int:
    """Return the last row that is no later than a time."""
    return max((at for at, one in enumerate(told) if one.time_ps <= time_ps), default=0)


def _first_of(told: Sequence[_Row], since_ps: int, moment_ps: int, rows: int) -> int:
    """Return the row to begin with: both times are to be seen, or else the first of them."""
    since, moment = _index(told, since_ps), _index(told, moment_ps)
    end = moment + max(1, rows // 8)
    first = end - rows if end - since < rows * 3 // 4 else since - rows // 3
    return max(0, min(first, len(told) - rows))


def _place_of(remark: Remark, told: Sequence[_Row]) -> int:
    """Return where a remark belongs: behind its time, or right behind a call that ended then."""
    ended = [
        at
        for at, one in enumerate(told, 1)
        if one.time_ps == remark.time_ps and " returned" in one.main
    ]
    later = (at for at, one in enumerate(told) if one.time_ps > remark.time_ps)
    return ended[-1] if ended else next(later, len(told))


def _folded(told: Sequence[_Row]) -> list[_Row]:
    """Return the rows with rounds left out that say the same as the round before them."""
    found: list[_Row] = []
    at = 0
    while at < len(told):
        length, rounds = _rounds(told, at)
        found += told[at : at + max(1, length)]
        at += max(1, length * rounds)
        if rounds > 1:
            last = told[at - 1]
            words = f"the last {length} rows" if length > 1 else "the same"
            often = f"{rounds - 1} times more" if rounds > 2 else "once more"
            found.append(last._replace(main="", handler="", wire="", remark=f"{words} {often}"))
    return found


def _rounds(told: Sequence[_Row], start: int) -> tuple[int, int]:
    """Return how many rows repeat from a row on, and how often they come; 0 if none do."""
    texts = [one[1:] for one in told[start : start + _FARTHEST]]
    for length in range(1, _LONGEST_ROUND + 1):
        first = texts[:length]
        rounds = 1
        while texts[length * rounds : length * (rounds + 1)] == first:
            rounds += 1
        if length * (rounds - 1) >= _LEAST_LEFT_OUT:
            return length, rounds
    return 0, 1


def _head(*, fifo: bool) -> str:
    cells = [f"{'time us':>{_TIME}}", f"{'main code':<{_CODE}}", f"{'handler':<{_CODE}}",
             f"{'line':<{_WIRE}}"]  # fmt: skip
    cells += [f"{'FIFO':<{_FIFO}}"] if fifo else []
    return _GAP.join([*cells, "irq"]).rstrip()


def _row(event: AnyEvent) -> _Row:
    phrases = Phrases(lambda time_ps: f"{time_ps / _US:.1f} us", several=False)
    text = _WIDE.sub("0x", _UNTIL.sub("", " ".join(phrases.say([event]).split())))
    place = f" :{event.line}" if event.line and not isinstance(event, HandlerExit) else ""
    if isinstance(event, Character):
        return _Row(event.time_ps, wire=_wire(event))
    if isinstance(event, Injection):
        return _Row(event.time_ps, remark=text)
    if isinstance(event, Note):
        return _Row(event.time_ps, wire=f"{event.what} {event.value}")
    if isinstance(event, Connected):
        text = f"handler {'connected' if event.connected else 'taken off'}"
    elif isinstance(event, HandlerEnter):
        text, place = f"--> {event.name or f'interrupt {event.irq}'}", ""
    elif isinstance(event, HandlerExit):
        text = f"<-- {text}"
    text += place
    return _Row(event.time_ps, handler=text) if event.depth else _Row(event.time_ps, main=text)


def _wire(event: Character) -> str:
    printable = 0x20 <= event.value < 0x7F
    shown = f"'{chr(event.value)}'" if printable else f"{event.value:#04x}"
    words = {"arrived": "<-", "sent": "->"}
    what = words.get(event.what, event.what.upper() if event.what == "lost" else event.what)
    return " ".join([what, shown, *event.errors])


def _laid(row: _Row, gauges: Gauges, *, fifo: bool) -> Iterator[str]:
    """Yield the lines of a row, what is too long wrapped inside its lane."""
    stamp = f"{row.time_ps / _US:>{_TIME}.1f}"
    if row.remark:
        for number, line in enumerate(textwrap.wrap(row.remark, WIDTH - _TIME - 3)):
            yield f"{stamp if not number else ' ' * _TIME}{_GAP}* {line}".rstrip()
        return
    reading = gauges.at(row.time_ps)
    cells = [_wrapped(row.main, _CODE), _wrapped(row.handler, _CODE), _wrapped(row.wire, _WIRE)]
    side = [f"{reading.received or '-'}|{reading.sending or '-'}".ljust(_FIFO)] if fifo else []
    side.append("high" if reading.irq else "low")
    for number in range(max(len(one) for one in cells)):
        texts = [one[number] if number < len(one) else "" for one in cells]
        parts = [f"{one:<{width}}" for one, width in zip(texts, (_CODE, _CODE, _WIRE), strict=True)]
        head, tail = (stamp, side) if not number else (" " * _TIME, [])
        yield _GAP.join([head, *parts, *tail]).rstrip()


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent="    ", break_on_hyphens=False) or [""]
