"""Which kind of input file a file is: scenario, board, fault plan or case.

The one idea: a file of another kind than the one asked for is told as what it is, with the command
or the key that takes it, and not key by key. What is wrong within a kind is left to its own reader.
"""

from __future__ import annotations

from emu.scenario.source import Node, Notes

__all__ = [
    "BOARD_FILE",
    "CASE_FILE",
    "PLAN_FILE",
    "SCENARIO_FILE",
    "kind_of_file",
    "refuse_other_kind",
]

SCENARIO_FILE, BOARD_FILE, PLAN_FILE = "a scenario", "a board", "a fault plan"
CASE_FILE = "a case"

_OF_SCENARIOS = frozenset({"scenario", "board", "do"})
_STRAY = frozenset({"driver", "expect", "far_end", "faults", "limits", "line", "port", "seed"})
_OF_BOARDS = frozenset({"devices", "cpu", "bus", "interrupts"})
_TAKEN_BY = {
    SCENARIO_FILE: "'emu run {path}' runs it",
    BOARD_FILE: "'emu map {path}' prints it, and a scenario names it under board:",
    CASE_FILE: "'emu replay {path}' runs it",
    PLAN_FILE: "a scenario names it under faults:, and 'emu faults' explains its kinds",
}


def kind_of_file(node: Node) -> str:
    """Return which kind of file a tree is from, ``""`` where nothing tells."""
    if node.is_mapping:
        given = {key.text for key, _ in node.value}
        if "case" in given:
            return CASE_FILE
        if given & _OF_SCENARIOS:
            return SCENARIO_FILE
        if given & _OF_BOARDS:
            return BOARD_FILE
        return SCENARIO_FILE if given & _STRAY else ""
    faults = node.is_list and any(_has_key(one, "kind") for one in node.value)
    return PLAN_FILE if faults else ""


def refuse_other_kind(
    tree: Node, wanted: str, notes: Notes, *, named: tuple[Node, Notes] | None = None
) -> None:
    """Refuse a file that is plainly of another kind than `wanted`, and say what takes it.

    Args:
        tree: what stands in the file.
        wanted: the kind asked for.
        notes: the notes on the file.
        named: where another file names it, and the notes on that one; the flaw is there.

    Raises:
        Refused: it is of another kind; the flaw is noted.
    """
    found = kind_of_file(tree)
    if not found or found == wanted:
        return
    fix = _TAKEN_BY[found].format(path=notes.path)
    place, theirs = named or (tree, notes)
    subject = repr(place.value) if named else "this"
    raise theirs.refuse(place, f"{subject} is {found}, not {wanted}", fix=fix)


def _has_key(node: Node, name: str) -> bool:
    """Say whether a node is a mapping with a key of that name."""
    return node.is_mapping and any(key.text == name for key, _ in node.value)
