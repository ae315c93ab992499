"""Which broken promises a fault excuses: those that it made impossible at the time, and no others.

The one idea: a promise is kept or broken in a stretch of time, that of a call or of a session from
``open`` to ``close``, and a fault excuses it only for what it did in that stretch. So a fault that
has ended covers nothing that a driver does wrong after its port was opened again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from emu.kernel.clock import Clock
from emu.scenario.books import Bounds, ErrorBooks

__all__ = ["Excuses", "settle_books"]

_RECEIVING = ("order", "loss", "errors")


class Excuses:
    """Ask the faults of a run for excuses.

    Args:
        clock: the clock of the board.

    Attributes:
        find: returns the promises that could not be kept since a first moment; damage that lasts
            until a port is opened again counts from a second. None while there are no faults.
    """

    def __init__(self, clock: Clock) -> None:
        self.find: Callable[[int, int], Mapping[str, list[str]]] | None = None
        self._clock = clock
        self._called_ps = self._opened_ps = self._settled_ps = 0

    def call_begins(self) -> None:
        """Note that the driver is called."""
        self._called_ps = self._clock.now_ps

    def session_begins(self) -> None:
        """Note that a closed port is being opened."""
        self._opened_ps = self._settled_ps = self._clock.now_ps

    def settled(self) -> None:
        """Note that what was received up to now is judged, and forgotten where it was excused."""
        self._settled_ps = self._clock.now_ps

    def excuse(self, promise: str) -> bool:
        """Say whether a promise that was just found broken could not be kept."""
        if self.find is None:
            return False
        if promise in _RECEIVING:
            return promise in self.find(self._settled_ps, self._settled_ps)
        from_ps = self._opened_ps if promise == "sent" else self._called_ps
        return promise in self.find(from_ps, self._opened_ps)


def settle_books(books: ErrorBooks, counter: Callable[[str], int]) -> None:
    """Take the counters as they are for what had to be counted, and may have been at least."""
    for name in ("overrun", "parity", "framing", "breaks"):
        bounds: Bounds = getattr(books, name)
        bounds.least = counter(name)
        bounds.most = max(bounds.most, bounds.least)
    books.both = 0
