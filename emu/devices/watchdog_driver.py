"""What the bench asks of a watchdog driver."""

from __future__ import annotations

from typing import Protocol

__all__ = ["CAUSES", "WATCHDOG_METHODS", "WatchdogDriver"]

WATCHDOG_METHODS = ("open", "close", "guard", "feed", "causes", "restart")
CAUSES = ("power-on", "software", "late", "early", "wrong-key")
"""Why a board was reset, as `WatchdogDriver.causes` tells it."""


class WatchdogDriver(Protocol):
    """Guard a board with one watchdog.

    A driver is constructed with the window of its watchdog and the processor, and touches neither
    before `open`. Times are counted in ticks of the watchdog's clock, ``io.clock_hz`` of them a
    second. A reset of the board ends whatever is being called; after it a new driver is
    constructed, which knows nothing of the old one. Another task may call `feed` in the middle of
    any call but `open` and `close`.
    """

    def open(self) -> None:
        """Take the watchdog over from whatever state it is in, and stop it.

        One that is locked goes on with the time and the window that it has, and can be fed. The
        causes of resets are taken out of the device, so that none of them is told twice.
        """

    def close(self) -> None:
        """Stop the watchdog. One that is locked goes on, and is for whoever opens it to feed."""

    def guard(self, timeout: int, opens: int = 0, locked: bool = False) -> bool:
        """Begin to guard, in the place of what was guarded before.

        Args:
            timeout: ticks without a feed after which the board is reset, 1 to 2**32 - 1.
            opens: ticks before which a feed resets it too, less than `timeout`.
            locked: whether nothing but a reset may stop or change it from then on.

        Returns:
            Whether that is in force now, counting from 0; False, and nothing changed, where a
            locked watchdog is at work.

        Raises:
            ValueError: the window cannot be made.
        """

    def feed(self) -> bool:
        """Feed the watchdog if it can be fed now, without waiting.

        Returns:
            Whether it was fed; False, without harm, where its window is not open yet, nothing is
            guarded, or another task is feeding it.
        """

    def causes(self) -> frozenset[str]:
        """Return which resets there were before the last `open`, and since the one before it.

        They are named as in `CAUSES`.
        """

    def restart(self) -> None:
        """Reset the board by software; that is the end of the driver."""
