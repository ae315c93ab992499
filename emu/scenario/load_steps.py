"""The steps of a scenario file: what the driver is asked to do, one step an item.

The one idea: a step is a mapping with one action, and options beside it; an action that needs
nothing may stand as a bare word. Each action has a table of its own, so an option that would do
nothing is refused.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from emu.errors import nearest
from emu.scenario.load_board import Name
from emu.scenario.load_data import DATA
from emu.scenario.load_trade_steps import TRADE_STEPS
from emu.scenario.model import NEVER_PS, Leftovers, Step
from emu.scenario.quantities import LINE
from emu.scenario.shape import Choice, JsonSchema, Key, Table, Values, Whole
from emu.scenario.source import Node, Notes, Refused
from emu.scenario.step_shapes import COMMON_STEPS, TIMEOUT, Nothing, StepTable

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


_COUNT = Whole(0, _MOST_BYTES)

_EXCHANGE = Table(
    "an exchange",
    (
        Key("send", DATA, "bytes to send", required=True),
        Key("receive", _COUNT, "bytes to receive meanwhile", required=True),
    ),
)

_LEFT = Table(
    "what is left over",
    (
        *(
            Key(name, Whole(0, 0xFF, base=16), f"what was written to {name}")
            for name in ("IER", "FCR", "LCR", "MCR", "SCR", "DLL", "DLM")
        ),
        Key("received", DATA, "characters that nobody read"),
        Key("sending", DATA, "characters that are still on their way out"),
    ),
)

_BY = Key("by", Name(), "name of the port whose driver does it, or far for the other end's")
_CHUNK = Key("chunk", Whole(0, _MOST_BYTES), "most bytes handed to one call, 0 for all")

_SERIAL: StepTable = {
    "open": (Nothing(LINE), "open the line, with these settings", ()),
    "send": (DATA, "send bytes", (TIMEOUT, _CHUNK)),
    "receive": (_Amount(), "receive bytes, or all until the far end is silent", (TIMEOUT, _CHUNK)),
    "exchange": (_EXCHANGE, "send and receive at the same time", (TIMEOUT, _CHUNK)),
    "echo": (_COUNT, "give back so many bytes", (TIMEOUT, _CHUNK)),
    "drain": (Nothing(), "wait until everything has left", (TIMEOUT,)),
    **COMMON_STEPS,
    "line": (LINE, "change both ends to other settings", ()),
    "reopen": (Nothing(LINE), "close and open again, with these settings", ()),
    "close": (
        Nothing(Choice(("now", "again"))),
        "close the line; now: with what came so far unread; again: even if it is closed",
        (),
    ),
    "leftovers": (_LEFT, "leave the controller as another program might, the line closed", ()),
}
_ACTIONS: StepTable = {
    **_SERIAL,
    **{action: one for table in TRADE_STEPS.values() for action, one in table.items()},
}
_BARE = tuple(action for action, one in _ACTIONS.items() if isinstance(one[0], Nothing))

_ANY = ("open", "close", "reopen", *COMMON_STEPS)

_OPTIONS = {"by", *(option.name for one in _ACTIONS.values() for option in one[2])}

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
            raise notes.refuse(node, f"{node} where a step belongs", allowed=_allowed())
        given = [key for key, _ in node.value]
        actions = [key for key in given if key.text in _ACTIONS]
        if not actions:
            raise _no_action(node, given, notes)
        if len({key.text for key in actions}) > 1:
            raise notes.refuse(
                actions[1], f"{actions[1].text!r} beside {actions[0].text!r} in one step",
                fix="begin another item with -",
            )  # fmt: skip
        action = actions[0].text
        values = _TABLES[action].read(node, notes)
        if action == "receive":
            _check_end(values, notes)
        return _step(action, values), {**values.places, "step": node}

    def schema(self) -> JsonSchema:
        """Return a schema with one branch an action."""
        return {"anyOf": [{"enum": list(_BARE)}, *(one.schema() for one in _TABLES.values())]}

    def _bare(self, node: Node, notes: Notes) -> tuple[Step, Mapping[str, Node]]:
        if node.value in _BARE:
            return Step(node.value, row=node.line), {"step": node}
        if node.value in _ACTIONS:
            raise notes.refuse(
                node,
                f"{node.value!r} alone does not say what",
                fix=f"write {node.value}: and a value",
            )
        raise notes.refuse(node, f"no step {node}", allowed=_allowed(), fix=_colon_hint(node.value))


STEP = _StepShape()


def _allowed() -> str:
    """Name all steps, by those who can be asked for them."""
    tables = {"serial": _SERIAL, **TRADE_STEPS}
    own = {trade: [one for one in table if one not in _ANY] for trade, table in tables.items()}
    parts = [f"a {trade} one {', '.join(actions)}" for trade, actions in own.items()]
    return f"for any driver {', '.join(_ANY)}; for " + "; for ".join(parts)


def _no_action(node: Node, given: Sequence[Node], notes: Notes) -> Refused:
    """Note a step without an action; a key that may be meant as one is named."""
    words = [key.text for key in given if key.text not in _OPTIONS]
    hints = [hint for hint in (nearest(word, _ACTIONS) for word in words) if hint.startswith("did")]
    return notes.refuse(
        node,
        f"no step {words[0][:60]!r}" if words else "a step that does nothing",
        allowed=_allowed(),
        fix=next(iter(hints), ""),
    )


def _colon_hint(text: str) -> str:
    """Return what may be meant by a bare word that is no step: ``send "x"`` lacks a colon."""
    word, _, rest = text.partition(" ")
    hint = nearest(word.rstrip(":"), _ACTIONS)
    if not hint.startswith("did"):
        return ""
    action = hint.split("'")[1]
    shape = _ACTIONS[action][0]
    takes_value = not isinstance(shape, Nothing) or shape.takes_value
    return f"write {action}: {rest.strip()}" if rest.strip() and takes_value else hint


def _check_end(values: Values, notes: Notes) -> None:
    """Refuse to receive all without a time-out: that all is there shows by a wait in vain."""
    if values.get("receive", 0) is None and values.get("timeout") == NEVER_PS:
        raise notes.refuse(
            values.place("timeout"),
            "only a time-out can tell that all has been received",
            fix="give a duration, or the number of bytes",
        )


def _step(action: str, values: Values) -> Step:
    """Return the step that a mapping describes."""
    main = values.get(action)
    if action not in _SERIAL:
        return Step(
            action, timeout_ps=values.get("timeout"), by=values.get("by", ""), row=values.node.line,
            values={key: value for key, value in values.items() if key not in ("timeout", "by")},
        )  # fmt: skip
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
        how=(main or "") if action == "close" else "",
        leftovers=_leftovers(main) if action == "leftovers" else None,
        row=values.node.line,
    )


def _leftovers(values: Values | None) -> Leftovers:
    """Return what a step leaves behind in the controller."""
    if values is None:
        return Leftovers()
    registers = {name: value for name, value in values.items() if name.isupper()}
    return Leftovers(registers, values.get("received", b""), values.get("sending", b""))
