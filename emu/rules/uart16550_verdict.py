"""Giving up without a last look: the time was over, but so was what was waited for.

The one idea: a processor that was away past the deadline finds the time over and everything ready.
Whoever reads the clock and then goes without another look, goes by one that is older than the
verdict.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.kernel.board import Board
from emu.kernel.callers import asking_place
from emu.kernel.where import Place
from emu.rules.context import Activation, Context
from emu.rules.uart16550 import UartWatch
from emu.rules.uart16550_state import TEMT
from emu.units import show_duration

__all__ = ["Verdict"]

_RULE = "verdict-without-look"


class Verdict:
    """Judge a ``drain`` that gives up (``verdict-without-look``).

    No false alarm: nothing accepted is left, the line had been idle for a character time when the
    driver read the clock last, and LSR has not shown TEMT since the last character was written.
    Whoever looks once more after the time is over is shown it, and never accused; and no fault has
    acted.

    Args:
        watch: what the driver's accesses told.
        context: who is running.
        board: what it is on.

    Attributes:
        idle_ps: tells when the last stop bit left.
        owed: tells how many bytes were accepted and have not begun to leave.
        calm: tells whether no fault has acted yet.
    """

    def __init__(self, watch: UartWatch, context: Context, board: Board) -> None:
        self.idle_ps: Callable[[], int] = lambda: 0
        self.owed: Callable[[], int] = lambda: 0
        self.calm: Callable[[], bool] = lambda: True
        self._uart = watch.uart
        self._known = watch.known
        self._context = context
        self._cpu = board.cpu
        self._told_ps = 0
        self._place: Place = ("", 0)

    def begins(self, name: str) -> None:
        """Begin to follow the clock being read, if `name` is a call that waits for the line."""
        self._told_ps = 0
        self._follow(name == "drain")

    def ends(self, name: str, ended: Activation, result: object) -> None:
        """Judge a call that has returned."""
        self._follow(False)
        if name == "drain" and result is False and not ended.disturbed and self.calm():
            self._judge()

    def _follow(self, on: bool) -> None:
        observers = self._cpu.on_time
        if self._told in observers:
            observers.remove(self._told)
        if on:
            observers.append(self._told)

    def _told(self) -> None:
        if not self._cpu.depth and self._context.here().name == "drain":
            self._told_ps, self._place = self._uart.clock.now_ps, asking_place()

    def _judge(self) -> None:
        uart, idle_ps = self._uart, self.idle_ps()
        if uart.busy or uart.looped or self.owed() or not idle_ps or self._known.seen & TEMT:
            return
        idle_for_ps = self._told_ps - idle_ps
        if idle_for_ps >= uart.transmitter.frame_ps:
            text = "drain found its time over here and gave up without another look at LSR: the "
            text += f"line had been idle for {show_duration(idle_for_ps)} already"
            path = f"{uart.name}.LSR"
            self._context.findings.report(_RULE, text, register=path, place=self._place)
