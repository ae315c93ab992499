"""Where in the driver we are: the file and line that called the bench.

The bench's own frames are left out by their path, so the first frame that remains is the driver's,
be it main code or a handler.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from types import FrameType

__all__ = ["Place", "driver_frame", "driver_place", "place_of"]

Place = tuple[str, int]  # file, line; ("", 0) when no driver code is running

_BENCH = str(Path(__file__).resolve().parent.parent) + os.sep


def driver_frame(frame: FrameType | None) -> FrameType | None:
    """Return the innermost frame from `frame` outwards that is not ours, None without one."""
    while frame is not None and frame.f_code.co_filename.startswith((_BENCH, "<frozen")):
        frame = frame.f_back
    return frame


def place_of(frame: FrameType | None) -> Place:
    """Return the file and line of the innermost frame from `frame` outwards that is not ours."""
    found = driver_frame(frame)
    return ("", 0) if found is None else (found.f_code.co_filename, found.f_lineno)


def driver_place() -> Place:
    """Return the file and line of the driver code that is calling the bench right now."""
    return place_of(sys._getframe(1))  # noqa: SLF001 - documented, and 20 times faster than inspect
