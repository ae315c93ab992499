"""What the bench asks of a driver that keeps deadlines with a machine timer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

__all__ = ["DEADLINE_METHODS", "DeadlineDriver"]

DEADLINE_METHODS = ("open", "close", "time", "book", "cancel")


class DeadlineDriver(Protocol):
    """Keep any number of deadlines with the one compare of a machine timer.

    A driver is constructed with the window of its timer and the processor, and touches neither
    before `open`. Times are counted in ticks, ``io.clock_hz`` of them a second. The time itself is
    not set: others count on it.
    """

    def open(self) -> None:
        """Begin with no deadline, from whatever state the timer is in."""

    def close(self) -> None:
        """Forget all deadlines, silence the timer and let go of its interrupt."""

    def time(self) -> int:
        """Return the ticks that were counted, all 64 bits, as they are at a moment of the call."""

    def book(self, ticks: int, call: Callable[[], None]) -> int:
        """Let a function be called once, soon after the time has come to so many ticks.

        It is called in the handler, or in `book` itself where the time has come already, and may
        book and cancel others.

        Args:
            ticks: the time, counted as `time` counts it; it may have passed.
            call: the function.

        Returns:
            A number that no other deadline has which is still to come.

        Raises:
            ValueError: less than 0 ticks, or 2**64 and more.
        """

    def cancel(self, number: int) -> bool:
        """Take a deadline back; False when it was called already, or was never booked."""
