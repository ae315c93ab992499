"""What was asked of pins, and what came of them: an output, a watch, a pin that follows another.

The one idea: each of these is judged by the levels that the pin showed and by when they changed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

__all__ = ["LET_GO", "Following", "Wanted", "Watched"]


class Wanted(NamedTuple):
    """What a pin was asked to show.

    Args:
        level: 0 or 1.
        open_drain: whether it is let go instead of driven high.
    """

    level: int
    open_drain: bool = False

    @property
    def released(self) -> bool:
        """Whether the outside says which level it shows."""
        return bool(self.level) and self.open_drain

    def met(self, level: int, *, driven: bool) -> bool:
        """Say whether a pin that shows a level, driven by its device or not, does as asked."""
        return not driven if self.released else level == self.level and driven

    def shown(self, outside: int) -> int:
        """Return the level that it shows where the outside has a level.

        On the way there it may be driven or let go, which nobody can see as long as that is the
        level.
        """
        return outside if self.released else self.level


LET_GO = Wanted(1, open_drain=True)
"""What an input is asked for."""


@dataclass(slots=True)
class Watched:
    """Count the edges of one pin.

    Args:
        edge: one of `emu.devices.pin_driver.EDGES`.
        most: edges since `watch` was called.
        due_ps: when each came since it returned that was not merged with one before, in time that
            the driver had.
        returned: whether it did.
    """

    edge: str
    most: int = 0
    due_ps: list[int] = field(default_factory=list)
    returned: bool = False

    def take(self, *, rose: bool, fell: bool, merged: bool, used_ps: int) -> None:
        """Take an edge in, if it is of the kind that is watched.

        Args:
            rose: whether the pin rose.
            fell: whether it fell.
            merged: whether the device had latched one already that nobody has cleared.
            used_ps: when it came.
        """
        if not ((rose and self.edge != "falling") or (fell and self.edge != "rising")):
            return
        self.most += 1
        if self.returned and not merged:
            self.due_ps.append(used_ps)

    def least(self, until_ps: int) -> int:
        """Return how many edges must have been counted that came until some time."""
        return sum(one <= until_ps for one in self.due_ps)


@dataclass(slots=True)
class Following:
    """Compare an output with the pin that it follows.

    Args:
        source: number of that pin.
        levels: those that it has had since the output changed last.
        moved_ps: when it changed last, in time that the driver had.
    """

    source: int
    levels: set[int]
    moved_ps: int

    def take(self, before: int, after: int, used_ps: int) -> None:
        """Take in how the levels of all pins changed, one bit a pin."""
        if (before ^ after) >> self.source & 1:
            self.levels.add(after >> self.source & 1)
            self.moved_ps = used_ps

    def settle(self, after: int) -> None:
        """Note that the output has changed."""
        self.levels = {after >> self.source & 1}
