"""Flow control that comes too late: RTS falls when there is no room for what is on its way.

The one idea: a far end that heeds RTS does not stop at once. It ends its character, and sends what
lies in a FIFO of its own. So what came after the fall is followed, and judged when it is known
whether the driver's reads returned it; only what was lost counts, never how much room was left.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from emu.devices.uart16550 import Uart16550
from emu.kernel.callers import asking_place
from emu.kernel.where import Place
from emu.line.far_end import FarEnd
from emu.rules.context import Context

__all__ = ["Arrivals", "FlowWatch"]

_RULE = "flow-control-late"


class Arrivals(Protocol):
    """What is known of characters that came while the port was open."""

    @property
    def lost(self) -> int:
        """How many found no room in the receiver."""

    @property
    def arrived_count(self) -> int:
        """How many came into the receiver."""

    @property
    def unread(self) -> int:
        """How many came, had to be returned by ``read``, and were not."""

    @property
    def first_unread(self) -> int | None:
        """Number of the first of those, counted from 0; None without any."""


@dataclass(slots=True)
class _Fall:
    """Hold a fall of RTS.

    Args:
        place: where the driver lowered it.
        taken: how many characters it had taken from the receiver by then.
        arrived: how many had come into the receiver by then.
        late: how many began afterwards.
        before_late, lost_before: how many had come, and had been lost, when the first of those
            began.
        lost: how many were lost in the receiver since that moment.
    """

    place: Place
    taken: int
    arrived: int
    late: int = 0
    before_late: int = 0
    lost_before: int = 0
    lost: int = 0

    @property
    def end(self) -> int:
        """Number of the first character that came when RTS was up again."""
        return self.before_late + self.late - self.lost


class FlowWatch:
    """Watch a driver that lowers RTS itself (``flow-control-late``).

    No false alarm: the far end heeds RTS and sends on for a few characters; the driver lowered RTS
    between ``open`` and ``close``, and not by loopback; the first character that was lost at all
    since ``open`` is one that it had not taken from the receiver when RTS fell, and that came
    before RTS was up again; no fault has acted and nothing held the processor up. Who has room for
    them, leaves them in the FIFO or never touches RTS loses nothing here.

    Args:
        uart: the controller.
        context: who is running.
        far_end: heeds RTS, and lags.
        arrivals: what is known of characters that came.
        calm: tells whether no fault has acted yet.
    """

    def __init__(
        self,
        uart: Uart16550,
        context: Context,
        far_end: FarEnd,
        arrivals: Arrivals,
        calm: Callable[[], bool],
    ) -> None:
        self._uart = uart
        self._context = context
        self._arrivals = arrivals
        self._calm = calm
        self._falls: list[_Fall] = []
        self._fall: _Fall | None = None
        self._lost = self._stalled_ps = 0
        uart.signals["rts"].watch(self._follow)
        far_end.on_speak.append(self._spoken)

    def begins(self, name: str) -> None:
        """Begin anew when the port is opened, and judge when it is closed."""
        if name == "close":
            self._settle()
            self._judge()
        if name in ("open", "close"):
            self._falls.clear()
            self._fall = None
            self._lost = self._arrivals.lost
            self._stalled_ps = self._uart.clock.stalled_ps

    def _follow(self, level: int) -> None:
        self._settle()
        here = self._context.here()
        if level or not here.name or here.setting_up or self._uart.looped:
            return
        arrived = self._arrivals.arrived_count
        taken = arrived - self._uart.receive_level
        self._fall = _Fall(asking_place(), taken, arrived)

    def _spoken(self) -> None:
        """Note a character that begins although RTS is down; the one before it has come by now."""
        fall = self._fall
        if fall is None:
            return
        if not fall.late:
            fall.before_late = self._arrivals.arrived_count
            fall.lost_before = self._arrivals.lost
        fall.late += 1

    def _settle(self) -> None:
        """Keep a fall of RTS that is over, if anything came after it."""
        fall, self._fall = self._fall, None
        if fall is not None and fall.late:
            fall.lost = self._arrivals.lost - fall.lost_before
            self._falls.append(fall)

    def _judge(self) -> None:
        if not self._falls or not self._calm():
            return
        if self._uart.clock.stalled_ps != self._stalled_ps:
            return
        first = self._arrivals.first_unread
        taken = self._arrivals.arrived_count - self._uart.receive_level  # the rest is not lost yet
        for fall in self._falls:
            if fall.lost_before != self._lost or (first is not None and first < fall.taken):
                return  # something was lost before
            lost = fall.lost
            end = min(fall.end, taken)
            if first is not None and first < end:
                lost += min(self._arrivals.unread, end - first)
            if lost:
                self._report(fall, lost)
                return

    def _report(self, fall: _Fall, lost: int) -> None:
        came = fall.before_late - fall.arrived + fall.late
        text = f"{_characters(came)} came after RTS fell here, and {min(lost, came)} of them got "
        text += "lost: it has to fall while there is still room for what is on its way"
        register = f"{self._uart.name}.MCR"
        self._context.findings.report(_RULE, text, register=register, place=fall.place)


def _characters(count: int) -> str:
    return f"{count} character" if count == 1 else f"{count} characters"
