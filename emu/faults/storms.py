"""Whether a fault makes a line ask again and again, so that its handler is not to blame.

The one idea: a handler can end an interrupt only if it is told the truth about it. So a row of
entries is laid to a fault that held or raised the line itself, or that came between the handler and
what would have served the very cause that is pending, at least in every other entry. A fault that
did something else in the meantime excuses nothing. What serves which cause is that of the serial
controllers; of any other device every lie counts.

Source of what clears each interrupt: PC16550D datasheet (TL/C/8652, June 1995), Table IV.
"""

from __future__ import annotations

from collections.abc import Sequence

from emu.faults.attached import Attached
from emu.kernel.board import Board
from emu.kernel.device import Device
from emu.kernel.interrupts import InterruptLine

__all__ = ["StormCauses"]

_ANY_CAUSE = ("read IIR", "read IIR.ID", "read IIR.NONE", "write IER")
_RECEIVED = ("read LSR", "read LSR.DR=0", "read RBR")
_HIDES = {
    0x0: ("read MSR",),
    0x2: ("read LSR", "read LSR.THRE=0", "read LSR.TEMT=0", "write THR"),
    0x4: _RECEIVED,
    0x6: ("read LSR",),
    0xC: _RECEIVED,
}
"""By the cause that IIR names: marks of what keeps a handler from serving it."""


class StormCauses:
    """Find the fault that makes a storm.

    Args:
        faults: those in place.
        board: the machine they are on.
    """

    def __init__(self, faults: Sequence[Attached], board: Board) -> None:
        self._faults = faults
        self._board = board

    def find(self, line: InterruptLine, since_ps: int, entries: int) -> str:
        """Return what made `line` ask for all of `entries` since a moment, empty if no fault did.

        See `emu.kernel.storm.Storms.cause`.
        """
        for fault in self._faults:
            if fault.target.sort != "irq" or self._line_of(fault.target.irq) != line.number:
                continue
            if fault.held_line(since_ps) or self._often(fault, since_ps, entries):
                return f"{_named(fault)} raises it"
        asking = self._board.asking(line.number)
        causes = [self._hidden(device, since_ps, entries) for device in asking]
        causes += [self._abandoned(device) for device in asking if line.shared]
        return next((cause for cause in causes if cause), "")

    def _line_of(self, irq: int | None) -> int:
        return -1 if irq is None else self._board.line_of(irq)

    def _hidden(self, device: Device, since_ps: int, entries: int) -> str:
        """Say which fault keeps handlers from serving `device`, empty if none does."""
        wanted = _wanted(device)
        for fault in self._faults:
            if fault.target.device is not device or fault.target.sort == "irq":
                continue
            if fault.unsettled:
                return f"{_named(fault)} has left {device.name} set up otherwise than it was told"
            if self._often(fault, since_ps, entries, wanted):
                return f"{_named(fault)} hides what {device.name} asks for"
        return ""

    def _abandoned(self, device: Device) -> str:
        """Say which fault may have kept a device asking when its driver let go of a shared line.

        The handlers of others are left with it then, and cannot serve it.
        """
        told = (one for one in self._faults if one.injected and one.target.device is device)
        return next((f"{_named(one)} was at {device.name}" for one in told), "")

    def _often(
        self, fault: Attached, since_ps: int, entries: int, wanted: frozenset[str] | None = None
    ) -> bool:
        """Say whether a fault bore on every other entry at least, as far back as is known."""
        known_ps, acts = fault.since(since_ps)
        told = len(acts) if wanted is None else sum(1 for one in acts if _hides(one, wanted))
        now_ps = self._board.clock.now_ps
        return told > 0 and 2 * told * (now_ps - since_ps) >= entries * (now_ps - known_ps)


def _named(fault: Attached) -> str:
    return f"{fault.spec.kind} on {fault.spec.target}"


def _wanted(device: Device) -> frozenset[str] | None:
    """Return the marks of what hides the cause that is pending, None where anything does."""
    if "IIR" not in device.ports:
        return None
    return frozenset(_ANY_CAUSE + _HIDES.get(device.peek("IIR") & 0x0F, ()))


def _hides(marks: tuple[str, ...], wanted: frozenset[str]) -> bool:
    """Say whether what a fault did once bears on the cause.

    A change of single bits is judged by these bits, an access that failed by its register.
    """
    told = [one for one in marks if "." in one] or marks[:1]
    return not wanted.isdisjoint(told)
