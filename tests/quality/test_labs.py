"""The course: every lab teaches what it says, and all of them together are a course."""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.labs.course import names
from emu.labs.lab import CLASSES, Lab
from emu.labs.load_lab import load_lab
from emu.labs.verify import verify

LABS = names()


@pytest.fixture(scope="module")
def course() -> list[Lab]:
    """Return all labs."""
    return [load_lab(one) for one in LABS]


def test_there_are_enough_of_every_class(course: list[Lab]) -> None:
    """The course has thirty labs or more, and each class of bugs has one."""
    assert len(course) >= 30
    assert {one.family for one in course} == set(CLASSES)


def test_the_path_goes_uphill(course: list[Lab]) -> None:
    """Titles are told apart, and what a lab builds on comes before it and is no harder."""
    known = {one.number: one for one in course}
    assert len(known) == len(course) == len({one.title for one in course})
    for lab in course:
        assert all(one in known and one < lab.number for one in lab.after), lab.name
        assert all(known[one].difficulty <= lab.difficulty for one in lab.after), lab.name


def test_hints_and_stories_keep_the_secret(course: list[Lab]) -> None:
    """No line of a solution stands in a story, a symptom or a hint."""
    for lab in course:
        new = {one.strip() for one in lab.solution.splitlines()}
        new -= {one.strip() for one in lab.broken.splitlines()}
        told = "\n".join((lab.story, lab.symptom, *lab.hints))
        assert not [one for one in new if len(one) > 12 and one in told], lab.name


@pytest.mark.slow
@pytest.mark.parametrize("folder", LABS, ids=lambda one: one.name)
def test_a_lab_teaches_what_it_says(folder: Path) -> None:
    """The solution passes, the driver fails for the reason taught, wrong repairs are known."""
    found = list(verify(load_lab(folder)))
    assert len(found) >= 4
    assert [one.wrong for one in found if one.wrong] == []
    assert max(one.grade.seconds for one in found) < 60
