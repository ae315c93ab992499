"""The faults of a scenario, or of a file of their own: which keys there are, and the plan.

The one idea: the keys of a fault are those that say where and when, and the parameters that its
kind declares. What a kind does is left to `emu.faults`.
"""

from __future__ import annotations

from emu.faults.check import FaultFlaw, check
from emu.faults.kinds import FAULT_KINDS
from emu.faults.plan import FaultPlan, FaultSpec, When
from emu.scenario.file_kind import PLAN_FILE, refuse_other_kind
from emu.scenario.load_board import Setting
from emu.scenario.model import BoardModel
from emu.scenario.quantities import DURATION, PROBABILITY
from emu.scenario.shape import Items, Key, Table, Tagged, Text, Values, Whole, finder, tag_key
from emu.scenario.source import Node, Notes, compose, neighbour, read_text

__all__ = ["FAULT", "FAULTS", "FAULT_LIST", "make_faults"]

_WHEN = (
    Key("from", DURATION, "when it begins to act, after the driver was first opened"),
    Key("until", DURATION, "when it ends"),
    Key("first", Whole(1, 10**9), "the occasion from which it acts, 1 is the first"),
    Key("count", Whole(1, 10**9), "on how many occasions it acts"),
    Key("probability", PROBABILITY, "chance on each occasion, from the seed of the run"),
)
_WHEN_NAMES = {one.name for one in _WHEN}


def _table(kind: str) -> Table:
    """Return the keys of a kind of fault."""
    own = tuple(
        Key(one.name, Setting(one), one.meaning, required=one.default is None)
        for one in FAULT_KINDS[kind].parameters
    )
    target = Key("target", Text(), "what it acts on, such as telemetry.LSR.THRE", required=True)
    meaning = tag_key("kind", kind, FAULT_KINDS[kind].meaning)
    return Table(f"a fault {kind}", (meaning, target, *own, *_WHEN))


def _find(kind: str) -> Table:
    return finder("kind of fault", {one: _table(one) for one in FAULT_KINDS})(kind)


FAULT = Tagged("kind", "a fault", lambda: FAULT_KINDS, _find)
FAULT_LIST = Items(FAULT)
"""The faults of a plan."""


class _FaultsShape:
    """Take a list of faults, or the path of a file with one."""

    def read(self, node: Node, notes: Notes) -> list[tuple[Values, Notes]]:
        """Return the faults that could be read, each with the notes on its file."""
        if not isinstance(node.value, str):
            return [(one, notes) for one in FAULT_LIST.read(node, notes)]
        path = notes.folder / node.value
        if not path.is_file():
            raise notes.refuse(
                node, f"fault plan {node.value!r} does not exist", fix=neighbour(path)
            )
        inner = notes.of_file(str(path), path.parent)
        tree = compose(read_text(path, inner), inner)
        refuse_other_kind(tree, PLAN_FILE, inner, named=(node, notes))
        found = FAULT_LIST.read(tree, inner)
        return [(one, inner) for one in found]

    def schema(self) -> dict[str, object]:
        """Return the schema of the list or the path."""
        return {"anyOf": [{"type": "string"}, {"$ref": "#/$defs/faults"}]}


FAULTS = _FaultsShape()


def make_faults(found: list[tuple[Values, Notes]], board: BoardModel | None) -> FaultPlan:
    """Return the plan that was read, having noted what cannot be done on the board."""
    plan = FaultPlan.of(_fault(values, notes) for values, notes in found)
    if board is not None:
        places = {id(spec): place for spec, place in zip(plan, found, strict=True)}
        for flaw in check(plan, board):
            values, notes = places[id(flaw.fault)]
            _note(flaw, values, notes)
    return plan


def _note(flaw: FaultFlaw, values: Values, notes: Notes) -> None:
    """Note what is wrong with a fault, unless the key that it is about was refused already."""
    word = flaw.what.split("=")[0].split()[0]
    if flaw.what.endswith("is missing") and word not in values:
        return
    if flaw.fault.target.partition(".")[0] in notes.unread:
        return
    key = word if word in values else "target"
    if key in values:
        notes.refuse(values.place(key), flaw.what, allowed=flaw.allowed, fix=flaw.fix)


def _fault(values: Values, notes: Notes) -> FaultSpec:
    until_ps = values.get("until")
    if until_ps is not None and until_ps <= values.get("from", 0):
        notes.refuse(values.place("until"), "the fault ends before it begins")
        until_ps = None
    named = {"kind", "target"} | _WHEN_NAMES
    return FaultSpec(
        kind=values["kind"],
        target=values.get("target", ""),
        when=When(
            from_ps=values.get("from", 0),
            until_ps=until_ps,
            first=values.get("first", 1),
            count=values.get("count"),
            probability=values.get("probability", When().probability),
        ),
        settings={key: value for key, value in values.items() if key not in named},
        row=values.node.line,
    )
