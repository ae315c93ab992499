"""Rules about handlers: those that are slow, that wait or block, or that serve nothing.

The one idea: a processor rule needs three things of a device, whether it has lost something, how
long it can go unserved, and what its handler saw; `Served` names them, and the rest is time.
Time in which the processor was frozen from outside never counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from emu.kernel.board import Board
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place
from emu.rules.context import Activation, Context
from emu.rules.handler_path import HandlerPath
from emu.rules.looks import rows_since
from emu.units import show_duration

__all__ = ["IDLE_RUNS", "Served", "watch_handler", "watch_sleep"]

_BRISK_PS = 5 * 10**6  # 5 us: a handler that is back by then has not waited for a character
_MANY_LOOKS = 8
IDLE_RUNS = 16  # so many runs of a handler for nothing are no accident


class Served(Protocol):
    """What the rules need of a device that interrupts.

    Attributes:
        path: its data register, for findings.
    """

    path: str

    def lost(self) -> bool:
        """Say whether the device shows a loss that the driver has not seen yet."""

    def margin_ps(self) -> int:
        """Return how long the device can go unserved while data comes without a gap."""

    def unit_ps(self) -> int:
        """Return how long one unit of data takes to come or go."""

    def waiting_ps(self) -> int:
        """Return how long the device has been asking for data to be fetched, 0 if it does not."""

    def begin_block(self) -> bool:
        """Begin to notice whether a masked block fetches data, and return `lost`.

        True, so that the block is not judged, if the driver did not ask for data by interrupt.
        """

    def end_block(self) -> bool:
        """Say whether the masked block fetched no data."""

    def begin_handler(self) -> bool:
        """Begin to notice what a handler sees and fetches, and return `lost`."""

    def end_handler(self, ended: Activation) -> tuple[bool, str]:
        """Go on as if no handler had been, but for what it did.

        Returns:
            Whether it fetched no data, and which cause it left although it was shown, ``""`` for
            none.
        """

    def rule_for(self, complaint: str) -> str:
        """Return the rule for a complaint."""

    def reads(self) -> int:
        """Return how many reads of the device were made."""

    def place_for(self, complaint: str, path: HandlerPath) -> Place | None:
        """Return the line to change, None if it is not known.

        Args:
            complaint: what the handler leaves.
            path: the lines that one of the runs went through.
        """


@dataclass(slots=True)
class _Span:
    """What was so when a run of a handler began."""

    start_ps: int = 0
    stalled_ps: int = 0
    entries: int = 0
    lost: bool = True


def watch_sleep(board: Board, context: Context) -> None:
    """Report sleep and wait_for_interrupt in a handler (``blocking-call-in-handler``).

    No false alarm: nothing a handler waits for can come while it runs, and a delay that needs no
    event is `work`. Sleeping for no time at all is let pass.
    """

    def slept(seconds: float, waking: bool) -> None:
        if board.cpu.depth and seconds > 0 and context.here().name == "handler":
            call = "wait_for_interrupt" if waking else "sleep"
            context.findings.report("blocking-call-in-handler", f"{call} called in a handler")

    board.cpu.on_sleep.append(slept)


def watch_handler(board: Board, served: Served, line: InterruptLine, context: Context) -> None:
    """Watch each run of the handler of `line`."""
    watch = _HandlerWatch(board, served, line, context)
    board.cpu.on_enter.append(watch.entered)
    context.on_exit.append(watch.left)


class _HandlerWatch:
    """Judge the runs of one line's handler."""

    def __init__(self, board: Board, served: Served, line: InterruptLine, context: Context) -> None:
        self._board = board
        self._cpu = board.cpu
        self._clock = board.clock
        self._served = served
        self._line = line
        self._findings = context.findings
        self._span = _Span()
        self._runs = 0
        self._complaint = ""
        self._since_ps = 0
        self._busy_at_ps = 0
        self._path = HandlerPath(served.reads)

    def entered(self, line: InterruptLine) -> None:
        """Note how things were when a handler began."""
        if line is not self._line:
            return
        span, clock = self._span, self._clock
        span.start_ps = clock.now_ps
        self._busy_at_ps = clock.now_ps + _BRISK_PS
        span.stalled_ps = clock.stalled_ps
        span.entries = self._cpu.entries
        span.lost = self._served.begin_handler()
        if self._runs == IDLE_RUNS - 1:
            self._path.begin()

    def left(self, ended: Activation, line: InterruptLine) -> None:
        """Look at what the handler has done."""
        if line is not self._line:
            return
        untouched, complaint = self._served.end_handler(ended)
        if untouched and not self._span.lost and (self._served.lost() or ended.flags & 1):
            self._judge_time(ended)
        if self._clock.now_ps > self._busy_at_ps:
            self._judge_waiting()
        if complaint:
            self._count_idle_run(complaint)
        else:
            self._runs = 0

    def _judge_time(self, ended: Activation) -> None:
        """Report a run that outlasted the FIFO (``slow-handler``).

        No false alarm: this run alone, without time frozen from outside and without handlers nested
        in it, was longer than a FIFO that begins empty lasts; it fetched no data; and the loss
        began in it.
        """
        span, clock, margin_ps = self._span, self._clock, self._served.margin_ps()
        took_ps = clock.now_ps - span.start_ps - (clock.stalled_ps - span.stalled_ps)
        if took_ps > margin_ps and span.entries == self._cpu.entries and not ended.disturbed:
            text = f"one run took {show_duration(took_ps)}, while the receive FIFO lasts "
            text += f"{show_duration(margin_ps)}; characters were lost"
            self._report("slow-handler", text)

    def _judge_waiting(self) -> None:
        """Report a handler that waits for the device (``busy-wait-in-handler``).

        No false alarm: it read one register eight times or more in a row, with nothing else in
        between and the same answer each time, over half of what a character takes on the line.
        Serving a full FIFO, however slow the bus, fetches a character or writes one in between.
        """
        least_ps = self._served.unit_ps() // 2
        if self._clock.stalled_ps != self._span.stalled_ps:
            return
        for row in rows_since(self._board, self._span.start_ps):
            if row.count >= _MANY_LOOKS and row.took_ps >= least_ps:
                text = f"{row.register} read {row.count} times in a row, for "
                text += f"{show_duration(row.took_ps)}, inside the handler"
                place = _place_of_handler(self._line)
                self._findings.report(
                    "busy-wait-in-handler", text, register=row.register, place=place
                )
                return

    def _count_idle_run(self, complaint: str) -> None:
        """Report a handler that leaves its cause alone.

        (``handler-left-line-asserted``, ``thr-interrupt-left-enabled``; named is the last test
        after the handler's look, or where it enabled the cause again.) No false alarm: 16 times in
        a row the device itself asked, the handler was shown the cause or did not look at all, and
        it did nothing that could take the cause away; and no fault hid the cause from it.
        """
        self._runs = self._runs + 1 if complaint == self._complaint else 1
        self._complaint = complaint
        if self._runs == 1:
            self._since_ps = self._span.start_ps
        if self._runs != IDLE_RUNS:
            return
        if self._cpu.storms.cause(self._line, self._since_ps, IDLE_RUNS):
            self._runs = 0
        else:
            text = f"the handler returned {IDLE_RUNS} times in a row with the line asserted: "
            place = self._served.place_for(complaint, self._path)
            self._report(self._served.rule_for(complaint), text + complaint, place)

    def _report(self, rule: str, message: str, place: Place | None = None) -> None:
        place = place or _place_of_handler(self._line)
        self._findings.report(rule, message, register=self._served.path, place=place)


def _place_of_handler(line: InterruptLine) -> Place:
    """Return where the handler that was connected last is defined."""
    handler = line.handlers[-1] if line.handlers else None
    code = getattr(getattr(handler, "__func__", handler), "__code__", None)
    return (code.co_filename, code.co_firstlineno) if code else driver_place()
