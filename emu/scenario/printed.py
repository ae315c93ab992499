"""What a driver prints is kept out of the way of the verdict, and a little of it is shown."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer as Buffer

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
        if not isinstance(text, str):
            raise TypeError(f"write() argument must be str, not {type(text).__name__}")
        kept = text[: self._left]
        if kept:
            self._kept.append(kept)
            self._left -= len(kept)
        self.dropped += len(text) - len(kept)
        return len(text)

    @property
    def buffer(self) -> io.BufferedIOBase:
        """A place for bytes, as ``sys.stdout`` has one."""
        return _PrintedBytes(self)

    @property
    def text(self) -> str:
        """What was kept, with a note of what was not."""
        text = "".join(self._kept)
        return f"{text}... and {self.dropped} characters more" if self.dropped else text


class _PrintedBytes(io.BufferedIOBase):
    """Take bytes for a `Printed`."""

    def __init__(self, printed: Printed) -> None:
        super().__init__()
        self._printed = printed

    def writable(self) -> bool:
        """Take writes."""
        return True

    def write(self, data: Buffer) -> int:
        """Keep what there is room for."""
        octets = bytes(data)
        self._printed.write(octets.decode(errors="replace"))
        return len(octets)
