"""Interrupt storms: a line that asks again and again while the main code gets no turn.

The one idea: entries that leave their line asserted are counted in rows. A row that gets too long
is a storm, which ends the run, unless whoever set `Storms.cause` knows that something else than the
handlers makes it, such as a fault that holds the line up. Then the run goes on, for as long as that
is bearable in real time, and the time that was taken from the main code is kept count of.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.errors import RunEnded
from emu.kernel.clock import Clock
from emu.kernel.interrupts import Handler, InterruptLine

__all__ = ["EXCUSED_ENTRIES", "NOTED_ROW", "STORM_ENTRIES", "Row", "Storms"]

STORM_ENTRIES = 1000  # in a row, the line never let go and nothing happened in hardware
# In storms that are not the driver's doing, before the run ends. Linux gives a line up when 99,900
# of 100,000 interrupts found nobody to serve them (kernel/irq/spurious.c, from memory).
EXCUSED_ENTRIES = 110_000
NOTED_ROW = 16  # so many entries in a row, or more, may be the doing of something else
_EVENTFUL = 10  # so many entries count as one where the hardware did something meanwhile


class Row:
    """Hold a row of entries for nothing: since when, how many, which line asked last, and why."""

    __slots__ = ("cause", "entries", "line", "since_ps", "weight")

    def __init__(self, line: InterruptLine, since_ps: int) -> None:
        self.line = line
        self.since_ps = since_ps
        self.entries = self.weight = 0
        self.cause = ""


class Storms:
    """Judge rows of entries.

    Args:
        clock: the clock of the board.

    Attributes:
        cause: tells what else than its handlers made a line ask again and again since a moment,
            for so many entries; empty if nothing did. Faults may answer.
        handler: tells which handler of a line is to blame, None if that is not known.
        taken_ps: time that such rows took from the main code.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._excused = 0
        self.handler: Callable[[InterruptLine], Handler | None] = _first_handler
        self.cause: Callable[[InterruptLine, int, int], str] = lambda *_: ""
        self.taken_ps = 0

    def note(self, row: Row, line: InterruptLine, *, eventful: bool) -> RunEnded | None:
        """Count an entry that left `line` asserted; return how the run ends, None if it goes on.

        Args:
            row: the row that it belongs to.
            line: what asked.
            eventful: whether the hardware did something meanwhile.
        """
        row.line = line
        row.entries += 1
        row.weight += 1 if eventful else _EVENTFUL
        if row.entries % NOTED_ROW == 0:  # once the line is let go, nobody can tell any more
            row.cause = self.cause(line, row.since_ps, row.entries)
        return self._judge(row) if row.weight >= STORM_ENTRIES * _EVENTFUL else None

    def over(self, row: Row) -> str:
        """Note that a row is over, and return what else than the handlers made it."""
        cause = ""
        if row.entries >= NOTED_ROW:
            cause = self.cause(row.line, row.since_ps, row.entries) or row.cause
        if cause:
            self.taken_ps += self._clock.now_ps - row.since_ps
        return cause

    def _judge(self, row: Row) -> RunEnded | None:
        """End the run, unless something else makes the storm and it has not lasted too long."""
        cause = self.over(row)
        if not cause:
            return _accusation(row, self.handler(row.line))
        self._excused += row.entries
        row.entries = row.weight = 0
        row.since_ps = self._clock.now_ps
        if self._excused < EXCUSED_ENTRIES:
            return None
        text = f"interrupt {row.line.number} ({row.line.name}) came {self._excused} times and left "
        return RunEnded("interrupt-storm", f"{text}the main code no time: {cause}", cause=cause)


def _first_handler(line: InterruptLine) -> Handler | None:
    return line.handlers[0] if line.handlers else None


def _accusation(row: Row, handler: Handler | None) -> RunEnded:
    line = row.line
    code = getattr(getattr(handler, "__func__", handler), "__code__", None)
    return RunEnded(
        "interrupt-storm",
        f"the handler of interrupt {line.number} ({line.name}) returned {row.entries} times in a "
        "row with the line still asserted",
        file=code.co_filename if code else "",
        line=code.co_firstlineno if code else 0,
    )
