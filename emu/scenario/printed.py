"""What a driver prints is kept out of the way of the verdict, and a little of it is shown."""

from __future__ import annotations

import io

__all__ = ["Printed"]

MOST_CHARACTERS = 10_000


class Printed(io.TextIOBase):
    """Keep the first characters written, count the rest.

    Attributes:
        dropped: how many characters were not kept.
    """

    def __init__(self) -> None:
        super().__init__()
        self._kept: list[str] = []
        self._left = MOST_CHARACTERS
        self.dropped = 0

    def writable(self) -> bool:
        """Take writes."""
        return True

    def write(self, text: str) -> int:
        """Keep what there is room for."""
        kept = text[: self._left]
        if kept:
            self._kept.append(kept)
            self._left -= len(kept)
        self.dropped += len(text) - len(kept)
        return len(text)

    @property
    def text(self) -> str:
        """What was kept, with a note of what was not."""
        text = "".join(self._kept)
        return f"{text}... and {self.dropped} characters more" if self.dropped else text
