"""What a learner does with a lab: begin it, see it break, ask for a hint, hand a repair in."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.paint import painter
from emu.errors import Flaw, InputError

if TYPE_CHECKING:
    from emu.labs.grade import Grade
    from emu.labs.lab import Lab

__all__ = ["grade", "hint", "show", "start"]

_NUMBER = click.argument("number", metavar="N")
_INTO = click.option(
    "--into", type=click.Path(file_okay=False), metavar="DIR", default="labs", show_default=True,
    help="Where your exercises are.",
)  # fmt: skip
_MOST_BYTES = 1 << 20


@click.command()
@_NUMBER
@_INTO
def start(number: str, into: str) -> int:
    """Copy the exercise of lab N: the broken driver, the story, and the run that shows it."""
    from emu.labs.course import find_lab
    from emu.labs.exercise import DRIVER, begin, page
    from emu.labs.progress import Diary

    lab, folder = find_lab(number), Path(into)
    diary = Diary(folder)
    made = begin(lab, folder)
    diary.of(lab.name)
    diary.write()
    click.echo(page(lab, made))
    click.echo(f"Next: mend {made / DRIVER}; emu lab show {lab.number} shows where it breaks")
    return 0


@click.command()
@_NUMBER
@click.argument("file", required=False, type=click.Path(dir_okay=False))
@click.option("--rows", type=click.IntRange(6, 400), metavar="N", default=24, show_default=True,
              help="How many rows to show.")  # fmt: skip
def show(number: str, file: str | None, rows: int) -> int:
    """Show the moment at which the driver of lab N breaks, or the one in FILE."""
    from emu.labs.course import find_lab
    from emu.labs.grade import Grader
    from emu.report.lab_pages import render_grade

    lab = find_lab(number)
    found = Grader(lab).grade(_source(file) if file else lab.broken, rows=rows)
    if found.moment:
        click.echo(found.moment)
    hand_in = f"emu lab grade {lab.number} {shlex.quote(file) if file else 'FILE'}"
    next_step = f"emu lab hint {lab.number} helps; {hand_in} grades a repair"
    click.echo(render_grade(lab, found, painter(sys.stdout), next_step=next_step), nl=False)
    return 0 if not file or found.passed else 1


@click.command()
@_NUMBER
@_INTO
@click.option("--all", "every", is_flag=True, help="Give all three at once.")
@click.option("--solution", is_flag=True, help="Show how the solution differs from the driver.")
def hint(number: str, into: str, *, every: bool, solution: bool) -> int:
    """Give a hint for lab N; the next time, one that says more."""
    from emu.labs.course import find_lab
    from emu.labs.progress import Diary
    from emu.report.lab_pages import render_hint, render_solution

    lab, diary = find_lab(number), Diary(Path(into))
    if solution:
        click.echo(render_solution(lab), nl=False)
        return 0
    entry, most = diary.of(lab.name), len(lab.hints)
    first = 1 if every else min(entry.hints + 1, most)
    entry.hints = most if every else first
    diary.write()
    for one in range(first, entry.hints + 1):
        click.echo(render_hint(lab, one, left=most - one), nl=False)
    return 0


@click.command()
@_NUMBER
@click.argument("file", type=click.Path(dir_okay=False))
@_INTO
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def grade(number: str, file: str, into: str, *, as_json: bool) -> int:
    """Grade the repair of lab N in FILE."""
    from emu.labs.course import find_lab
    from emu.labs.grade import Grader
    from emu.labs.progress import Diary
    from emu.report.lab_pages import grade_as_json, render_grade

    lab, source, diary = find_lab(number), _source(file), Diary(Path(into))
    found = Grader(lab).grade(source)
    entry = diary.of(lab.name)
    entry.tries += not entry.passed
    entry.passed = entry.passed or found.passed
    diary.write()
    if as_json:
        click.echo(json.dumps(grade_as_json(lab, found), indent=2))
    else:
        hint = _next(lab, found, file)
        click.echo(render_grade(lab, found, painter(sys.stdout), next_step=hint), nl=False)
    return 0 if found.passed else 1


def _next(lab: Lab, found: Grade, file: str) -> str:
    if found.passed:
        return "emu lab shows the course, and what to begin with now"
    if found.failures:
        return f"emu lab show {lab.number} {shlex.quote(file)} shows the moment at which it breaks"
    return f"emu lab hint {lab.number} helps"


def _source(file: str) -> str:
    """Return the text of a submission.

    Raises:
        InputError: it cannot be read.
    """
    try:
        with Path(file).open("rb") as stream:
            return stream.read(_MOST_BYTES).decode()
    except OSError as error:
        what = f"cannot be read: {error.strerror}"
    except UnicodeDecodeError as error:
        what = f"is no UTF-8 text: byte {error.start} is {error.object[error.start]:#04x}"
    raise InputError([Flaw(file, 0, 0, what)])
