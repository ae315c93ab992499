"""A finding names the line that matters, not the helper that every access goes through."""

from __future__ import annotations

import inspect

from drivers_example.polled import PolledDriver
from emu.scenario.model import Step
from tests.driven_run import MS, outcome_of


class Helped(PolledDriver):
    """Read the data register blindly, by a helper that only hands the access on."""

    def _in(self, register: int) -> int:
        return self._io.read8(register * self._io.stride)

    def _in_twice(self, register: int) -> int:
        self._in(5)
        return self._io.read8(register * self._io.stride)  # in a helper that does more

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Read blindly."""
        self._in(0)  # by the helper
        self._in_twice(0)
        return super().read(size, timeout)


def line_of(text: str) -> int:
    """Return the line of this file that ends in a comment."""
    lines = inspect.getsource(inspect.getmodule(line_of) or Helped).splitlines()
    return next(number for number, line in enumerate(lines, 1) if line.endswith(f"  # {text}"))


def test_a_helper_that_only_hands_on_is_passed_over() -> None:
    """The line is that of the caller of a one-line helper, and of the access itself otherwise."""
    outcome = outcome_of(Helped, Step("receive", count=1, timeout_ps=MS), far_end="sink")
    lines = {one.line for one in outcome.findings if one.rule == "read-when-empty"}
    assert lines == {line_of("by the helper"), line_of("in a helper that does more")}
