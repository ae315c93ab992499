"""An invitation that comes too early: RTS rises in ``open`` before the receiver can receive.

The one idea: RTS asks a far end that heeds it to speak, so divisor and word format have to be set
by then. The order of accesses alone does no harm where the time between them is shorter than what
the far end takes to answer; so only a character that came in between counts.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from emu.devices.uart16550 import Uart16550
from emu.kernel.callers import asking_place
from emu.kernel.where import Place
from emu.line.far_end import FarEnd
from emu.line.frame import FrameFormat
from emu.rules.context import Activation, Context
from emu.units import show_duration

__all__ = ["InviteWatch"]

_RULE = "invited-before-set"


class _Settings(NamedTuple):
    """What the receiver goes by."""

    divisor: int
    frame: FrameFormat


class InviteWatch:
    """Watch RTS and the settings of the line in ``open`` (``invited-before-set``).

    No false alarm: the far end heeds RTS and was silent; ``open`` itself raised the wire, so not in
    loopback; a character began before ``open`` had given divisor or word format another value than
    they had then; ``open`` met no trouble and no fault has acted. Where a schedule has widened the
    time in between, it is a race that is found. Source of the order: the serial core of Linux
    (drivers/tty/serial/serial_core.c, from memory) raises DTR and RTS after the line settings.

    Args:
        uart: the controller.
        context: who is running.
        far_end: heeds RTS.
        calm: tells whether no fault has acted yet.
    """

    def __init__(
        self, uart: Uart16550, context: Context, far_end: FarEnd, calm: Callable[[], bool]
    ) -> None:
        self._uart = uart
        self._context = context
        self._far_end = far_end
        self._calm = calm
        self._raised: Place | None = None
        self._raised_ps = self._answered_ps = 0
        self._then: _Settings | None = None
        uart.signals["rts"].watch(self._follow)
        far_end.on_speak.append(self._spoken)

    def begins(self, name: str) -> None:
        """Begin anew."""
        if name == "open":
            self._raised = self._then = None

    def ends(self, name: str, ended: Activation) -> None:
        """Judge what came while ``open`` ran."""
        if name != "open":
            return
        raised, then = self._raised, self._then
        self._raised = self._then = None
        if raised is None or then in (None, self._now) or ended.disturbed or not self._calm():
            return
        after = show_duration(self._answered_ps - self._raised_ps)
        text = "RTS rises here and invites the far end before divisor and format are set: "
        text += f"a character began {after} later, and nothing could receive it"
        register = f"{self._uart.name}.MCR"
        self._context.findings.report(_RULE, text, register=register, place=raised)

    @property
    def _now(self) -> _Settings:
        return _Settings(self._uart.divisor, self._uart.frame)

    def _follow(self, level: int) -> None:
        """Note that RTS rises, if nothing has come of an earlier rise and nobody speaks."""
        now_ps = self._uart.clock.now_ps
        if not level or self._then is not None or self._far_end.last_end_ps > now_ps:
            return
        if self._context.here().name == "open":
            self._raised, self._raised_ps = asking_place(), now_ps

    def _spoken(self) -> None:
        """Note the settings under which the first character after that begins."""
        if self._raised is not None and self._then is None:
            self._then, self._answered_ps = self._now, self._uart.clock.now_ps
