"""What a watchdog was asked to guard, when it must bite, and which resets are still to be told.

The one idea: from the moment at which it began to count follows when it may be fed and when it
bites. Where that moment is known only as lying within a call, so do the others.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from emu.kernel.clock import PS_PER_S

__all__ = ["Bite", "Guarding", "Resets", "Window", "cause_of", "listed"]

_CAUSES = {0x04: "software", 0x100: "late", 0x200: "early", 0x400: "wrong-key", 0x01: "power-on"}


def cause_of(bits: int) -> str:
    """Return the name of the one cause that bits of CAUSE stand for."""
    return next(name for bit, name in _CAUSES.items() if bits & bit)


def listed(names: Iterable[str]) -> str:
    """Return causes in words."""
    return ", ".join(sorted(names)) or "nothing"


class Window(NamedTuple):
    """What was asked for.

    Args:
        timeout: ticks until it bites.
        opens: ticks until it may be fed.
        locked: whether only a reset can stop it.
    """

    timeout: int
    opens: int
    locked: bool

    @property
    def possible(self) -> bool:
        """Whether it can be made."""
        return 1 <= self.timeout < 2**32 and 0 <= self.opens < self.timeout

    def __str__(self) -> str:
        opens = f", open from {self.opens}" if self.opens else ""
        return f"{self.timeout} ticks{opens}{', locked' if self.locked else ''}"


class Guarding(NamedTuple):
    """A window in force.

    Args:
        window: what was asked for.
        clock_hz: of the watchdog.
        first_ps, last_ps: between which moments it began to count.
    """

    window: Window
    clock_hz: int
    first_ps: int
    last_ps: int

    def begun(self, at_ps: int) -> Guarding:
        """Return the same, counting from a moment that is known."""
        return self._replace(first_ps=at_ps, last_ps=at_ps)

    def ticks_ps(self, ticks: int) -> int:
        """Return how long so many ticks last."""
        return -(-ticks * PS_PER_S // self.clock_hz)

    @property
    def opens_ps(self) -> tuple[int, int]:
        """Between which moments the window opens."""
        length_ps = self.ticks_ps(self.window.opens)
        return self.first_ps + length_ps, self.last_ps + length_ps

    @property
    def bites_ps(self) -> tuple[int, int]:
        """Between which moments it bites unless it is fed."""
        length_ps = self.ticks_ps(self.window.timeout)
        return self.first_ps + length_ps, self.last_ps + length_ps


class Bite(NamedTuple):
    """A reset of the board by its watchdog.

    Args:
        cause: one of `emu.devices.watchdog_driver.CAUSES`.
        at_ps: when.
        calling: the driver's call that it ended, ``""`` for none.
        mixed: whether another task had called in the middle of it.
        stray: whether it came of what another program did.
    """

    cause: str
    at_ps: int
    calling: str
    mixed: bool
    stray: bool


@dataclass(slots=True)
class Resets:
    """Keep which resets a driver has to tell of.

    Attributes:
        due: those since the last ``open`` began, which the next one finds.
        perhaps: those that it may find as well, since an ``open`` was cut off that may have taken
            them.
        told: those that the last ``open`` found, and which must be told.
        tellable: those that may be told.
        known: all that a driver has been given to tell so far.
    """

    due: set[str] = field(default_factory=lambda: {"power-on"})
    perhaps: set[str] = field(default_factory=set)
    told: set[str] = field(default_factory=set)
    tellable: set[str] = field(default_factory=set)
    known: set[str] = field(default_factory=set)

    def happened(self, cause: str, *, in_open: bool) -> None:
        """Note a reset, which may have cut off an ``open``."""
        if in_open:
            self.perhaps |= self.due
            self.due.clear()
        self.due.add(cause)

    def opened(self, *, in_doubt: bool) -> None:
        """Note that ``open`` has taken them; in doubt it may have left them, or lost them."""
        self.told = set() if in_doubt else set(self.due)
        self.tellable = self.due | self.perhaps
        self.known |= self.tellable
        self.perhaps = set(self.tellable) if in_doubt else set()
        self.due.clear()
