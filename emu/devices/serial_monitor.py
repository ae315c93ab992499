"""What a serial controller tells whoever watches it: contract, rules, record.

The controller calls its one monitor as things happen to characters; a monitor that wants others to
hear too hands on what it is told.
"""

from __future__ import annotations

from typing import Protocol

__all__ = ["Nobody", "SerialMonitor"]


class SerialMonitor(Protocol):
    """What may be told to whoever watches a serial controller: contract, rules, reports."""

    def arrived(self, data: int, flags: int) -> None:
        """Note that a character entered the buffer, with the error flags it carries."""

    def arrived_row(self, data: bytes) -> None:
        """Note that several characters without errors entered the buffer, one after the other."""

    def overran(self, data: int) -> None:
        """Note that `data` was lost for want of room; called just before the overrun flag rises."""

    def discarded(self, characters: list[int]) -> None:
        """Note that the driver cleared received characters away unread."""

    def loaded(self, data: int) -> None:
        """Note that a character was written for sending and there was room."""

    def spilled(self, data: int) -> None:
        """Note that a character was written without room and is lost."""

    def cleared(self, count: int) -> None:
        """Note that the driver cleared `count` characters that were to be sent."""

    def shifting(self, data: int, end_ps: int) -> None:
        """Note that a character started on the wire; its last stop bit ends at `end_ps`."""


class Nobody:
    """Watch nothing: the monitor of a controller that nobody watches."""

    def arrived(self, data: int, flags: int) -> None:
        """Ignore it."""

    def arrived_row(self, data: bytes) -> None:
        """Ignore them."""

    def overran(self, data: int) -> None:
        """Ignore it."""

    def discarded(self, characters: list[int]) -> None:
        """Ignore them."""

    def loaded(self, data: int) -> None:
        """Ignore it."""

    def spilled(self, data: int) -> None:
        """Ignore it."""

    def cleared(self, count: int) -> None:
        """Ignore them."""

    def shifting(self, data: int, end_ps: int) -> None:
        """Ignore it."""
