"""What a teacher does with labs: grade a class, begin a lab, verify the course."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.paint import painter
from emu.cli.progress import Progress
from emu.cli.write_text import write_text
from emu.errors import Flaw, InputError

if TYPE_CHECKING:
    from emu.labs.classroom import Marked
    from emu.labs.lab import Lab
    from emu.labs.verify import Verified

__all__ = ["grade_all", "new", "verify"]

_WORKERS = click.option(
    "--workers", type=click.IntRange(1, 64), metavar="N", default=os.cpu_count() or 1,
    show_default="one a processor", help="How many to grade at once.",
)  # fmt: skip


@click.command(
    epilog="""\b
Examples
  emu lab class handed_in
  emu lab class handed_in --csv marks.csv --html marks.html
  emu lab class handed_in --lab 7 --again

Exit status: 0 all passed, 1 some did not, 2 bad input, 130 interrupted.""",
)
@click.argument("folder", metavar="DIR", type=click.Path(exists=True, file_okay=False))
@click.option(
    "--lab", metavar="N", help="Lab that all files are for, or its folder; names tell if left out."
)
@click.option("--csv", "csv_file", type=click.Path(dir_okay=False), metavar="FILE",
              help="Write the marks as CSV.")  # fmt: skip
@click.option("--html", "html_file", type=click.Path(dir_okay=False), metavar="FILE",
              help="Write the marks as a page for a browser.")  # fmt: skip
@click.option("--again", is_flag=True, help="Grade those anew that have not changed.")
@_WORKERS
def grade_all(
    folder: str,
    lab: str | None,
    csv_file: str | None,
    html_file: str | None,
    *,
    again: bool,
    workers: int,
) -> int:
    """Grade all files in DIR, such as DIR/mara/07_two_halves/driver.py or DIR/07_mara.py.

    What was graded is kept in DIR: interrupted, it goes on where it stopped.
    """
    from emu.labs.classroom import grade_class, papers
    from emu.labs.course import find_lab
    from emu.labs.grade import PASSED
    from emu.report.class_pages import class_as_csv, class_as_html, render_class

    root = Path(folder)
    handed_in, strays = papers(root, find_lab(lab).folder if lab else None)
    kept = 0
    with Progress() as progress:

        def told(one: Marked, done: int, every: int) -> None:
            nonlocal kept
            kept = done
            progress.tell(f"{done} of {every}, {one.path}: {one.verdict}", done / every)

        try:
            marked = grade_class(handed_in, root, workers=workers, again=again, told=told)
        except KeyboardInterrupt:
            kept_of = f"{kept} of {len(handed_in)} are kept"
            click.echo(f"stopped; {kept_of}, the same command goes on from there", err=True)
            return 130
    for stray in strays:
        click.echo(f"left out: {stray}", err=True)
    for file, text in (
        (csv_file, class_as_csv(marked)),
        (html_file, class_as_html(marked, f"Labs of {root.resolve().name}")),
    ):
        if file:
            write_text(Path(file), text)
    click.echo(render_class(marked, painter(sys.stdout)), nl=False)
    hint = "grades what has changed" if html_file else "--html FILE writes a reason for each"
    click.echo(f"\nNext: emu lab class {shlex.quote(folder)} {hint}")
    return 0 if not strays and all(one.verdict == PASSED for one in marked) else 1


@click.command()
@click.argument("name", metavar="NN_name")
@click.option("--into", type=click.Path(file_okay=False), metavar="DIR", default=".",
              show_default=True, help="The folder of your labs.")  # fmt: skip
def new(name: str, into: str) -> int:
    """Begin a lab of your own: a folder with a small lab that works, to be changed into yours."""
    from emu.labs.new_lab import new_lab

    folder = new_lab(name, Path(into))
    click.echo(f"{folder}: lab.yaml, answers.yaml and driver.py, a small lab that works")
    click.echo("")
    click.echo(f"Next: change it into yours; emu lab verify {folder} says whether it teaches that")
    return 0


@click.command()
@click.argument("folder", metavar="[DIR]", required=False,
                type=click.Path(exists=True, file_okay=False))  # fmt: skip
@_WORKERS
def verify(folder: str | None, workers: int) -> int:
    """See whether labs teach what they say: one lab, a folder of them, or the whole course.

    The broken driver must fail for the reason taught, the solution pass, and each wrong repair fail
    and be understood.
    """
    from emu.labs.verify import verify_all
    from emu.report.lab_pages import render_verified

    found = _labs(folder)
    bad: list[str] = []

    def noted() -> Iterator[tuple[Lab, Verified]]:
        for lab, one in verify_all(found, workers=workers):
            if one.wrong:
                bad.append(lab.name)
            yield lab, one

    for line in render_verified(noted(), painter(sys.stdout)):
        click.echo(line)
    wrong = sorted(set(bad))
    click.echo(f"\n{len(found)} {'lab' if len(found) == 1 else 'labs'}, {len(wrong)} of them wrong")
    return 1 if wrong else 0


def _labs(folder: str | None) -> list[Lab]:
    """Return the labs in a folder, which may be one itself."""
    from emu.labs.course import find_lab, labs

    if folder is None:
        return labs()
    if (Path(folder) / "lab.yaml").exists():
        return [find_lab(folder)]
    found = labs(Path(folder))
    if not found:
        raise InputError([Flaw(folder, 0, 0, "no lab is there", allowed="folders named NN_name")])
    return found
