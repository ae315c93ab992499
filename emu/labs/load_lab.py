"""A lab from its folder, with every flaw at its file, line and column.

The one idea: the runs of a lab are scenarios as they would stand in files of their own; what they
share stands once, under ``bench``, and is put into each before it is read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from emu.errors import Flaw, InputError, nearest
from emu.labs.lab import CLASSES, Answers, Edit, Lab, LabRun, Repair, Sign
from emu.rules.catalogue import RULES
from emu.scenario.load import ScenarioShape
from emu.scenario.shape import Choice, Items, JsonSchema, Key, Table, Text, Values, Whole
from emu.scenario.source import Node, Notes, compose, passing, read_text

__all__ = ["NAME", "load_lab"]

NAME = re.compile(r"[0-9]{2}_[a-z0-9_]+")
_MOST_LABS = 99
_HINTS = 3
_RULES = (*RULES, "expectation", "load", "time-limit")
_LEAST_LINES, _MOST_LINES = 30, 120


@dataclass(frozen=True, slots=True)
class _Prose:
    """Take text of any length, as paragraphs."""

    def read(self, node: Node, notes: Notes) -> str:
        """Return the text without blanks at its ends."""
        if not isinstance(node.value, str) or not node.value.strip():
            raise notes.refuse(node, f"{node} where text belongs")
        return node.value.strip()

    def schema(self) -> JsonSchema:
        """Return the schema of text."""
        return {"type": "string", "minLength": 1}


@dataclass(frozen=True, slots=True)
class _Code:
    """Take source text as it stands, blanks and all; it may be empty."""

    def read(self, node: Node, notes: Notes) -> str:
        """Return the text."""
        if not isinstance(node.value, str):
            raise notes.refuse(node, f"{node} where source text belongs", fix="write | before it")
        return node.value

    def schema(self) -> JsonSchema:
        """Return the schema of text."""
        return {"type": "string"}


@dataclass(frozen=True, slots=True)
class _Factor:
    """Take a number of at least 1."""

    def read(self, node: Node, notes: Notes) -> float:
        """Return the number."""
        if isinstance(node.value, bool) or not isinstance(node.value, int | float):
            raise notes.refuse(node, f"{node} is no number", allowed="1 to 100")
        if not 1 <= node.value <= 100:
            raise notes.refuse(node, f"{node} is out of range", allowed="1 to 100")
        return float(node.value)

    def schema(self) -> JsonSchema:
        """Return the schema of the number."""
        return {"type": "number", "minimum": 1, "maximum": 100}


@dataclass(frozen=True, slots=True)
class _Hunt:
    """Take true, or ``opcode``."""

    def read(self, node: Node, notes: Notes) -> str:
        """Return between what to be late."""
        if node.value is True:
            return "line"
        if node.value is False:
            return ""
        if node.value != "opcode":
            raise notes.refuse(node, f"{node} is no way to hunt", allowed="true, false, opcode")
        return "opcode"


@dataclass(frozen=True, slots=True)
class _AnyNode:
    """Take anything, to be read later."""

    def read(self, node: Node, notes: Notes) -> Node:  # noqa: ARG002 - as shapes are
        """Return the node."""
        return node

    def schema(self) -> JsonSchema:
        """Return the schema of anything."""
        return {}


_SIGN = Table(
    "a sign",
    (
        Key("run", Text(), "title of the run that fails"),
        Key("rule", Text(), "what is found there: a rule, or promise NAME"),
        Key("says", Text(), "text in what is told of it"),
        Key("line", Text(), "text in the line of the driver that is named"),
        Key("code", Text(), "text that stands in the driver"),
        Key("lacks", Text(), "text that stands nowhere in the driver"),
    ),
)
_EDIT = Table(
    "an edit",
    (
        Key("replace", _Code(), "whole lines that stand in the driver once", required=True),
        Key("by", _Code(), "what takes its place", required=True),
    ),
)
_REPAIR = Table(
    "a wrong repair",
    (
        Key("repair", Text(), "what was done, in a few words", required=True),
        Key("edits", Items(_EDIT, least=1), "what makes it out of the driver", required=True),
        Key("when", _SIGN, "how it shows", required=True),
        Key("tells", _Prose(), "the misunderstanding", required=True),
    ),
)
ANSWERS = Table(
    "the answers",
    (
        Key("solution", Items(_EDIT, least=1), "the edits that mend the driver", required=True),
        Key("wrong", Items(_REPAIR, least=2), "wrong repairs", required=True),
    ),
)
"""The keys of ``answers.yaml``."""

LAB = Table(
    "a lab",
    (
        Key("lab", Text(), "what it is called", required=True),
        Key("class", Choice(CLASSES), "the class of the bug", required=True),
        Key("bug", Text(), "the bug, as the trade calls it", required=True),
        Key("difficulty", Whole(1, 5), "1 to 5", required=True),
        Key("after", Items(Whole(1, _MOST_LABS)), "numbers of the labs that come before"),
        Key("driver", Text(), "name of the class in driver.py", required=True),
        Key("story", _Prose(), "what happened in the harbour", required=True),
        Key("symptom", _Prose(), "what was reported", required=True),
        Key("forbidden", Items(_Prose(), least=1), "what must be left alone", required=True),
        Key("barred", Items(Text()), "names of calls that a repair may not make"),
        Key("hints", Items(_Prose(), least=_HINTS), "three, of growing help", required=True),
        Key("lesson", _Prose(), "what is to be learned", required=True),
        Key("source", _Prose(), "where it is described in public"),
        Key("bench", _AnyNode(), "keys of a scenario that all runs share"),
        Key("runs", Items(_AnyNode(), least=1), "what it is tried with", required=True),
        Key("fails", _SIGN, "how the bug shows", required=True),
        Key("load", _Factor(), "how much busier than the solution a repair may be"),
    ),
)
"""The keys of ``lab.yaml``."""


def load_lab(folder: Path) -> Lab:
    """Read a lab.

    Raises:
        InputError: with every flaw found, each at its file, line and column.
    """
    if not NAME.fullmatch(folder.name):
        raise _flaw(folder, f"{folder.name!r} is no name of a lab", "two digits, _ and a word")
    flaws: list[Flaw] = []
    values = _table(folder / "lab.yaml", LAB, flaws)
    answers = _table(folder / "answers.yaml", ANSWERS, flaws)
    broken = _driver(folder / "driver.py", flaws)
    runs = _runs(values, folder / "lab.yaml", flaws) if values is not None else ()
    if flaws or values is None or answers is None:
        raise InputError(flaws)
    lab = _made(folder, values, runs, broken, _answers(answers))
    _check(lab)
    return lab


def _made(
    folder: Path, values: Values, runs: tuple[LabRun, ...], broken: str, answers: Answers
) -> Lab:
    text: dict[str, Any] = {
        name: values[name] for name in ("bug", "driver", "story", "symptom", "lesson")
    }
    return Lab(
        name=folder.name, folder=folder, title=values["lab"], family=values["class"],
        difficulty=values["difficulty"], after=values.get("after", ()),
        forbidden=values["forbidden"], barred=values.get("barred", ()), hints=values["hints"],
        source=values.get("source", ""),
        runs=runs, fails=_sign(values["fails"]), load=values.get("load", 1.5), broken=broken,
        answers=answers, **text,
    )  # fmt: skip


def _check(lab: Lab) -> None:
    """Refuse what no single key can show to be wrong.

    Raises:
        InputError: an edit does not fit, a sign names no run, or the driver is too long.
    """
    path = lab.folder / "lab.yaml"
    titles = [one.scenario.title for one in lab.runs]
    for sign in (lab.fails, *(one.when for one in lab.answers.repairs)):
        if sign.run and sign.run not in titles:
            raise _flaw(path, f"no run {sign.run!r}", ", ".join(titles))
        if sign.rule and not sign.rule.startswith("promise ") and sign.rule not in _RULES:
            fix = nearest(sign.rule, _RULES) or "emu rules lists them"
            raise _flaw(path, f"no rule {sign.rule!r}", "a rule, or promise NAME", fix)
    if len(set(titles)) < len(titles):
        raise _flaw(path, "two runs have the same title", "titles of their own")
    if len(lab.hints) != _HINTS:
        raise _flaw(path, f"{len(lab.hints)} hints", "three")
    lines = len(lab.broken.splitlines())
    if not _LEAST_LINES <= lines <= _MOST_LINES:
        raise _flaw(lab.folder / "driver.py", f"{lines} lines", "30 to 120")
    _ = lab.solution, [lab.repaired(one) for one in lab.answers.repairs]


def _flaw(path: Path, what: str, allowed: str, fix: str = "") -> InputError:
    return InputError([Flaw(str(path), 0, 0, what, allowed=allowed, fix=fix)])


def _table(path: Path, table: Table, flaws: list[Flaw]) -> Values | None:
    """Return what stands in a file, None if something is wrong with it."""
    notes = _notes(path, flaws)
    before = len(flaws)
    found: list[Values] = []
    with passing():
        found.append(table.read(compose(read_text(path, notes), notes), notes))
    return found[0] if found and len(flaws) == before else None


def _driver(path: Path, flaws: list[Flaw]) -> str:
    notes = _notes(path, flaws)
    found = [""]
    with passing():
        found.append(read_text(path, notes))
    return found[-1]


def _notes(path: Path, flaws: list[Flaw]) -> Notes:
    notes = Notes(str(path), path.parent)
    notes.flaws = flaws
    return notes


def _runs(values: Values, path: Path, flaws: list[Flaw]) -> tuple[LabRun, ...]:
    """Return the runs, each with what all share."""
    shared = values.get("bench")
    found = []
    for node in values.get("runs", ()):
        notes = _notes(path, flaws)
        with passing():
            found.append(_run(node, shared, notes))
    return tuple(found)


def _run(node: Node, shared: Node | None, notes: Notes) -> LabRun:
    if not node.is_mapping:
        raise notes.refuse(node, f"{node} where a run belongs", allowed="keys of a scenario, hunt")
    own = {key.text for key, _ in node.value}
    common = shared.value if shared is not None and shared.is_mapping else ()
    pairs = [pair for pair in node.value if pair[0].text != "hunt"]
    pairs += [pair for pair in common if pair[0].text not in own]
    hunts = [value for key, value in node.value if key.text == "hunt"]
    hunt = _Hunt().read(hunts[0], notes) if hunts else ""
    return LabRun(ScenarioShape().read(replace(node, value=tuple(pairs)), notes), hunt)


def _sign(values: Values) -> Sign:
    return Sign(**values)


def _edits(values: tuple[Values, ...]) -> tuple[Edit, ...]:
    return tuple(Edit(**one) for one in values)


def _answers(values: Values) -> Answers:
    wrong = tuple(
        Repair(one["repair"], _edits(one["edits"]), _sign(one["when"]), one["tells"])
        for one in values["wrong"]
    )
    return Answers(_edits(values["solution"]), wrong)
