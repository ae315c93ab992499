"""What was booked of a driver that keeps deadlines, and what became of each.

The one idea: a deadline is late only by the time in which its driver could have gone on, so each
entry keeps what had held the driver up when it was booked.
"""

from __future__ import annotations

from dataclasses import dataclass

from emu.kernel.where import Place
from emu.scenario.device_port import Held

__all__ = ["Deadline"]


@dataclass(slots=True, eq=False)
class Deadline:
    """Keep one deadline.

    Args:
        number: from 1, in the order of booking.
        ticks: the time at which it is due.
        due_ps: when that is, in time that the driver could use.
        held: what had held the driver up when it was booked.
        chained: how many more its call books, each after the one before.
        gap: ticks from one to the next.
        token: the number that the driver gave it; None while `book` runs.
        calls: how often it was called.
        cancelled: whether `cancel` has said that it will not be called.
        over: whether it is of a session that was closed.
        missed: whether it was found not to have been called in time.
        unarmed: rule and place of what has left the compare too late for it.
    """

    number: int
    ticks: int
    due_ps: int
    held: Held
    chained: int = 0
    gap: int = 0
    token: int | None = None
    calls: int = 0
    cancelled: bool = False
    over: bool = False
    missed: bool = False
    unarmed: tuple[str, Place] = ("", ("", 0))

    @property
    def waiting(self) -> bool:
        """Whether it is still to be called."""
        return not (self.calls or self.cancelled or self.over or self.missed)
