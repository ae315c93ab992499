"""Waiting for an interrupt that was never enabled: the driver sleeps, its controller is ready.

The one idea: a wait proves nothing by itself, since a driver that polls may nap that way. Judged
is what came of it: the call went away empty, and the controller was not looked at again after it.
"""

from __future__ import annotations

from collections.abc import Callable, Sized

from emu.kernel.board import Board
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place
from emu.rules.context import Activation, Context
from emu.rules.uart16550 import UartWatch
from emu.rules.uart16550_state import NEVER
from emu.units import show_duration

__all__ = ["UartWaits"]

_LONG_CHARACTERS = 4
_DR, _TEMT = 0x01, 0x40
_NEEDS = {"read": ("ERBFI", 1), "write": ("ETBEI", 2), "drain": ("ETBEI", 2)}


class UartWaits:
    """Watch what one driver waits for (``waits-for-disabled-interrupt``).

    No false alarm: the call brought less than it was asked for; its last wait was for an interrupt
    and longer than four characters; all that time received characters were there, or the
    transmitter was idle; the driver had not enabled that interrupt, as far as it knows, although it
    has a handler; and after the wait began it did not touch its controller, so it does not poll.
    Who changes one bit of IER goes by what IER reads, so nobody is judged once that was not as
    written.

    Args:
        watch: what its accesses told.
        context: who is running.
        accesses: counts the accesses to its controller.
    """

    def __init__(self, watch: UartWatch, context: Context, accesses: Callable[[], int]) -> None:
        self._uart = watch.uart
        self._known = watch.known
        self._context = context
        self._accesses = accesses
        self._line: InterruptLine | None = None
        self._call = ""
        self._size = 0
        self._count = NEVER
        self._since_ps = 0
        self._stalled_ps = 0
        self._place: Place = ("", 0)
        self._slept_ps = self._slept_stalled_ps = 0

    def attach(self, board: Board, line: InterruptLine) -> None:
        """Begin to watch; a port without a driver pays nothing for it."""
        self._line = line
        board.cpu.on_sleep.append(self._slept)

    def begins(self, name: str, size: int) -> None:
        """Note that a call begins that is to move `size` bytes."""
        self._call, self._size, self._count = name, size, NEVER

    def ends(self, ended: Activation, result: object) -> None:
        """Judge the last wait of a call."""
        call, self._call = self._call, ""
        self._arm(None)
        if self._count == NEVER or ended.disturbed or not self._in_vain(call, result):
            return
        took_ps = self._uart.clock.now_ps - self._since_ps
        quiet = self._uart.clock.stalled_ps == self._stalled_ps
        if not quiet or self._accesses() != self._count or not self._ready(call):
            return
        if took_ps > _LONG_CHARACTERS * self._uart.transmitter.frame_ps:
            ready = (
                "received characters were there" if call == "read" else "the transmitter was idle"
            )
            text = f"{call} waited here for {show_duration(took_ps)} in vain: {ready}, but "
            text += f"IER.{_NEEDS[call][0]} is 0"
            path = f"{self._uart.name}.IER"
            self._context.findings.report(
                "waits-for-disabled-interrupt", text, register=path, place=self._place
            )

    def _arm(self, judge: Callable[[], None] | None) -> None:
        """Have the next look at LSR that shows a character judged, or no longer."""
        known = self._known
        known.notable = known.notable & ~_DR if judge is None else known.notable | _DR
        known.unarmed = judge

    def _judge_unarmed(self) -> None:
        """Report a read that slept with ERBFI cleared by the driver itself.

        No false alarm: the driver had ERBFI set, cleared it after ``open`` and slept for an
        interrupt without setting it again, for longer than the FIFO lasts, so it does not poll;
        the FIFO was full at its first look; and the processor was not frozen meanwhile.
        """
        self._arm(None)
        known, uart = self._known, self._uart
        took_ps = uart.clock.now_ps - self._slept_ps
        quiet = uart.clock.stalled_ps == self._slept_stalled_ps
        place, level = known.receive_off, uart.receive_level
        full = level > max(_LONG_CHARACTERS, known.depth(uart) - 1)
        long = took_ps > level * uart.transmitter.frame_ps
        if place and quiet and long and full and not known.ier_doubted:
            text = "IER.ERBFI is cleared here and was still 0 when read waited for an interrupt: "
            text += f"{level} received characters were there after {show_duration(took_ps)}"
            path = f"{uart.name}.IER"
            self._context.findings.report(
                "waits-for-disabled-interrupt", text, register=path, place=place
            )

    def _slept(self, _seconds: float, waking: bool) -> None:
        known = self._known
        need = _NEEDS.get(self._call)
        if waking and self._call == "read" and known.receive_off and self._may_be_told:
            clock = self._uart.clock
            self._slept_ps, self._slept_stalled_ps = clock.now_ps, clock.stalled_ps
            self._arm(self._judge_unarmed)
        if need is None or not waking or known.ier == NEVER or known.ier & need[1]:
            return
        if known.ier_doubted:
            return
        if self._context.here().name != self._call or not self._ready(self._call):
            return
        count = self._accesses()
        if count != self._count:
            clock = self._uart.clock
            self._count, self._place = count, driver_place()
            self._since_ps, self._stalled_ps = clock.now_ps, clock.stalled_ps

    @property
    def _may_be_told(self) -> bool:
        """Whether a handler would be told, and the call itself is what runs."""
        handled = self._line is not None and bool(self._line.handlers)
        return handled and self._context.here().name == self._call

    def _ready(self, call: str) -> bool:
        """Whether the controller has what `call` waits for, and a handler would be told."""
        handled = self._line is not None and bool(self._line.handlers)
        if call == "read":
            return handled and self._uart.receive_level > 0
        return handled and bool(self._uart.peek_LSR() & _TEMT)

    def _in_vain(self, call: str, result: object) -> bool:
        """Whether a call brought less than it was asked for."""
        if call == "read":
            return isinstance(result, Sized) and len(result) < self._size
        if call == "write":
            return isinstance(result, int) and result < self._size
        return call == "drain" and result is False
