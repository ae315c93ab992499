"""Who asked for an access: the driver's line behind its helpers, and where two accesses meet.

The one idea: a driver is a pile of functions, and the line to change is often not the innermost.
A helper that is given the register writes whatever it is told, so its caller is meant. What was
done in the wrong order, or too late, is to be seen in the innermost function that both accesses go
through. And a loop that never ends is in the innermost function that is never left.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from types import CodeType, FrameType

from emu.kernel.where import OURS, Place, driver_frame, is_given_register

__all__ = [
    "Stack",
    "asking_place",
    "driver_frames",
    "driver_stack",
    "loop_place",
    "meeting",
]

Stack = tuple[tuple[CodeType, int], ...]  # functions and lines of the driver, outermost first


def driver_stack() -> Stack:
    """Return the functions that lead to the call of the bench that is being made, outermost first.

    Those of a handler begin with the handler. When it has returned, they are those of the code that
    it had interrupted.
    """
    found = []
    frame = driver_frame(sys._getframe(1))  # noqa: SLF001 - documented
    while frame is not None and not OURS[frame.f_code.co_filename]:
        found.append((frame.f_code, frame.f_lineno))
        frame = frame.f_back
    return tuple(reversed(found))


def asking_place() -> Place:
    """Return the driver's line that asked for the access that is being made.

    Helpers that are given the register, and so can be asked for any, are passed over.
    """
    frame = driver_frame(sys._getframe(1))  # noqa: SLF001 - documented
    if frame is None:
        return "", 0
    while is_given_register(frame.f_code, frame.f_lineno):
        caller = frame.f_back
        if caller is None or driver_frame(caller) is not caller:
            break
        frame = caller
    return frame.f_code.co_filename, frame.f_lineno


def meeting(one: Stack, other: Stack) -> tuple[Place, Place] | None:
    """Return the lines of the innermost function that two calls of the bench have in common.

    Returns:
        The line of the first call and that of the other; None if nothing is in common.
    """
    common = None
    for (code, line), (other_code, other_line) in zip(one, other, strict=False):
        if code is not other_code:
            break
        common = (code.co_filename, line), (code.co_filename, other_line)
        if line != other_line:
            break  # from here on they are two different calls, if it be of the same function
    return common


def driver_frames() -> list[FrameType]:
    """Return all frames of the driver, outermost first, those that a handler interrupts too."""
    found = []
    frame = driver_frame(sys._getframe(1))  # noqa: SLF001 - documented
    while frame is not None:
        found.append(frame)
        frame = driver_frame(frame.f_back)
    return found[::-1]


def loop_place(rounds: Sequence[Sequence[tuple[FrameType, int]]]) -> Place:
    """Return where the loop begins that a driver does not leave.

    Args:
        rounds: the driver's frames with their lines, outermost first, at several moments; one
            after the other, and so many that the loop has been gone round.

    Returns:
        The first line seen in the innermost function that was never left; no place without one.
    """
    lines: list[Place] = []
    for level in zip(*rounds, strict=False):
        if any(frame is not level[0][0] for frame, _ in level):
            break
        lines = [(frame.f_code.co_filename, line) for frame, line in level]
    return min(lines, default=("", 0))
