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
_WIDE = re.compile(r"0x0+(?=[0-9a-f]{2}\b)")
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
    remarks: Sequence[Remark] = (),
    rows: int = 24,
) -> str:
    """Return some rows around a moment as text, lines of 100 columns at most.

    Args:
        events: in the order of time, with the driver's lines.
        gauges: what stood there meanwhile.
        moment_ps: the moment, most of whose rows come before it.
        remarks: what is to be said besides.
        rows: how many rows to show.
    """
    told = [_row(one) for one in events if not isinstance(one, BankSwitch)]
    told = [one for one in told if one.main or one.handler or one.wire or one.remark]
    for remark in sorted(remarks, key=lambda one: one.time_ps):
        at = next((i for i, one in enumerate(told) if one.time_ps > remark.time_ps), len(told))
        told.insert(at, _Row(remark.time_ps, remark=remark.text))
    last = max((i for i, one in enumerate(told) if one.time_ps <= moment_ps), default=0)
    first = max(0, min(last - rows * 3 // 4, len(told) - rows))
    shown = told[first : first + rows]
    fifo = gauges.at(moment_ps).received is not None
    lines = [_head(fifo=fifo)]
    if first:
        lines.append(f"({first} earlier {'row' if first == 1 else 'rows'} left out)")
    for row in shown:
        lines += _laid(row, gauges, fifo=fifo)
    left = len(told) - first - len(shown)
    if left:
        lines.append(f"({left} later {'row' if left == 1 else 'rows'} left out)")
    return "\n".join(lines) + "\n"


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
