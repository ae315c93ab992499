"""Rules about masked interrupts: for too long, in sleep, or never unmasked again.

The one idea: masking is right around a few accesses that share state. What counts is how long a
block lasts, what it fetched itself, and whether the interrupt that it held back was needed.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from types import CodeType

from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place, place_in
from emu.rules.context import Context
from emu.rules.processor import Served
from emu.units import show_duration

__all__ = ["MaskWatch", "watch_masking"]

_TO_DRIVER = 3  # frames from an observer of masking to who masks: Cpu.mask, the block, the driver
_LONGEST_S = 10**6
_LONG_UNITS = 4  # of data: a sleep with interrupts masked of more than this is no short delay


class MaskWatch:
    """Report interrupts that are left masked (``left-masked``).

    No false alarm: a ``with`` block always ends, so a driver leaves interrupts masked only if it
    takes the block apart. Whoever found them masked is not accused again.

    Interrupts are masked with every wait, so where that happens is only looked at, and not worked
    out before it is asked for.

    Args:
        board: what drivers run on.
        context: who is running.
    """

    def __init__(self, board: Board, context: Context) -> None:
        self._cpu = board.cpu
        self._findings = context.findings
        self._blocks = 0
        self._before = 0
        self._code: CodeType | None = None
        self._instruction = 0
        board.cpu.on_mask.append(self._masked)
        context.on_left_masked.append(lambda: self.ends("the handler"))

    def begins(self) -> None:
        """Note that a driver is called."""
        self._before = self._blocks

    def place(self) -> Place | None:
        """Return where main code masked interrupts last since `begins`, None if it did not."""
        if self._code is None or self._blocks == self._before:
            return None
        return place_in(self._code, self._instruction)

    def ends(self, name: str) -> None:
        """Say so if interrupts have been masked since `begins`, and still are."""
        if self._cpu.own_masks and self._code is not None and self._blocks != self._before:
            text = f"interrupts, masked here, are still so when {name} is over"
            place = place_in(self._code, self._instruction)
            self._findings.report("left-masked", text, place=place)
        self._before = self._blocks

    def _masked(self) -> None:
        frame = sys._getframe(_TO_DRIVER)  # noqa: SLF001 - documented, and much the fastest
        self._code, self._instruction = frame.f_code, frame.f_lasti
        self._blocks += 1


@dataclass(slots=True)
class _Block:
    """What was so when interrupts were masked, and the longest sleep since."""

    start_ps: int = 0
    stalled_ps: int = 0
    idle_ps: int = 0
    slept_ps: int = 0
    longest_ps: int = 0
    place: Place = ("", 0)
    judged: bool = False


def watch_masking(board: Board, served: Served, line: InterruptLine, context: Context) -> None:
    """Watch the masked blocks of main code; see `_MaskedBlocks`."""
    watch = _MaskedBlocks(board, served, line, context)
    board.cpu.on_mask.append(watch.masked)
    board.cpu.on_unmask.append(watch.unmasked)
    board.cpu.on_sleep.append(watch.slept)


class _MaskedBlocks:
    """Judge what masked blocks did to one line."""

    def __init__(self, board: Board, served: Served, line: InterruptLine, context: Context) -> None:
        self._cpu = board.cpu
        self._clock = board.clock
        self._served = served
        self._line = line
        self._context = context
        self._block = _Block()

    def masked(self) -> None:
        """Note how things are when a block begins."""
        if self._cpu.depth:
            return
        block, clock = self._block, self._clock
        block.start_ps = clock.now_ps
        block.stalled_ps = clock.stalled_ps
        block.idle_ps = self._cpu.idle_ps
        block.slept_ps = block.longest_ps = 0
        block.judged = not self._served.begin_block()

    def unmasked(self) -> None:
        """Judge a block that is over."""
        block = self._block
        if not block.judged:
            return
        block.judged = False
        if self._served.end_block() and self._line.pending:
            lost = self._served.lost()
            if (lost or block.longest_ps) and not self._context.nobody:
                (self._judge_loss if lost else self._judge_sleep)()

    def slept(self, seconds: float, waking: bool) -> None:
        """Follow the processor being put to sleep."""
        block = self._block
        if block.judged and not waking and not self._cpu.depth:
            slept_ps = round(min(seconds, _LONGEST_S) * PS_PER_S)
            block.slept_ps += slept_ps
            if slept_ps > block.longest_ps:
                block.longest_ps, block.place = slept_ps, driver_place()

    def _judge_loss(self) -> None:
        """Report interrupts masked until characters are lost (``masked-too-long``).

        No false alarm: the block alone, without time frozen from outside and without waits that an
        interrupt would have ended, was longer than a FIFO that begins empty lasts; no data was
        fetched in it; the loss began in it; and the interrupt that would have saved it is pending.
        """
        block, clock = self._block, self._clock
        took_ps = clock.now_ps - block.start_ps - (clock.stalled_ps - block.stalled_ps)
        took_ps -= self._cpu.idle_ps - block.idle_ps - block.slept_ps
        lasts_ps = self._served.margin_ps()
        if took_ps > lasts_ps:
            text = f"masked for {show_duration(took_ps)}, while the receive FIFO lasts "
            text += f"{show_duration(lasts_ps)}; characters were lost"
            self._context.findings.report("masked-too-long", text, register=self._served.path)

    def _judge_sleep(self) -> None:
        """Report a sleep while the handler is wanted and masked (``asleep-while-masked``).

        No false alarm: one sleep alone was longer than four characters, and at the end of the block
        data had been announced for as long; the block fetched none; and the driver does not set the
        device up or cope with a fault. A delay of a few characters is let pass, and so is a sleep
        by ``wait_for_interrupt``.
        """
        block, served = self._block, self._served
        waiting_ps, least_ps = served.waiting_ps(), _LONG_UNITS * served.unit_ps()
        quiet = self._clock.stalled_ps == block.stalled_ps and not self._context.here().troubled
        if min(block.longest_ps, waiting_ps) > least_ps and quiet:
            text = f"slept for {show_duration(block.longest_ps)} with interrupts masked, and "
            text += f"received data waited for {show_duration(waiting_ps)}"
            self._context.findings.report(
                "asleep-while-masked", text, register=served.path, place=block.place
            )
