"""What `emu lab` prints: the course, how a submission fared, and how a lab verified.

The order is that of the learner's questions: did it pass, what fails and when, what did I get
wrong, what now.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from typing import Any

from emu.labs.course import reference
from emu.labs.grade import FAILED, PASSED, REFUSED, STOPPED, Grade
from emu.labs.lab import Lab
from emu.labs.progress import Diary
from emu.labs.trials import Told
from emu.labs.verify import Verified
from emu.report.run_summary import WIDTH, Paint, plain, wrapped
from emu.rules.catalogue import RULES

__all__ = [
    "course_as_json",
    "grade_as_json",
    "render_course",
    "render_grade",
    "render_hint",
    "render_solution",
    "render_verified",
]

_TONES = {PASSED: "good", FAILED: "bad", REFUSED: "bad", STOPPED: "bad"}
_MOST_SHOWN = 3
_LONGEST_TITLE = 44


def render_course(labs: Sequence[Lab], diary: Diary, paint: Paint = plain) -> str:
    """Return the course as a table, a lab a line."""
    width = min(max((len(one.title) for one in labs), default=5), _LONGEST_TITLE)
    head = f"lab  {'title':<{width}}  {'class':<13}  level  {'after':<9}  state"
    lines = [head]
    for lab in labs:
        state = diary.state(lab.name)
        after = ", ".join(map(str, lab.after))
        row = (
            f"{lab.number:>3}  {_cut(lab.title, width):<{width}}  {lab.family:<13}  "
            f"{'*' * lab.difficulty:<5}  {after:<9}  "
        )
        lines.append(
            f"{row}{paint(state, 'good' if state.startswith('passed') else 'name')}".rstrip()
        )
    passed = sum(1 for one in labs if diary.state(one.name).startswith("passed"))
    count = f"{len(labs)} {'lab' if len(labs) == 1 else 'labs'}, {passed} passed"
    lines += ["", f"{count}. Level: * a first step, ***** a hard race."]
    lines += ["", *wrapped(_next_lab(labs, diary), "", "Next: ")]
    return "\n".join(lines) + "\n"


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 3] + "..."


def _next_lab(labs: Sequence[Lab], diary: Diary) -> str:
    """Return what to do next: what was begun, else the first whose forerunners are done."""
    begun = [one for one in labs if diary.state(one.name) and not _done(one, diary)]
    if begun:
        return f"emu lab show {begun[0].number} shows where lab {begun[0].number} breaks"
    done = {one.number for one in labs if _done(one, diary)}
    for lab in labs:
        if lab.number not in done and set(lab.after) <= done:
            return f"emu lab start {lab.number} begins with {lab.title!r}"
    return "emu check FILE.py:CLASS tries a driver of your own with everything"


def _done(lab: Lab, diary: Diary) -> bool:
    return diary.state(lab.name).startswith("passed")


def render_grade(lab: Lab, found: Grade, paint: Paint = plain, *, next_step: str = "") -> str:
    """Return how a submission fared."""
    lines = [paint(f"lab {lab.number}: {lab.title}", "name"), ""]
    word = paint(found.verdict.upper(), _TONES[found.verdict])
    lines.append(f"{word}   {_how(found)}")
    if found.passed:
        lines += ["", *wrapped(lab.bug, "   ", "the bug: ")]
        lines += wrapped(" ".join(lab.lesson.split()), "   ", "learned: ")
        if lab.source:
            lines += wrapped(" ".join(lab.source.split()), "   ", "source:  ")
    elif found.verdict == FAILED:
        lines += _failures(found, paint)
    else:
        place = f"driver line {found.line}: " if found.line else ""
        lines += ["", *wrapped(f"{place}{found.reason}", "   ")]
    if found.misunderstood:
        lines += ["", *wrapped(" ".join(found.misunderstood.split()), "   ", "note: ")]
    if found.printed and not found.passed:
        lines += ["", *wrapped(" ".join(found.printed.split())[:400], "   ", "it printed: ")]
    if next_step:
        lines += ["", *wrapped(next_step, "", "Next: ")]
    return "\n".join(lines) + "\n"


def _how(found: Grade) -> str:
    runs = f"{found.runs:,} {'run' if found.runs == 1 else 'runs'}, " if found.runs else ""
    load = f", as busy as the solution x {found.load:.2f}" if found.passed else ""
    bug = ", the bug is still there" if found.same_bug else ""
    return f"{runs}{found.seconds:.1f} s{load}{bug}"


def _failures(found: Grade, paint: Paint) -> Iterator[str]:
    if not found.failures:
        yield ""
        yield from wrapped(found.reason, "   ")
    for number, one in enumerate(found.failures[:_MOST_SHOWN], 1):
        yield ""
        where = f"line {one.line}" if one.line else "no line of its own"
        yield f"{number}. {paint(where, 'bad')}  {paint(one.rule, 'name')}"
        if one.code:
            yield f"   {one.code[: WIDTH - 3]}"
        yield from wrapped(one.message, "   ")
        yield from _when(one)
        rule = RULES.get(one.rule)
        if rule is not None:
            yield from wrapped(rule.why, "   ", "why  ")
    left = len(found.failures) - _MOST_SHOWN
    if left > 0:
        yield ""
        yield f"   and {left} more"


def _when(one: Told) -> Iterator[str]:
    if one.run:
        yield from wrapped(f"the run {one.run!r}", "   ", "in   ")
    for delay in one.delays:
        yield from wrapped(delay, "   ", "when ")


def render_hint(lab: Lab, number: int, *, left: int, more: str = "") -> str:
    """Return one hint.

    Args:
        lab: the lab.
        number: of the hint, from 1.
        left: how many there are after it.
        more: the option that gives those, "" where asking again does.
    """
    lines = [*wrapped(" ".join(lab.hints[number - 1].split()), "", f"hint {number}: "), ""]
    if left:
        lines += wrapped(
            f"emu lab hint {reference(lab)}{more} {'says' if more else 'again says'} more",
            "",
            "Next: ",
        )
    else:
        lines += wrapped(
            f"emu lab grade {reference(lab)}; emu lab hint {reference(lab)} --solution if all else "
            "fails", "", "Next: ",
        )  # fmt: skip
    return "\n".join(lines) + "\n"


def render_solution(lab: Lab) -> str:
    """Return how the solution differs from the broken driver, and the lesson."""
    lines = difflib.unified_diff(
        lab.broken.splitlines(), lab.solution.splitlines(), "driver.py", "solution", lineterm=""
    )
    told = wrapped(" ".join(lab.lesson.split()), "", "lesson: ")
    return "\n".join([*lines, "", *told]) + "\n"


def render_verified(rows: Iterable[tuple[Lab, Verified]], paint: Paint = plain) -> Iterator[str]:
    """Yield a line for each driver of each lab, as it comes, and what is wrong with it."""
    yield f"{'lab':<28}  {'driver':<32}  {'verdict':<8}  {'s':>5}  {'runs':>6}"
    for lab, one in rows:
        found = one.grade
        mark = "" if not one.wrong else f"  {paint('WRONG', 'bad')}"
        yield (
            f"{_cut(lab.name, 28):<28}  {_cut(one.what, 32):<32}  {found.verdict:<8}  "
            f"{found.seconds:>5.2f}  {found.runs:>6,}{mark}"
        )
        if one.wrong:
            yield from wrapped(one.wrong, "    ")


def grade_as_json(lab: Lab, found: Grade) -> dict[str, Any]:
    """Return how a submission fared as plain data."""
    return {"lab": lab.name, "title": lab.title, **asdict(found)}


def course_as_json(labs: Sequence[Lab], diary: Diary) -> list[dict[str, Any]]:
    """Return the course as plain data."""
    return [
        {"lab": one.name, "number": one.number, "title": one.title, "class": one.family,
         "difficulty": one.difficulty, "after": list(one.after),
         "state": diary.state(one.name)}
        for one in labs
    ]  # fmt: skip
