"""What the bench asks of the driver of an interrupt controller."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

__all__ = ["DISPATCH_METHODS", "DispatchDriver"]

DISPATCH_METHODS = ("open", "close", "attach", "detach", "mask", "unmask")


class DispatchDriver(Protocol):
    """Hand the interrupts of many sources to their handlers, by way of one controller.

    A driver is constructed with the window of its controller and the processor, and touches
    neither before `open`. It connects a handler of its own to the controller's line. A handler that
    it was given may call `mask` for its own source, and leave the source asserted.
    """

    def open(self) -> None:
        """Take the controller over, whatever a predecessor left enabled, pending or claimed."""

    def close(self) -> None:
        """Let no source through any more, and let go of the controller's line."""

    def attach(self, source: int, handler: Callable[[], None], priority: int = 1) -> None:
        """Call `handler` whenever a source is asserted; those of a higher priority come first.

        Args:
            source: its number, from 1.
            handler: called until the source is no longer asserted.
            priority: 1 to 7.
        """

    def detach(self, source: int) -> None:
        """Let a source through no more, and forget its handler."""

    def mask(self, source: int) -> None:
        """Do not call the handler of a source until `unmask`."""

    def unmask(self, source: int) -> None:
        """Call it again, at once if the source is asserted."""
