"""The steps of a scenario file: what the driver is asked to do, one step an item.

The one idea: a step is a mapping with one action, and options beside it; an action that needs
nothing may stand as a bare word. Each action has a table of its own, so an option that would do
nothing is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from emu.errors import nearest
from emu.scenario.load_board import Name
from emu.scenario.load_data import DATA
from emu.scenario.model import ACTIONS, Step
from emu.scenario.quantities import CYCLES, DURATION, LINE
from emu.scenario.shape import JsonSchema, Key, Shape, Table, Values, Whole
from emu.scenario.source import Node, Notes

__all__ = ["STEP"]

_MOST_BYTES = 1 << 20


class _Amount:
    """Take a number of bytes, or ``all``: until the far end has fallen silent."""

    def read(self, node: Node, notes: Notes) -> int | None:
        """Return the number, None for all."""
        if node.value == "all":
            return None
        if not isinstance(node.value, int) or isinstance(node.value, bool):
            raise notes.refuse(
                node, f"{node} is no number of bytes", allowed=f"0 to {_MOST_BYTES}, or all"
            )
        return Whole(0, _MOST_BYTES).read(node, notes)

    def schema(self) -> JsonSchema:
        """Return the schema of the amount."""
        return {"anyOf": [Whole(0, _MOST_BYTES).schema(), {"const": "all"}]}


class _Nothing:
    """Take nothing, or what `shape` takes, if given."""

    def __init__(self, shape: Shape | None = None) -> None:
        self._shape = shape

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


_COUNT = Whole(0, _MOST_BYTES)

_EXCHANGE = Table(
    "an exchange",
    (
        Key("send", DATA, "bytes to send", required=True),
        Key("receive", _COUNT, "bytes to receive meanwhile", required=True),
    ),
)

_BY = Key("by", Name(), "name of the port whose driver does it, or far for the other end's")
_TIMEOUT = Key("timeout", DURATION, "time-out of each call")
_CHUNK = Key("chunk", Whole(0, _MOST_BYTES), "most bytes handed to one call, 0 for all")

_ACTIONS: dict[str, tuple[Shape, str, tuple[Key, ...]]] = {
    "open": (_Nothing(LINE), "open the line, with these settings", ()),
    "send": (DATA, "send bytes", (_TIMEOUT, _CHUNK)),
    "receive": (_Amount(), "receive bytes, or all until the far end is silent", (_TIMEOUT, _CHUNK)),
    "exchange": (_EXCHANGE, "send and receive at the same time", (_TIMEOUT, _CHUNK)),
    "echo": (_COUNT, "give back so many bytes", (_TIMEOUT, _CHUNK)),
    "drain": (_Nothing(), "wait until everything has left", (_TIMEOUT,)),
    "wait": (DURATION, "leave the driver alone for so long", ()),
    "work": (CYCLES, "compute for so many cycles", ()),
    "line": (LINE, "change both ends to other settings", ()),
    "reopen": (_Nothing(LINE), "close and open again, with these settings", ()),
    "close": (_Nothing(), "close the line", ()),
}
_BARE = tuple(action for action in ACTIONS if isinstance(_ACTIONS[action][0], _Nothing))

_TABLES = {
    action: Table(f"a step {action!r}", (Key(action, shape, meaning, required=True), *options, _BY))
    for action, (shape, meaning, options) in _ACTIONS.items()
}


class _StepShape:
    """Take one step."""

    def read(self, node: Node, notes: Notes) -> tuple[Step, Mapping[str, Node]]:
        """Return the step and where its parts stand."""
        if isinstance(node.value, str):
            return self._bare(node, notes)
        if not node.is_mapping:
            raise notes.refuse(node, f"{node} where a step belongs", allowed=", ".join(ACTIONS))
        given = [key for key, _ in node.value]
        actions = [key for key in given if key.text in ACTIONS]
        if not actions:
            hints = [nearest(key.text, ACTIONS) for key in given]
            fix = next((hint for hint in hints if hint.startswith("did")), "")
            raise notes.refuse(
                node, "a step that does nothing", allowed=", ".join(ACTIONS), fix=fix
            )
        if len({key.text for key in actions}) > 1:
            raise notes.refuse(
                actions[1], f"{actions[1].text!r} beside {actions[0].text!r} in one step",
                fix="begin another item with -",
            )  # fmt: skip
        action = actions[0].text
        values = _TABLES[action].read(node, notes)
        return _step(action, values), {**values.places, "step": node}

    def schema(self) -> JsonSchema:
        """Return a schema with one branch an action."""
        return {"anyOf": [{"enum": list(_BARE)}, *(one.schema() for one in _TABLES.values())]}

    def _bare(self, node: Node, notes: Notes) -> tuple[Step, Mapping[str, Node]]:
        if node.value in _BARE:
            return Step(node.value, row=node.line), {"step": node}
        if node.value in ACTIONS:
            raise notes.refuse(
                node,
                f"{node.value!r} alone does not say what",
                fix=f"write {node.value}: and a value",
            )
        hint = nearest(node.value, ACTIONS)
        raise notes.refuse(
            node, f"no step {node}", allowed=", ".join(ACTIONS),
            fix=hint if hint.startswith("did") else "",
        )  # fmt: skip


STEP = _StepShape()


def _step(action: str, values: Values) -> Step:
    """Return the step that a mapping describes."""
    main = values.get(action)
    exchange: Mapping[str, Any] = main if action == "exchange" and main is not None else {}
    counted = action in {"receive", "echo"}
    return Step(
        action=action,
        data=(main or b"") if action == "send" else exchange.get("send", b""),
        count=main if counted else exchange.get("receive"),
        line=main if action in {"open", "line", "reopen"} else None,
        duration_ps=(main or 0) if action == "wait" else 0,
        cycles=(main or 0) if action == "work" else 0,
        timeout_ps=values.get("timeout"),
        chunk=values.get("chunk", 0),
        by=values.get("by", ""),
        row=values.node.line,
    )
