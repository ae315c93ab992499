"""One line on a terminal that says how far long work is; nothing anywhere else."""

from __future__ import annotations

import shutil
import sys
import time
from typing import Self, TextIO

__all__ = ["Progress"]

_EVERY_S = 0.2
_AFTER_S = 1.0
_BAR = 24


class Progress:
    """Show a line and keep it up to date; a context manager that takes it away at the end.

    Args:
        stream: where to, standard error if not given; shown only if it is a terminal.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream if stream is not None else sys.stderr
        self._shown = self._stream.isatty()
        self._next_s = time.monotonic() + _AFTER_S
        self._width = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()

    def tell(self, text: str, share: float | None = None) -> None:
        """Show `text`, and a bar if the share of the work that is done is known (0 to 1)."""
        if not self._shown or time.monotonic() < self._next_s:
            return
        self._next_s = time.monotonic() + _EVERY_S
        full = round(_BAR * min(max(share, 0.0), 1.0)) if share is not None else 0
        bar = f"{'=' * full}{'.' * (_BAR - full)}  " if share is not None else ""
        line = f"{bar}{text}"[: shutil.get_terminal_size().columns - 1]
        self._stream.write("\r" + line.ljust(self._width))
        self._width = max(self._width, len(line))
        self._stream.flush()
