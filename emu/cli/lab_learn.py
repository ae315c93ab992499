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
    from emu.labs.course import find_lab, reference
    from emu.labs.exercise import DRIVER, begin, page
    from emu.labs.progress import Diary

    lab, folder = find_lab(number), Path(into)
    diary = Diary(folder)
    made = begin(lab, folder)
    diary.of(lab.name)
    diary.write()
    click.echo(page(lab, made))
    click.echo(f"Next: mend {made / DRIVER}; emu lab show {reference(lab)} shows where it breaks")
    return 0


@click.command()
@_NUMBER
@click.argument("file", required=False, type=click.Path(dir_okay=False))
@_INTO
@click.option("--rows", type=click.IntRange(6, 400), metavar="N", default=24, show_default=True,
              help="How many rows to show.")  # fmt: skip
def show(number: str, file: str | None, into: str, rows: int) -> int:
    """Show the moment at which a driver of lab N breaks: FILE, your exercise, or the original."""
    from emu.labs.course import find_lab, reference
    from emu.labs.grade import Grader
    from emu.report.lab_pages import render_grade

    lab = find_lab(number)
    file = file or _exercise(lab, into)
    found = Grader(lab).grade(_source(file) if file else lab.broken, rows=rows)
    click.echo(f"{file or 'the driver as it is handed out'}\n")
    if found.moment:
        click.echo(found.moment)
    hand_in = f"emu lab grade {reference(lab)} {shlex.quote(file) if file else 'FILE'}"
    next_step = f"emu lab hint {reference(lab)} helps; {hand_in} grades a repair"
    click.echo(render_grade(lab, found, painter(sys.stdout), next_step=next_step), nl=False)
    return 0


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
        again = "" if Path(into).is_dir() else " --all"  # where nothing is kept
        click.echo(render_hint(lab, one, left=most - one, more=again), nl=False)
    return 0


@click.command()
@_NUMBER
@click.argument("file", required=False, type=click.Path(dir_okay=False))
@_INTO
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def grade(number: str, file: str | None, into: str, *, as_json: bool) -> int:
    """Grade a repair of lab N: FILE, or your exercise if it is left out."""
    from emu.labs.course import find_lab
    from emu.labs.grade import Grader
    from emu.labs.progress import Diary
    from emu.report.lab_pages import grade_as_json, render_grade

    lab, diary = find_lab(number), Diary(Path(into))
    file = file or _exercise(lab, into)
    if not file:
        raise click.UsageError(f"give a FILE; there is no exercise of lab {number} in {into}")
    source = _source(file)
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
    from emu.labs.course import reference

    if found.passed:
        return "emu lab shows the course, and what to begin with now"
    if found.failures:
        return f"emu lab show {reference(lab)} {shlex.quote(file)} shows when it breaks"
    return f"emu lab hint {reference(lab)} helps"


def _exercise(lab: Lab, into: str) -> str:
    """Return the driver of the learner's exercise, "" if it was not begun there."""
    from emu.labs.exercise import DRIVER

    path = Path(into) / lab.name / DRIVER
    return str(path) if path.is_file() else ""


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
