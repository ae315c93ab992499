"""Where in the driver we are: the file and line that called the bench.

The bench's own frames are left out by their path, so the first frame that remains is the driver's,
be it main code or a handler.
"""

from __future__ import annotations

import sys
from pathlib import Path
from types import FrameType

__all__ = ["Place", "driver_place", "place_of"]

Place = tuple[str, int]  # file, line; ("", 0) when no driver code is running

_BENCH = str(Path(__file__).resolve().parent.parent) + "/"


def place_of(frame: FrameType | None) -> Place:
    """Return the file and line of the innermost frame from `frame` outwards that is not ours."""
    while frame is not None:
        code = frame.f_code
        if not code.co_filename.startswith((_BENCH, "<frozen")):
            return code.co_filename, frame.f_lineno
        frame = frame.f_back
    return "", 0


def driver_place() -> Place:
    """Return the file and line of the driver code that is calling the bench right now."""
    return place_of(sys._getframe(1))
