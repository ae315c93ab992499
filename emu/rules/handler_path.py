"""Which lines one run of a handler goes through: where a cause that it was shown falls through.

The one idea: a handler that leaves its cause alone has no access that could be named. What can be
named is the last test that it made after it had looked: the furthest line, in the function that
looked, that it reached without doing anything. Lines are followed in one run only, that after which
a finding is certain but for one more.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import CodeType, FrameType
from typing import Any, NamedTuple

from emu.kernel.where import Place, driver_frame

__all__ = ["HandlerPath"]

_MOST_LINES = 5000
_FEW_LINES = 3  # a function that ends so soon after its read has only handed it on

Tracer = Callable[[FrameType, str, Any], Any]


class _Line(NamedTuple):
    """A line that was reached.

    Args:
        code, number: where.
        reads: how many reads had been made by then.
    """

    code: CodeType
    number: int
    reads: int


class HandlerPath:
    """Follow a run of a handler, one at a time.

    Args:
        reads: counts the reads of the device.
    """

    def __init__(self, reads: Callable[[], int]) -> None:
        self._reads = reads
        self._lines: list[_Line] = []
        self._outer: Any = None
        self._first: FrameType | None = None
        self._following = False

    def begin(self) -> None:
        """Follow the handler that is about to run, until it returns."""
        self._lines = []
        self._first = None
        self._following = True
        self._outer = sys.gettrace()
        sys.settrace(self._enter)

    def end(self) -> None:
        """Stop, and leave tracing to whoever traced before."""
        self._following = False
        if sys.gettrace() == self._enter:
            sys.settrace(self._outer)

    def place(self) -> Place | None:
        """Return the line where the handler that was followed turned away from its cause."""
        lines = self._lines
        if not lines or not lines[-1].reads > lines[0].reads:
            return None
        after = [one for one in lines if one.reads == lines[-1].reads]
        for code in dict.fromkeys(one.code for one in after):
            numbers = [one.number for one in after if one.code is code]
            if len(numbers) > _FEW_LINES or code is lines[0].code:
                return code.co_filename, max(numbers)
        return after[0].code.co_filename, max(
            one.number for one in after if one.code is after[0].code
        )

    def passed(self, place: Place) -> bool:
        """Say whether the run that was followed went through a line."""
        return any((one.code.co_filename, one.number) == place for one in self._lines)

    def _enter(self, frame: FrameType, event: str, argument: object) -> Tracer | None:
        outer = self._outer(frame, event, argument) if self._outer is not None else None
        if not self._following:
            self.end()
            return outer
        if driver_frame(frame) is not frame:
            return outer
        if self._first is None:
            self._first = frame
        return _Both(self, outer)

    def note(self, frame: FrameType, event: str) -> None:
        """Note a line, or the end of the handler."""
        if event == "line" and len(self._lines) < _MOST_LINES:
            self._lines.append(_Line(frame.f_code, frame.f_lineno, self._reads()))
        elif event == "return" and frame is self._first:
            self.end()


class _Both:
    """Tell a path of a frame's lines, and whoever else traces that frame."""

    def __init__(self, path: HandlerPath, outer: Any) -> None:  # noqa: ANN401 - another's tracer
        self._path = path
        self._outer = outer

    def __call__(self, frame: FrameType, event: str, argument: object) -> Tracer:
        if self._outer is not None:
            self._outer = self._outer(frame, event, argument)
        self._path.note(frame, event)
        return self
