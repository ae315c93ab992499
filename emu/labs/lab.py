"""What a lab is, as plain data: a broken driver, what it is tried with, and what was wrong with it.

The one idea: a lab is a folder that is read once. What a learner may see and what only the grader
knows are kept in two files, and in two fields here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from emu.errors import Flaw, InputError
from emu.scenario.model import Scenario

__all__ = ["CLASSES", "Answers", "Edit", "Lab", "LabRun", "Repair", "Sign", "edited"]

CLASSES = (
    "ordering", "polling", "interrupts", "concurrency", "fifo", "errors", "configuration", "dma",
    "reset", "timing",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Edit:
    """Replace whole lines, which stand in a driver exactly once, by others.

    How far they are indented as a whole is left to the driver.
    """

    replace: str
    by: str


@dataclass(frozen=True, slots=True)
class Sign:
    """Say by what a failure is known; what is empty may be anything.

    Args:
        run: title of the run that fails.
        rule: what is found there, such as ``read-when-empty`` or ``promise time``.
        says: text in what is told of it.
        line: text in the line of the driver that is named.
        code: text that stands anywhere in the driver.
        lacks: text that stands nowhere in the driver.
    """

    run: str = ""
    rule: str = ""
    says: str = ""
    line: str = ""
    code: str = ""
    lacks: str = ""


@dataclass(frozen=True, slots=True)
class Repair:
    """Hold a wrong repair: what somebody may take for one, and what to tell whoever did.

    Args:
        title: what was done, in a few words.
        edits: what makes it out of the broken driver.
        when: how it shows.
        tells: the misunderstanding, in a sentence or two.
    """

    title: str
    edits: tuple[Edit, ...]
    when: Sign
    tells: str


@dataclass(frozen=True, slots=True)
class Answers:
    """Hold what a learner is not shown.

    Args:
        solution: the edits that mend the driver.
        repairs: wrong repairs, the most telling sign first.
    """

    solution: tuple[Edit, ...] = ()
    repairs: tuple[Repair, ...] = ()


@dataclass(frozen=True, slots=True)
class LabRun:
    """Hold one thing that a driver is tried with.

    Args:
        scenario: what is asked.
        hunt: between what it is tried at every timing: ``line``, or ``opcode`` for steps inside a
            line; "" for not at all.
    """

    scenario: Scenario
    hunt: str = ""

    @property
    def manner(self) -> str:
        """What steps of schedules are."""
        return self.hunt or "line"


@dataclass(frozen=True, slots=True)
class Lab:
    """Hold one lab.

    Args:
        name: the folder's name, such as ``07_two_halves``.
        folder: where it lies.
        title: what it is called.
        family: the class of the bug: one of `CLASSES`.
        bug: the bug, by the name that bugs of its kind go by.
        difficulty: 1 to 5.
        after: numbers of the labs that should come before.
        driver: name of the class in ``driver.py``.
        story: what happened in the harbour.
        symptom: what was reported.
        forbidden: what a repair must leave alone.
        barred: names of calls that a repair may not make, where the runs cannot tell.
        hints: three, of growing help.
        lesson: what is to be learned.
        source: where the bug, or what it breaks, is described in public; may be empty.
        runs: what the driver is tried with.
        fails: how the bug shows.
        load: how much more than the solution a repair may keep the processor busy, as a factor.
        broken: the text of the broken driver.
        answers: what a learner is not shown.
    """

    name: str
    folder: Path
    title: str
    family: str
    bug: str
    difficulty: int
    after: tuple[int, ...]
    driver: str
    story: str
    symptom: str
    forbidden: tuple[str, ...]
    barred: tuple[str, ...]
    hints: tuple[str, ...]
    lesson: str
    source: str
    runs: tuple[LabRun, ...]
    fails: Sign
    load: float
    broken: str = field(repr=False)
    answers: Answers = field(repr=False)

    @property
    def number(self) -> int:
        """The number that the folder's name begins with."""
        return int(self.name.partition("_")[0])

    @property
    def solution(self) -> str:
        """The text of the mended driver."""
        return edited(self.broken, self.answers.solution)

    def repaired(self, repair: Repair) -> str:
        """Return the text of the driver as somebody mended it wrongly."""
        return edited(self.broken, repair.edits)


def edited(text: str, edits: tuple[Edit, ...]) -> str:
    """Return a text with all edits made, one after the other.

    Raises:
        InputError: the lines to replace do not stand there exactly once.
    """
    for edit in edits:
        text = _edited(text, edit)
    return text


def _edited(text: str, edit: Edit) -> str:
    """Replace whole lines, however far they are indented, by others that are indented as far."""
    lines, old = text.splitlines(), edit.replace.splitlines()
    found = [at for at in range(len(lines)) if _indent(lines[at : at + len(old)], old) is not None]
    if len(found) != 1:
        what = f"{old[0].strip() if old else ''!r} and what follows stands {len(found)} times"
        raise InputError([Flaw("answers.yaml", 0, 0, what, allowed="whole lines that stand once")])
    at = found[0]
    indent = _indent(lines[at : at + len(old)], old) or ""
    new = [indent + one if one.strip() else "" for one in edit.by.splitlines()]
    return "\n".join([*lines[:at], *new, *lines[at + len(old) :]]) + "\n"


def _indent(lines: list[str], old: list[str]) -> str | None:
    """Return how much further than `old` all of `lines` are indented, None if they differ."""
    if not old or len(lines) != len(old):
        return None
    indent = lines[0][: len(lines[0]) - len(old[0])]
    same = all(
        one == (indent + two if two.strip() else "") for one, two in zip(lines, old, strict=True)
    )
    return indent if same and not indent.strip() else None
