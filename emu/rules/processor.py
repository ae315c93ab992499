"""Rules about interrupts: masked too long, handlers that are slow, block, or serve nothing.

The one idea: a processor rule needs three things of a device, whether it has lost something, how
long it can go unserved, and what its handler saw; `Served` names them, and the rest is time.
Time in which the processor was frozen from outside never counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place
from emu.rules.context import Activation, Context
from emu.units import show_duration

__all__ = ["IDLE_RUNS", "Served", "watch_handler", "watch_masking", "watch_sleep"]

IDLE_RUNS = 16  # so many runs of a handler for nothing are no accident


class Served(Protocol):
    """What the rules need of a device that interrupts.

    Attributes:
        path: its data register, for findings.
    """

    path: str

    @property
    def wants(self) -> bool:
        """Whether the driver asked to be interrupted for data."""

    def lost(self) -> bool:
        """Say whether the device shows a loss that the driver has not seen yet."""

    def margin_ps(self) -> int:
        """Return how long the device can go unserved while data comes without a gap."""

    def mark(self, bit: int) -> bool:
        """Begin to notice whether data is fetched, under a mark of its own; return `lost`."""

    def untouched(self, bit: int) -> bool:
        """Say whether no data was fetched since the mark, and take it away."""

    def begin_handler(self) -> None:
        """Begin to notice what a handler sees."""

    def end_handler(self, *, untouched: bool) -> None:
        """Go on as if no handler had been, but for what it fetched or sent."""

    def complaint(self, ended: Activation) -> str:
        """Say which cause a handler left although it was shown, ``""`` for none."""

    def rule_for(self, complaint: str) -> str:
        """Return the rule for a complaint."""


_IN_HANDLER, _MASKED = 0x100, 0x200
_LONGEST_S = 10**6


@dataclass(slots=True)
class _Span:
    """What was so when a stretch of time began."""

    start_ps: int = 0
    stalled_ps: int = 0
    idle_ps: int = 0
    slept_ps: int = 0
    entries: int = 0
    lost: bool = True
    open: bool = False


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


def watch_masking(board: Board, served: Served, line: InterruptLine, context: Context) -> None:
    """Report interrupts masked until characters are lost (``masked-too-long``).

    No false alarm: the masked block alone, without time frozen from outside and without waits that
    an interrupt would have ended, was longer than a FIFO that begins empty lasts; no data was
    fetched in it; the loss began in it; and the interrupt that would have saved it is pending.
    """
    cpu, clock = board.cpu, board.clock
    span = _Span()

    def masked(on: int) -> None:
        if on:
            if cpu.depth or not served.wants:
                return
            span.start_ps, span.stalled_ps, span.idle_ps = (
                clock.now_ps, clock.stalled_ps, cpu.idle_ps
            )  # fmt: skip
            span.slept_ps = 0
            span.lost = served.mark(_MASKED)
            span.open = True
        elif span.open:
            span.open = False
            if served.untouched(_MASKED) and not span.lost and served.lost() and line.pending:
                judge()

    def judge() -> None:
        took_ps = clock.now_ps - span.start_ps - (clock.stalled_ps - span.stalled_ps)
        took_ps -= cpu.idle_ps - span.idle_ps - span.slept_ps
        if took_ps > served.margin_ps() and not context.nobody:
            text = f"masked for {show_duration(took_ps)}, while the receive FIFO lasts "
            text += f"{show_duration(served.margin_ps())}; characters were lost"
            context.findings.report("masked-too-long", text, register=served.path)

    def slept(seconds: float, waking: bool) -> None:
        if span.open and not waking and not cpu.depth:
            span.slept_ps += round(min(seconds, _LONGEST_S) * PS_PER_S)

    cpu.on_mask.append(masked)
    cpu.on_sleep.append(slept)


def watch_handler(board: Board, served: Served, line: InterruptLine, context: Context) -> None:
    """Watch each run of the handler of `line`."""
    cpu, clock = board.cpu, board.clock
    span = _Span()
    runs = 0
    left = ""

    def entered(which: InterruptLine) -> None:
        if which is not line:
            return
        span.start_ps, span.stalled_ps, span.entries = clock.now_ps, clock.stalled_ps, cpu.entries
        span.lost = served.mark(_IN_HANDLER)
        served.begin_handler()

    def left_handler(ended: Activation, which: InterruptLine) -> None:
        if which is not line:
            return
        untouched = served.untouched(_IN_HANDLER)
        if untouched and not span.lost and (served.lost() or ended.flags & 1):
            judge_time(ended)
        count_idle_runs(served.complaint(ended) if untouched else "")
        served.end_handler(untouched=untouched)

    def judge_time(ended: Activation) -> None:
        """Report a run that outlasted the FIFO (``slow-handler``).

        No false alarm: this run alone, without time frozen from outside and without handlers nested
        in it, was longer than a FIFO that begins empty lasts; it fetched no data; and the loss
        began in it.
        """
        took_ps = clock.now_ps - span.start_ps - (clock.stalled_ps - span.stalled_ps)
        if took_ps > served.margin_ps() and span.entries == cpu.entries and not ended.disturbed:
            text = f"one run took {show_duration(took_ps)}, while the receive FIFO lasts "
            text += f"{show_duration(served.margin_ps())}; characters were lost"
            context.findings.report(
                "slow-handler", text, register=served.path, place=_place_of_handler(line)
            )

    def count_idle_runs(complaint: str) -> None:
        """Report a handler that leaves its cause alone.

        (``handler-left-line-asserted``, ``thr-interrupt-left-enabled``.) No false alarm: 16 times
        in a row the device itself asked, the handler was shown the cause or did not look at all,
        and it did nothing that could take the cause away.
        """
        nonlocal runs, left
        runs = runs + 1 if complaint and complaint == left else int(bool(complaint))
        left = complaint
        if runs == IDLE_RUNS:
            context.findings.report(
                served.rule_for(complaint),
                f"the handler returned {runs} times in a row with the line asserted: {complaint}",
                register=served.path,
                place=_place_of_handler(line),
            )

    cpu.on_enter.append(entered)
    context.on_exit.append(left_handler)


def _place_of_handler(line: InterruptLine) -> Place:
    """Return where the handler that was connected last is defined."""
    handler = line.handlers[-1] if line.handlers else None
    code = getattr(getattr(handler, "__func__", handler), "__code__", None)
    return (code.co_filename, code.co_firstlineno) if code else driver_place()
