"""What the bench asks of a driver of pins."""

from __future__ import annotations

from typing import Protocol

__all__ = ["EDGES", "PIN_METHODS", "PinDriver"]

PIN_METHODS = (
    "open", "close", "output", "input", "set", "get", "watch", "edges", "follow",
)  # fmt: skip
EDGES = ("rising", "falling", "both")


class PinDriver(Protocol):
    """Drive, read and watch sixteen pins.

    A driver is constructed with the window of its pins and the processor, and touches neither
    before `open`. Pins are numbered from 0 to 15; a number that is none of them raises a
    ValueError and changes nothing. Whatever is called, no other pin changes. Other tasks may call
    `output`, `input` and `set` for pins of their own in the middle of any call but `open` and
    `close`.
    """

    def open(self) -> None:
        """Make every pin an input, from whatever state they are in; nothing is watched yet."""

    def close(self) -> None:
        """Make every pin an input, and let go of the interrupt."""

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        """Make a pin an output at a level, without the other level ever showing meanwhile.

        Args:
            pin: which.
            level: 0 or 1.
            open_drain: whether it is to be let go instead of driven high.
        """

    def input(self, pin: int) -> None:
        """Let go of a pin."""

    def set(self, pin: int, level: int) -> None:
        """Set an output to a level, 0 or 1."""

    def get(self, pin: int) -> int:
        """Return the level that a pin shows at some moment of the call, 0 or 1."""

    def watch(self, pin: int, edge: str) -> None:
        """Begin to count the edges of a pin, from 0.

        Args:
            pin: which.
            edge: ``"rising"``, ``"falling"`` or ``"both"``.
        """

    def edges(self, pin: int) -> int:
        """Return how many edges of a watched pin came since `watch`.

        Those that come while one is latched in PENDING count as one with it.
        """

    def follow(self, source: int, target: int) -> None:
        """Make `target` an output that has the level of `source`, now and soon after each edge.

        That ends with the next `output`, `input` or `set` of `target`, or `watch` of `source`. A
        pin is watched or followed, not both: the later call ends what the earlier began.
        """
