"""The shapes that steps of every trade are made of."""

from __future__ import annotations

from typing import Any

from emu.scenario.model import NEVER_PS
from emu.scenario.quantities import CYCLES, DURATION
from emu.scenario.shape import JsonSchema, Key, Shape
from emu.scenario.source import Node, Notes

__all__ = ["COMMON_STEPS", "TIMEOUT", "Nothing", "StepTable", "TimeOut"]

StepTable = dict[str, tuple[Shape, str, tuple[Key, ...]]]
"""Shape, meaning and options of each step."""


class TimeOut:
    """Take a duration, or ``never``."""

    def read(self, node: Node, notes: Notes) -> int:
        """Return the time-out in ps, `NEVER_PS` for never."""
        if node.value == "never":
            return NEVER_PS
        found: int = DURATION.read(node, notes)
        return found

    def schema(self) -> JsonSchema:
        """Return the schema of the time-out."""
        return {"anyOf": [DURATION.schema(), {"const": "never"}]}


class Nothing:
    """Take nothing, or what `shape` takes, if given."""

    def __init__(self, shape: Shape | None = None) -> None:
        self._shape = shape
        self.takes_value = shape is not None

    def read(self, node: Node, notes: Notes) -> Any:  # noqa: ANN401 - what `shape` returns
        """Return None or the value."""
        if node.value is None:
            return None
        if self._shape is None:
            raise notes.refuse(node, f"{node} where nothing belongs", fix="leave it out")
        return self._shape.read(node, notes)

    def schema(self) -> JsonSchema:
        """Return the schema of nothing or the value."""
        nothing: JsonSchema = {"type": "null"}
        return {"anyOf": [nothing, self._shape.schema()]} if self._shape else nothing


TIMEOUT = Key("timeout", TimeOut(), "time-out of each call, or never")

COMMON_STEPS: StepTable = {
    "wait": (DURATION, "leave the driver alone for so long", ()),
    "work": (CYCLES, "compute for so many cycles", ()),
}
"""Steps that ask nothing of a driver."""
