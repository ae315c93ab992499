"""Folding: rows that repeat, alone or as a pattern, become one group with a count.

The one idea: two events are alike when they would read the same but for the time and for data that
moves along, such as the characters of a message. A pattern of alike events that comes several times
in a row is a group; folding goes on inside it, so that loops in loops are seen. Characters on the
line come when they come and break no pattern: those that fall inside a group stand at its end.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, field

from emu.record.events import (
    Access,
    AnyEvent,
    Character,
    HandlerEnter,
    HandlerExit,
    Injection,
    Masked,
    Sleep,
    Unmasked,
)

__all__ = ["Group", "Row", "fold", "rows_of"]

LONGEST_PATTERN = 24
_LEAST_ROUNDS = 3  # of a pattern of several rows; two of one row are enough


@dataclass(slots=True)
class Row:
    """Hold one row to be: an event, or events that are alike.

    Args:
        events: in the order of time, at least one.
        key: equal for rows that are alike, None for one that stands alone.
    """

    events: list[AnyEvent]
    key: Hashable


@dataclass(slots=True)
class Group:
    """Hold rows that come `count` times, one round after the other.

    Args:
        count: how often.
        rows: what comes in each round.
        meanwhile: characters on the line, over all rounds.
    """

    count: int
    rows: list[Row | Group]
    meanwhile: list[Row] = field(default_factory=list)

    @property
    def first(self) -> AnyEvent:
        """The first event of the first round."""
        return _first(self.rows[0])

    @property
    def last(self) -> AnyEvent:
        """The last event of the last round."""
        row = self.rows[-1]
        return row.events[-1] if isinstance(row, Row) else row.last


def rows_of(events: Sequence[AnyEvent]) -> list[Row]:
    """Return a row for each event."""
    return [Row([event], _key(event)) for event in events]


def fold(rows: Sequence[Row]) -> list[Row | Group]:
    """Return `rows` with what repeats in a row folded."""
    solid = _solid(rows)
    folded: list[Row | Group] = []
    at = done = 0
    for taken, item in _folded([row for _, _, row in solid]):
        first, end = solid[at][0], solid[at + taken - 1][1]
        at += taken
        folded += _alike(rows[done:first])
        folded.append(item)
        inside = _alike([row for row in rows[first:end] if _is_character(row)], apart=True)
        if isinstance(item, Group):
            item.meanwhile = inside
        else:
            folded += inside
        done = end
    return folded + _alike(rows[done:])


def _solid(rows: Sequence[Row]) -> list[tuple[int, int, Row]]:
    """Return rows of what the processor did, each with first and end index in `rows`.

    Masking interrupts for nothing is one row with its end.
    """
    solid: list[tuple[int, int, Row]] = []
    for index, row in enumerate(rows):
        if _is_character(row):
            continue
        if solid and _is_end_of_mask(solid[-1][2], row):
            first, _, begin = solid.pop()
            joined = Row([*begin.events, *row.events], (begin.key, row.key))
            solid.append((first, index + 1, joined))
        else:
            solid.append((index, index + 1, row))
    return solid


def _is_end_of_mask(before: Row, row: Row) -> bool:
    return isinstance(before.events[-1], Masked) and isinstance(row.events[0], Unmasked)


def _folded(rows: Sequence[Row]) -> Iterator[tuple[int, Row | Group]]:
    """Yield what `rows` fold to, each with how many of them it took."""
    index = 0
    while index < len(rows):
        period, rounds = _best_pattern(rows, index)
        taken = period * rounds
        if period == 1:
            yield taken, _merged(rows[index : index + rounds])
        else:
            columns = [_merged(rows[index + place : index + taken : period])
                       for place in range(period)]  # fmt: skip
            yield taken, Group(rounds, [item for _, item in _folded(columns)])
        index += taken


def _alike(characters: Sequence[Row], *, apart: bool = False) -> list[Row]:
    """Return rows of characters with neighbours that are alike in one row, or all if `apart`."""
    runs: list[list[Row]] = []
    for row in characters:
        fitting = [run for run in (runs if apart else runs[-1:]) if run[0].key == row.key]
        if fitting:
            fitting[0].append(row)
        else:
            runs.append([row])
    return [_merged(run) for run in runs]


def _merged(rows: Sequence[Row]) -> Row:
    events = [event for row in rows for event in row.events]
    events.sort(key=lambda event: event.time_ps)
    return Row(events, rows[0].key)


def _is_character(row: Row) -> bool:
    return isinstance(row.events[0], Character)


def _first(row: Row | Group) -> AnyEvent:
    return row.events[0] if isinstance(row, Row) else row.first


def _best_pattern(rows: Sequence[Row], start: int) -> tuple[int, int]:
    """Return the pattern from `start` on that takes in most rows: its length, how often it comes.

    Of two that take in the same the shorter wins; ``(1, 1)`` says that nothing repeats.
    """
    best, most = (1, 1), 1
    if rows[start].key is None:
        return best
    for period in range(1, LONGEST_PATTERN + 1):
        rounds = _rounds(rows, start, period)
        enough = rounds >= (_LEAST_ROUNDS if period > 1 else 2)
        if enough and period * rounds > most:
            best, most = (period, rounds), period * rounds
        if start + period < len(rows) and rows[start + period].key is None:
            break
    return best


def _rounds(rows: Sequence[Row], start: int, period: int) -> int:
    """Return how often the `period` rows from `start` on come in a row."""
    end = start + period
    while end < len(rows) and rows[end].key is not None and rows[end].key == rows[end - period].key:
        end += 1
    return (end - start) // period


def _key(event: AnyEvent) -> Hashable:
    """Return what makes events alike, None for an event that always stands alone."""
    place = (event.depth, event.file, event.line)
    match event:
        case Access():
            value = None if event.stream else event.value
            return (event.direction, event.device, event.offset, event.registers, value, place)
        case Character():
            return (event.device, event.what, event.errors)
        case HandlerEnter() | HandlerExit():
            return (type(event), event.irq, place)
        case Injection():
            return (event.fault, event.detail, place)
        case Masked() | Unmasked() | Sleep():
            return (type(event), place)
        case _:
            return None
