"""The timeline: a run as text to read, one row an event or a group that repeats.

From left to right: the time, the step since the row before where it is long enough to matter, what
happened, and the driver's line. Main code stands at the left edge of its column; a handler is
indented behind a bar that runs from its entry to its end, one bar for each handler inside another.
Faults, findings and bus errors are marked by words in capitals, so nothing depends on colour.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import NamedTuple, Protocol

from emu.record.events import (
    Access,
    AnyEvent,
    BankSwitch,
    CallBegin,
    CallEnd,
    Character,
    HandlerEnter,
    HandlerExit,
)
from emu.record.folding import Group, Row, fold, rows_of
from emu.record.phrases import Phrases, end_of

__all__ = ["Mark", "Remark", "timeline"]

WIDTH = 100
_US, _MS = 10**6, 10**9
_LONG_RUN_PS = 100 * _MS
_LEAST_STEP_PS = _US
_STEP_WIDTH = 9


class Remark(Protocol):
    """What the timeline needs of a finding."""

    rule: str
    file: str
    line: int
    time_ps: int
    register: str
    message: str
    count: int


class Mark(NamedTuple):
    """Say something at a time: where, and in words that begin with one in capitals."""

    time_ps: int
    file: str
    line: int
    text: str


def timeline(
    events: Sequence[AnyEvent],
    *,
    findings: Iterable[Remark] = (),
    marks: Iterable[Mark] = (),
    around: tuple[int, int] | None = None,
    last: int | None = None,
    cut: bool = False,
    folded: bool = True,
) -> str:
    """Return `events` as text, lines of 100 columns at most.

    Args:
        events: in the order of time, as `emu.record.tape` makes them.
        findings: put in at their times.
        marks: likewise, whatever else is to be told.
        around: a point in time in ps and how many rows to show around it; the row that is nearest
            is marked with ``>``.
        last: how many rows to show from the end.
        cut: whether earlier events were dropped, which is then said.
        folded: whether what repeats is folded; otherwise every event has a row.
    """
    shown = [event for event in events if not isinstance(event, BankSwitch)]
    page = _Page(shown)
    told = [*marks, *(_mark_of(one) for one in findings)]
    ordered = sorted(told, key=lambda one: one.time_ps)
    blocks = [
        block for part in _parts(shown, ordered, folded=folded) for block in page.blocks(part)
    ]
    first, end, nearest = _section(blocks, around, last)
    lines = [page.header()]
    if cut and not first:
        lines.append("(earlier events are no longer in the record)")
    if first:
        lines.append(f"({first} earlier {_rows(first)} left out)")
        lines.extend(page.open_call(blocks[:first]))
    for index in range(first, end):
        block = blocks[index]
        mark = ">" if index == nearest else " "
        lines.extend(f"{mark if not number else ' '}{line}".rstrip()
                     for number, line in enumerate(block.lines))  # fmt: skip
    if end < len(blocks):
        lines.append(f"({len(blocks) - end} later {_rows(len(blocks) - end)} left out)")
    return "\n".join(lines) + "\n"


def _rows(count: int) -> str:
    return "row" if count == 1 else "rows"


@dataclass(slots=True)
class _Block:
    """Hold the lines of one row, and the time it is about."""

    time_ps: int
    lines: list[str]
    call: CallBegin | CallEnd | None = None


def _mark_of(finding: Remark) -> Mark:
    where = f" {finding.register}" if finding.register else ""
    often = f" ({finding.count} times)" if finding.count > 1 else ""
    text = f"FINDING {finding.rule}{where}: {finding.message}{often}"
    return Mark(finding.time_ps, finding.file, finding.line, text)


def _parts(
    events: Sequence[AnyEvent], marks: Sequence[Mark], *, folded: bool
) -> Iterator[list[Row | Group] | Mark]:
    """Yield what lies between marks, folded if wanted, and the marks."""

    def rows(some: Sequence[AnyEvent]) -> list[Row | Group]:
        return fold(rows_of(some)) if folded else [Row([event], None) for event in some]

    start = 0
    for mark in marks:
        end = _place_of(mark, events, start)
        yield rows(events[start:end])
        yield mark
        start = end
    yield rows(events[start:])


def _place_of(finding: Mark, events: Sequence[AnyEvent], start: int) -> int:
    """Return before which event, from `start` on, a mark belongs.

    That is behind the last event of its time, unless one of that time is at its own line; or else
    a call ended at that time, and what it did wrong shows before the next one begins.
    """
    end = start
    ended = own = 0
    while end < len(events) and events[end].time_ps <= finding.time_ps:
        event = events[end]
        end += 1
        if event.time_ps == finding.time_ps:
            at_line = finding.file and (event.file, event.line) == (finding.file, finding.line)
            own = end if at_line else own
            ended = end if isinstance(event, CallEnd) else ended
    return own or ended or end


def _section(
    blocks: Sequence[_Block], around: tuple[int, int] | None, last: int | None
) -> tuple[int, int, int]:
    """Return first, end and nearest row of what is asked for; nearest is -1 without a time."""
    count = len(blocks)
    if around is None:
        return (0 if last is None else max(0, count - last), count, -1)
    time_ps, rows = around
    nearest = min(range(count), key=lambda one: abs(blocks[one].time_ps - time_ps), default=0)
    first = max(0, min(nearest - rows // 2, count - rows))
    return first, min(count, first + max(1, rows)), nearest


class _Page:
    """Lay rows out; times are in the unit that suits the whole page."""

    def __init__(self, events: Sequence[AnyEvent]) -> None:
        end_ps = max((end_of(event) for event in events), default=0)
        self._unit, self._size, self._decimals = (
            ("ms", _MS, 4) if end_ps >= _LONG_RUN_PS else ("us", _US, 1)
        )
        self._time_width = max(9, len(self._number(end_ps)))
        self._text_width = WIDTH - 1 - self._time_width - _STEP_WIDTH - 2
        self._places = any(event.file for event in events)
        devices = {event.device for event in events if isinstance(event, Access)}
        self._phrases = Phrases(
            lambda time_ps: f"{self._number(time_ps)} {self._unit}", several=len(devices) > 1
        )
        self._now_ps = 0
        self._bars = ""

    def header(self) -> str:
        """Return the line above the first row."""
        place = "driver line" if self._places else ""
        what = f"{'main code, | handler':<{self._text_width - len(place)}}"
        time = f"time {self._unit}"
        return f" {time:>{self._time_width}}{'step':>{_STEP_WIDTH}}  {what}{place}".rstrip()

    def blocks(self, part: list[Row | Group] | Mark) -> Iterator[_Block]:
        """Yield the rows of a part."""
        if not isinstance(part, list):
            yield self._mark(part)
            return
        for row, later in zip(part, [*part[1:], None], strict=False):
            yield from self._row(row, 1, "", among=_reaches_over(row, later))

    def open_call(self, before: Sequence[_Block]) -> Iterator[str]:
        """Yield a line that says in which call the section begins, if it does in one."""
        calls = [block.call for block in before if block.call is not None]
        if calls and isinstance(calls[-1], CallBegin):
            begun = self._number(calls[-1].time_ps)
            yield f"(in {calls[-1].call} of {calls[-1].port}, begun at {begun} {self._unit})"

    # rows

    def _row(
        self, row: Row | Group, rounds: int, inside: str, *, among: bool = False
    ) -> Iterator[_Block]:
        """Yield the lines of a row.

        Args:
            row: the row.
            rounds: how often the group comes that it stands in.
            inside: marks rows of a group, which have no time; empty outside.
            among: whether it goes on while rows below it have begun.
        """
        if isinstance(row, Group):
            yield from self._group(row, rounds, inside)
            return
        event = row.events[0]
        text = self._phrases.say(row.events, rounds)
        if among:
            text += ", in between the rows below"
        call = event if isinstance(event, CallBegin | CallEnd) else None
        lines = self._lines(event, inside or self._stamp(event.time_ps), text)
        if isinstance(event, CallBegin):
            lines = ["", f"{lines[0]} {'-' * (WIDTH - 2 - len(lines[0]))}"]
        if not inside:
            self._pass(row.events[-1])
        yield _Block(event.time_ps, lines, call)

    def _group(self, group: Group, rounds: int, inside: str) -> Iterator[_Block]:
        first, last = group.first, group.last
        count = f"{group.count} times"
        count += " each" if inside else f" until {self._phrases.moment(end_of(last))}"
        stamp = inside or self._stamp(first.time_ps)
        bars = _bars(min(_lane(first), _lane(last)))
        block = _Block(first.time_ps, [f"{stamp}  {bars}{count}:"])
        for row in [*group.rows, *group.meanwhile]:
            for inner in self._row(row, rounds * group.count, self._inner(inside)):
                block.lines.extend(inner.lines)
        if not inside:
            self._pass(last)
        yield block

    def _inner(self, inside: str) -> str:
        colons = inside.count(":") + 1
        return f"{' :' * colons:>{self._time_width}}{'':{_STEP_WIDTH}}"

    def _lines(self, event: AnyEvent, stamp: str, text: str) -> list[str]:
        lane = _bars(_lane(event))
        if isinstance(event, HandlerEnter | HandlerExit):
            lane += "+-"
        place = "" if isinstance(event, HandlerExit) else _place(event.file, event.line)
        return self._set(stamp, lane, text, place)

    def _set(self, stamp: str, lane: str, text: str, place: str) -> list[str]:
        """Set one row: wrap what is too long, put the place at the right edge."""
        room = self._text_width - (len(place) + 2 if place else 0)
        hang = lane.replace("+-", "| ") + "      "
        wrapped = textwrap.wrap(
            text, room, initial_indent=lane, subsequent_indent=hang, break_on_hyphens=False
        ) or [lane]
        blank = " " * len(stamp)
        lines = [f"{stamp if not index else blank}  {line}" for index, line in enumerate(wrapped)]
        if place:
            lines[0] = f"{lines[0]:<{WIDTH - 1 - len(place)}}{place}"
        return lines

    def _mark(self, mark: Mark) -> _Block:
        place = _place(mark.file, mark.line)
        lines = self._set(self._stamp(mark.time_ps), self._bars, mark.text, place)
        return _Block(mark.time_ps, lines)

    # times

    def _pass(self, event: AnyEvent) -> None:
        """Go on to the end of `event`, and stay at its bars."""
        self._now_ps = max(self._now_ps, end_of(event))
        self._bars = _bars(_lane(event))

    def _number(self, time_ps: int) -> str:
        return f"{time_ps / self._size:.{self._decimals}f}"

    def _stamp(self, time_ps: int) -> str:
        """Return time and step columns."""
        step_ps = time_ps - self._now_ps
        step = f"+{self._number(step_ps)}" if step_ps >= _LEAST_STEP_PS else ""
        return f"{self._number(time_ps):>{self._time_width}}{step:>{_STEP_WIDTH}}"


def _reaches_over(row: Row | Group, later: Row | Group | None) -> bool:
    """Say whether a row of repeats goes on when something else that the driver did has begun.

    It does where places were not noted, since equal reads are then one entry whatever lies between.
    """
    if later is None or isinstance(row, Group):
        return False
    first = later.first if isinstance(later, Group) else later.events[0]
    if isinstance(first, Character) or isinstance(row.events[0], Character):
        return False
    return end_of(row.events[-1]) > first.time_ps


def _place(file: str, line: int) -> str:
    return f"{PurePath(file).name[-20:]}:{line}" if file else ""


def _lane(event: AnyEvent) -> int:
    """Return how many bars stand before an event; entry and end stand at their own bar."""
    return event.depth - isinstance(event, HandlerEnter | HandlerExit)


def _bars(depth: int) -> str:
    return "|  " * depth
