"""Where in the driver we are: the file and line that called the bench.

The bench's own frames are left out by their path, so the first frame that remains is the driver's,
be it main code or a handler.
"""

from __future__ import annotations

import ast
import linecache
import os
import sys
from functools import lru_cache
from pathlib import Path
from types import CodeType, FrameType

__all__ = [
    "OURS",
    "Place",
    "driver_frame",
    "driver_place",
    "is_given_register",
    "place_in",
    "place_of",
]

Place = tuple[str, int]  # file, line; ("", 0) when no driver code is running

_ACCESSES = {f"{way}{width}" for way in ("read", "write") for width in (8, 16, 32, 64)}
_NO_REGISTERS = {"self", "cls", "io", "window", "cpu"}
_BENCH = str(Path(__file__).resolve().parent.parent) + os.sep


class _Ours(dict[str, bool]):
    """Say of a file whether its code is ours; each is looked at once, since many frames ask."""

    def __missing__(self, file: str) -> bool:
        ours = self[file] = file.startswith((_BENCH, "<frozen"))
        return ours


OURS = _Ours()


def driver_frame(frame: FrameType | None) -> FrameType | None:
    """Return the innermost frame from `frame` outwards that is not ours, None without one."""
    while frame is not None and OURS[frame.f_code.co_filename]:
        frame = frame.f_back
    return frame


def place_of(frame: FrameType | None) -> Place:
    """Return the file and line of the innermost frame from `frame` outwards that is not ours.

    A function that does nothing but hand an access on, as ``_in(register)`` does in many drivers,
    is left out as well: the line that matters is its caller's.
    """
    found = driver_frame(frame)
    if found is None:
        return "", 0
    caller = found.f_back
    if caller is not None and driver_frame(caller) is caller and _hands_on(found.f_code):
        found = caller
    return found.f_code.co_filename, found.f_lineno


def place_in(code: CodeType, instruction: int) -> Place:
    """Return the file and line of an instruction, given by its offset in `code`."""
    line = next((row for start, end, row in code.co_lines() if start <= instruction < end), None)
    return code.co_filename, line or code.co_firstlineno


@lru_cache(maxsize=256)
def _hands_on(code: CodeType) -> bool:
    """Say whether a function is one line that makes an access with what it was given."""
    body = {line for _, _, line in code.co_lines() if line} - {code.co_firstlineno}
    line = max(body, default=code.co_firstlineno)
    return len(body) <= 1 and (is_given_register(code, line) or _makes_access(code))


def _makes_access(code: CodeType) -> bool:
    given = set(code.co_varnames[: code.co_argcount]) - _NO_REGISTERS
    return bool(given) and not _ACCESSES.isdisjoint(code.co_names)


@lru_cache(maxsize=512)
def is_given_register(code: CodeType, line: int) -> bool:
    """Say whether a line makes a call whose first argument is made of what its function was given.

    That is the register in ``self._io.write8(register * self._io.stride, value)``.
    """
    given = set(code.co_varnames[: code.co_argcount]) - _NO_REGISTERS
    return bool(given) and any(
        isinstance(node, ast.Name) and node.id in given
        for call in _calls(code.co_filename).get(line, ())
        if call.args
        for node in ast.walk(call.args[0])
    )


@lru_cache(maxsize=64)
def _calls(file: str) -> dict[int, list[ast.Call]]:
    """Return the calls of a file of source by the lines that they stand in."""
    try:
        tree = ast.parse("".join(linecache.getlines(file)))
    except SyntaxError:
        return {}
    found: dict[int, list[ast.Call]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            for line in range(node.lineno, (node.end_lineno or node.lineno) + 1):
                found.setdefault(line, []).append(node)
    return found


def driver_place() -> Place:
    """Return the file and line of the driver code that is calling the bench right now."""
    return place_of(sys._getframe(1))  # noqa: SLF001 - documented, and 20 times faster than inspect
