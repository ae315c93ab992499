"""What the bench asks of a driver of clocks and reset lines."""

from __future__ import annotations

from typing import Protocol

__all__ = ["CLOCK_METHODS", "ClockDriver"]

CLOCK_METHODS = ("open", "close", "enable", "disable", "reset")


class ClockDriver(Protocol):
    """Let blocks run for whoever needs them, and stop those that nobody needs.

    A driver is constructed with the window of its clock gate and the processor, and touches
    neither before `open`. Blocks go by the number of their bit. Another task may call in the middle
    of a call.
    """

    def open(self) -> None:
        """Begin with no block enabled.

        What runs already may be stopped now, or be left alone until somebody has enabled it and
        nobody needs it any more.
        """

    def close(self) -> None:
        """Stop every block that is still enabled."""

    def enable(self, block: int, timeout: float | None = None) -> bool:
        """Let a block run, and wait until it answers; it runs until `disable` came as often.

        Returns:
            False when it does not answer within `timeout` seconds; then it is not enabled.

        Raises:
            ValueError: less than 0, or more than 31.
        """

    def disable(self, block: int) -> None:
        """Undo one `enable`; the last lets the block run no more, whether it keeps what it holds.

        Raises:
            ValueError: it is not enabled, or the number is out of range.
        """

    def reset(self, block: int, timeout: float | None = None) -> bool:
        """Bring an enabled block to the state of power-on, and wait until it answers again.

        Returns:
            False when it does not answer within `timeout` seconds.

        Raises:
            ValueError: it is not enabled, or the number is out of range.
        """
