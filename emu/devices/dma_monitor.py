"""What a DMA controller tells whoever watches it: which memory it owns, and what it does there.

The controller calls its one monitor as things happen; a monitor that wants others to hear too hands
on what it is told. From `began` to `ended` the spans belong to the engine: software that writes
one of them, or reads one that the engine writes, races with it.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

__all__ = ["DmaMonitor", "Nobody", "Span"]


class Span(NamedTuple):
    """Addresses that the engine owns: the first, the one after the last, and what it does there."""

    start: int
    stop: int
    written: bool


class DmaMonitor(Protocol):
    """What may be told to whoever watches a DMA controller."""

    def began(self, channel: int, spans: tuple[Span, Span]) -> None:
        """Note that a channel begins to move items from the first span to the second."""

    def moved(self, channel: int, address: int, size_bytes: int) -> None:
        """Note that one item was written at `address`."""

    def handed_back(self, channel: int, address: int) -> None:
        """Note that the descriptor at `address` was given back to software."""

    def went_round(self, channel: int) -> None:
        """Note that a circular channel goes on from the start of its spans."""

    def ended(self, channel: int, how: str) -> None:
        """Note that a channel has let go of its spans: ``done aborted error reset``."""


class Nobody:
    """Watch nothing: the monitor of a controller that nobody watches."""

    def began(self, channel: int, spans: tuple[Span, Span]) -> None:
        """Ignore it."""

    def moved(self, channel: int, address: int, size_bytes: int) -> None:
        """Ignore it."""

    def handed_back(self, channel: int, address: int) -> None:
        """Ignore it."""

    def went_round(self, channel: int) -> None:
        """Ignore it."""

    def ended(self, channel: int, how: str) -> None:
        """Ignore it."""
