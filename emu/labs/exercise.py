"""An exercise: what a learner gets of a lab, in a folder of their own.

The one idea: the driver to mend, the page that tells the story, and the run that shows the symptom
as a scenario file, so that all other commands of the bench can be used on it. Hints, the lesson and
the answers stay where they are.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path

import yaml

from emu.errors import Flaw, InputError
from emu.labs.course import reference
from emu.labs.lab import Lab
from emu.scenario.written import scenario_as_plain

__all__ = ["DRIVER", "PAGE", "SCENARIO", "begin", "fill", "page"]

DRIVER, PAGE, SCENARIO = "driver.py", "README.md", "scenario.yaml"
_WIDTH = 96


def begin(lab: Lab, into: Path) -> Path:
    """Write the exercise of a lab into a new folder of `into`, and return that.

    Raises:
        InputError: it is there already, or cannot be written.
    """
    folder = into / lab.name
    if folder.exists():
        what = "is there already, perhaps with your work in it"
        fix = "rename it, or give another folder with --into"
        raise InputError([Flaw(str(folder), 0, 0, what, fix=fix)])
    fill(folder, {DRIVER: lab.broken, PAGE: page(lab, folder), SCENARIO: _scenario(lab)})
    return folder


def fill(folder: Path, texts: Mapping[str, str]) -> None:
    """Make a folder with files in it, each with its text.

    Raises:
        InputError: it is there already, or cannot be written.
    """
    try:
        folder.mkdir(parents=True)
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as error:
        what = f"cannot be written: {error.strerror}"
        raise InputError([Flaw(str(folder), 0, 0, what)]) from error


def page(lab: Lab, folder: Path) -> str:
    """Return the page that tells the story of a lab, as Markdown."""
    named = reference(lab)
    barred = [f"No repair calls {', '.join(lab.barred)}."] if lab.barred else []
    kept = "\n".join(_item(one) for one in (*lab.forbidden, *barred))
    return "\n".join([
        f"# Lab {lab.number}: {lab.title}",
        "",
        _filled(lab.story),
        "",
        "## What the field reports",
        "",
        _filled(lab.symptom),
        "",
        "## What you do",
        "",
        f"Mend `{DRIVER}`, class `{lab.driver}`. Leave alone what is good:",
        "",
        kept,
        "",
        "```",
        *_aligned(
            (f"emu lab show {named}", "the moment at which it breaks"),
            (f"emu run {folder / SCENARIO}", "the run in which it shows"),
            (f"emu lab hint {named}", "a hint; the next time, one that says more"),
            (f"emu lab grade {named} {folder / DRIVER}", "whether your repair holds"),
        ),
        "```",
        "",
    ])  # fmt: skip


def _aligned(*rows: tuple[str, str]) -> list[str]:
    width = max(len(command) for command, _ in rows)
    return [f"{command:<{width}}  {meaning}" for command, meaning in rows]


def _filled(text: str) -> str:
    return textwrap.fill(" ".join(text.split()), _WIDTH)


def _item(text: str) -> str:
    return textwrap.fill(
        " ".join(text.split()), _WIDTH, initial_indent="- ", subsequent_indent="  "
    )


def _scenario(lab: Lab) -> str:
    """Return the run that shows the symptom, with the exercise's driver."""
    shown = [one.scenario for one in lab.runs if one.scenario.title == lab.fails.run]
    scenario = (shown or [lab.runs[0].scenario])[0]
    plain = {**scenario_as_plain(scenario), "driver": f"{DRIVER}:{lab.driver}"}
    head = "# Run it with emu run, or at every timing with emu hunt.\n"
    return head + yaml.safe_dump(plain, sort_keys=False, allow_unicode=True)
