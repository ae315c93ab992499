"""A schedule: at which points of the driver the processor is late, and how. Plain data.

A point is counted in calls that the driver makes to the bench (register accesses, `time`, `sleep`,
`wait_for_interrupt`, masking, `connect` ...), and within the stretch between two of them in lines
or opcodes of the driver. ``Point(12, 0)`` is the moment before the 12th call takes effect;
``Point(12, 3)`` the moment before the third line that is run after it began. Handlers count along,
in the order in which things happen, so a point means the same in every run that goes the same way
until it is reached.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

__all__ = ["KINDS", "MANNERS", "Entry", "Point", "Schedule", "by_size", "describe", "weight"]

KINDS = {
    "stall": "the whole processor stands still until so many hardware events have passed",
    "pause": "main code stands still until so many events have passed; handlers go on running",
    "spurious": "an interrupt comes although no device asked for one",
    "close": "another task closes the port in the middle of a call",
    "write": "another task writes in the middle of a call",
    "set": "another task sets a pin of its own in the middle of a call",
    "output": "another task makes a pin of its own an output, or an input again, in a call",
}
MANNERS = ("access", "line", "opcode")  # what a step is


class Point(NamedTuple):
    """A moment in the driver's run.

    Args:
        call: number of the bench call, from 1.
        step: 0 just before that call; n the moment before the n-th line or opcode after it began.
    """

    call: int
    step: int = 0


class Entry(NamedTuple):
    """One thing that a schedule does.

    Args:
        point: when.
        kind: one of `KINDS`.
        events: how many hardware events pass, for ``stall`` and ``pause``; else 0.
    """

    point: Point
    kind: str
    events: int = 0


Schedule = tuple[Entry, ...]


def describe(entry: Entry, place: str = "") -> str:
    """Return an entry in words, such as ``stall for 4 events before bench call 12``.

    Args:
        entry: what to describe.
        place: the driver's file and line there, where known.
    """
    point = entry.point
    if point.step:
        when = f"{point.step} steps after bench call {point.call} began"
        when = when.replace("1 steps", "1 step") if point.step == 1 else when
    else:
        when = f"before bench call {point.call}"
    at = f" at {place}" if place else ""
    if entry.events:
        plural = "event" if entry.events == 1 else "events"
        return f"{entry.kind} for {entry.events} {plural}{at} ({when})"
    what = "a spurious interrupt" if entry.kind == "spurious" else f"another task's {entry.kind}"
    return f"{what}{at} ({when})"


def weight(schedule: Schedule) -> tuple[int, int, int]:
    """Return what makes a schedule small: few entries, then few events, then early points."""
    return (
        len(schedule),
        sum(entry.events for entry in schedule),
        sum(entry.point.call for entry in schedule),
    )


def by_size(schedules: Iterable[Schedule]) -> list[Schedule]:
    """Return schedules smallest first."""
    return sorted(schedules, key=lambda one: (weight(one), one))
