"""What a driver's error counters may show: the books that the contract keeps of line errors.

The one idea: each counter has a least and a most. The most is what the controller flagged in all;
the least leaves out what a correct driver may never have been shown, or may count as another kind.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR

__all__ = ["Bounds", "ErrorBooks", "count_of", "counter"]


def counter(errors: object, name: str) -> int | None:
    """Return one of a driver's counters, None when it is no number."""
    try:
        return int.__int__(operator.index(getattr(errors, name, None)))  # type: ignore[arg-type]
    except Exception:  # noqa: BLE001 - it is the driver's object and may do anything
        return None


def count_of(errors: object, name: str) -> int:
    """Return one of a driver's counters, 0 when it is no number."""
    return counter(errors, name) or 0


@dataclass(slots=True)
class Bounds:
    """The least and the most that a counter may show."""

    least: int = 0
    most: int = 0

    def lower(self, count: int) -> None:
        """Ask for `count` less."""
        self.least = max(0, self.least - count)

    def __str__(self) -> str:
        return str(self.least) if self.least == self.most else f"{self.least} to {self.most}"


@dataclass(slots=True)
class ErrorBooks:
    """What is known about counters.

    Attributes:
        both: characters with parity and framing error, of which one may go uncounted.
    """

    overrun: Bounds = field(default_factory=Bounds)
    parity: Bounds = field(default_factory=Bounds)
    framing: Bounds = field(default_factory=Bounds)
    breaks: Bounds = field(default_factory=Bounds)
    both: int = 0

    def enter(self, flags: int, *, sure: bool) -> None:
        """Enter the flags of a character: a break may count as framing or parity error besides.

        Args:
            flags: as in LSR.
            sure: whether they must be counted, and not just may be.
        """
        if flags & BREAK:
            self.breaks.most += 1
            self.breaks.least += sure
            self.framing.most += 1
            self.parity.most += bool(flags & PARITY_ERROR)
            return
        parity, framing = bool(flags & PARITY_ERROR), bool(flags & FRAMING_ERROR)
        self.parity.most += parity
        self.framing.most += framing
        if parity and framing:
            self.both += sure
        else:
            self.parity.least += parity and sure
            self.framing.least += framing and sure

    def let_go(self, flags: int) -> None:
        """Let the flags of a character that had to be counted go uncounted."""
        parity, framing = bool(flags & PARITY_ERROR), bool(flags & FRAMING_ERROR)
        if flags & BREAK:
            self.breaks.lower(1)
        elif parity and framing:
            self.both -= 1
        else:
            self.parity.lower(parity)
            self.framing.lower(framing)

    def complaints(self, counter: Callable[[str], int]) -> Iterator[str]:
        """Yield what is wrong with the counters that ``counter(name)`` gives, overruns left out."""
        for name, bounds in (
            ("parity", self.parity), ("framing", self.framing), ("breaks", self.breaks)
        ):  # fmt: skip
            count = counter(name)
            if not bounds.least <= count <= bounds.most:
                yield f"errors.{name} is {count}, the device flagged {bounds}"
        both = counter("parity") + counter("framing")
        least = self.parity.least + self.framing.least + self.both
        if both < least:
            yield f"parity and framing errors counted: {both}, flagged: at least {least}"
