"""What the bench asks of a timer driver."""

from __future__ import annotations

from typing import Protocol

__all__ = ["TIMER_METHODS", "TimerDriver"]

TIMER_METHODS = ("open", "close", "now", "every", "periods", "alarm")


class TimerDriver(Protocol):
    """Keep time with one timer.

    A driver is constructed with the window of its timer and the processor, and touches neither
    before `open`. Times are counted in cycles of the timer's clock, ``io.clock_hz`` of them a
    second.

    Attributes:
        missed: how often the timer said that a period had ended before the last was served,
            cumulative over the life of the driver.
    """

    missed: int

    def open(self) -> None:
        """Set the timer up from whatever state it is in; no periods are counted yet."""

    def close(self) -> None:
        """Stop the timer, silence it and let go of its interrupt."""

    def now(self) -> int:
        """Return the cycles that the timer has counted, as they are at some moment of the call."""

    def every(self, cycles: int) -> None:
        """Begin to count periods of so many cycles, from 0.

        Raises:
            ValueError: less than 2 cycles, or more than 2**32.
        """

    def periods(self) -> int:
        """Return how many periods have ended since `every`."""

    def alarm(self, cycles: int, timeout: float | None = None) -> bool:
        """Wait until so many cycles have passed; False when `timeout` seconds were not enough.

        Periods go on being counted meanwhile.
        """
