"""A transmitter that rests although the driver has accepted bytes for it: a kick that was lost.

The one idea: nobody waits for a transmitter between two calls, so what ought to go out by interrupt
either goes or has been forgotten. Judged is the rest between two calls; the reason is looked for in
what the driver did last: it took the interrupt away by reading IIR, undid what its handler had
written to IER, or queued bytes without starting anything.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from emu.kernel.board import Board
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place
from emu.rules.context import Context
from emu.rules.masking import MaskWatch
from emu.rules.uart16550 import UartWatch
from emu.rules.uart16550_state import NEVER
from emu.units import show_duration

__all__ = ["TransmitterRest"]

_LONG_CHARACTERS = 8
_ETBEI = 0x02
_RULE = "transmitter-left-idle"


class _Suspect(NamedTuple):
    """A rest, as it will be reported if the driver turns out to send by interrupt."""

    register: str
    message: str
    place: Place


class TransmitterRest:
    """Watch the transmitter between the calls of one driver (``transmitter-left-idle``).

    No false alarm: no call is under way, the controller is idle and asks for no interrupt, bytes
    that ``write`` has accepted have not begun to leave for eight characters, interrupts are
    unmasked, a handler is connected, the far end lets the driver send, and no fault has acted. And
    since the port was opened a handler was seen to fill the transmitter, so this is not a driver
    that does all its work in calls.

    Args:
        watch: what its accesses told.
        context: who is running.
        masks: where it masks interrupts.

    Attributes:
        owed: tells how many bytes were accepted and have not begun to leave.
        calm: tells whether no fault has acted yet.
    """

    def __init__(self, watch: UartWatch, context: Context, masks: MaskWatch) -> None:
        self.owed: Callable[[], int] = lambda: 0
        self.calm: Callable[[], bool] = lambda: True
        self._uart = watch.uart
        self._known = watch.known
        self._findings = context.findings
        self._masks = masks
        self._board: Board | None = None
        self._line: InterruptLine | None = None
        self._returned_ps = NEVER
        self._owing_ps = 0
        self._began_ps = 0
        self._kick: Place = ("", 0)
        self._suspects: list[_Suspect] = []

    def attach(self, board: Board, line: InterruptLine) -> None:
        """Begin to watch a driver that may be interrupted."""
        self._board, self._line = board, line

    def begins(self, name: str) -> None:
        """Judge the time since the last call, now that another begins."""
        known = self._known
        self._began_ps = self._uart.clock.now_ps
        if self._returned_ps != NEVER:
            self._judge()
        if not self.owed():
            self._owing_ps = self._began_ps
        known.main_ier_place = None
        if name == "open":
            known.undone = None
            self._suspects.clear()

    def ends(self, name: str, method: Place) -> None:
        """Note that a call has returned.

        Args:
            name: of the call.
            method: where it is defined.
        """
        known = self._known
        self._returned_ps = self._uart.clock.now_ps if known.is_open else NEVER
        if name == "write":
            self._kick = known.main_ier_place or self._masks.place() or method

    def _judge(self) -> None:
        now_ps, known = self._uart.clock.now_ps, self._known
        character_ps = self._uart.transmitter.frame_ps
        out_ps = known.written_ps + (known.filled + 1) * character_ps
        rest_ps = now_ps - max(self._returned_ps, out_ps)
        owed = self.owed()
        if owed and rest_ps > _LONG_CHARACTERS * character_ps and self._rests():
            self._suspects.append(self._told(owed, rest_ps))
        if known.fed_by_handler and self._suspects:
            for one in self._suspects:
                path = f"{self._uart.name}.{one.register}"
                self._findings.report(_RULE, one.message, register=path, place=one.place)
            self._suspects.clear()

    def _rests(self) -> bool:
        """Whether nothing will start the transmitter, and nothing but the driver is to blame."""
        uart, board, line = self._uart, self._board, self._line
        if board is None or line is None or not line.handlers or not self.calm():
            return False
        idle = not (uart.busy or uart.irq.level or line.pending or uart.looped or uart.halted)
        return idle and not board.cpu.masked and bool(uart.peek("MSR.CTS"))

    def _told(self, owed: int, rest_ps: int) -> _Suspect:
        """Say why the transmitter rests."""
        known = self._known
        waited = f"{owed} accepted {'byte' if owed == 1 else 'bytes'} waited "
        waited += f"{show_duration(rest_ps)} for an idle transmitter"
        if known.acked_ps > max(known.written_ps, self._owing_ps):
            text = "IIR showed THRE here, which takes that interrupt away, and nothing was written"
            return _Suspect("IIR", f"{text}: {waited}", known.acked_place)
        if known.undone is not None:
            text = "IER is written back here as it was before a handler changed it, so that the "
            text += f"transmitter's interrupt does not come: {waited}"
            return _Suspect("IER", text, known.undone)
        if known.ier & _ETBEI:
            text = "IER.ETBEI was on already, so that no interrupt comes to start it"
        else:
            text = "IER.ETBEI is 0, so that nothing starts it"
        return _Suspect("IER", f"write queued and went: {waited}; {text}", self._kick)
