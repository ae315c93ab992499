"""A lab is read from its folder: what is right, and every flaw with its place."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.labs.course import folder_of_labs
from emu.labs.lab import Edit, edited
from emu.labs.load_lab import load_lab
from emu.labs.new_lab import new_lab
from tests.lab_bench import ANSWERS, DRIVER, LAB, submission, write_lab

ROOT = Path(__file__).resolve().parents[2]


def test_a_lab_is_read(tmp_path: Path) -> None:
    """What stands in the files is what the lab says, and shared keys are in every run."""
    lab = load_lab(write_lab(tmp_path))
    assert (lab.number, lab.title) == (7, "The letter that stays behind")
    assert [one.hunt for one in lab.runs] == ["", "line"]
    assert {str(one.scenario.line) for one in lab.runs} == {"115200 8N1"}
    assert lab.solution == submission()
    assert [one.title for one in lab.answers.repairs] == ["no waiting at all", "spins"]


def test_edits_take_whole_lines_at_any_indentation() -> None:
    """Lines are found however far they are indented, and what replaces them is indented as far."""
    text = "def f():\n    if x:\n        a\n        b\n    c\n"
    assert edited(text, (Edit("a\nb\n", "d\n  e\n"),)) == (
        "def f():\n    if x:\n        d\n          e\n    c\n"
    )
    assert edited(text, (Edit("a\n", ""),)) == "def f():\n    if x:\n        b\n    c\n"


@pytest.mark.parametrize("old", ["nowhere\n", "a\nc\n", "\n"])
def test_an_edit_that_does_not_fit_is_refused(old: str) -> None:
    """An edit whose lines do not stand there exactly once would mend something else."""
    with pytest.raises(InputError, match=r"stands [02] times"):
        edited("a\nb\na\nb\n\n\n", (Edit(old, ""),))


FLAWS = {
    "no run": (
        {"lab": LAB.replace("fails: {run: a word", "fails: {run: no word")},
        "lab.yaml: no run 'no word'; allowed: a word, a letter at every timing",
    ),
    "no rule": (
        {"lab": LAB.replace("rule: idle-mistaken", "rule: idle-mistakes")},
        "lab.yaml: no rule 'idle-mistakes'; allowed: a rule, or promise NAME",
    ),
    "a step that is none": (
        {"lab": LAB.replace('send: "ab"', 'sent: "ab"')},
        "lab.yaml:18:16: ",
    ),
    "an unknown key": (
        {"lab": LAB.replace("symptom:", "symptoms:")},
        "lab.yaml:8:1: unknown key 'symptoms' in a lab",
    ),
    "two hints": ({"lab": LAB.replace("[One., Two., Three.]", "[One., Two.]")}, "lab.yaml:10:"),
    "an unknown class": ({"lab": LAB.replace("class: polling", "class: poling")}, "lab.yaml:2:8: "),
    "a long driver": ({"driver": DRIVER + "#\n" * 80}, "driver.py: 136 lines; allowed: 30 to 120"),
    "one wrong repair": (
        {"answers": ANSWERS.partition("  - repair: spins")[0]},
        "answers.yaml:7:3: the list is empty",
    ),
    "no answers": ({"answers": ""}, "answers.yaml"),
}


@pytest.mark.parametrize(("change", "says"), FLAWS.values(), ids=FLAWS)
def test_flaws_have_their_place(tmp_path: Path, change: dict[str, str], says: str) -> None:
    """What is wrong in a lab's files is told with file, line and column, and what is allowed."""
    with pytest.raises(InputError) as caught:
        load_lab(write_lab(tmp_path, **change))
    assert says in str(caught.value)


def test_all_flaws_are_gathered(tmp_path: Path) -> None:
    """Flaws of both files are told at once."""
    with pytest.raises(InputError) as caught:
        load_lab(write_lab(
            tmp_path, answers=ANSWERS.replace("tells:", "says:"),
            lab=LAB.replace("difficulty: 1", "difficulty: 9").replace("class: polling", ""),
        ))  # fmt: skip
    text = str(caught.value)
    assert "lab.yaml:4:13: " in text
    assert "a lab without 'class'" in text
    assert "answers.yaml" in text


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    """A folder without files is no lab, and each file that is missing is named."""
    (tmp_path / "08_empty").mkdir()
    with pytest.raises(InputError) as caught:
        load_lab(tmp_path / "08_empty")
    assert all(name in str(caught.value) for name in ("lab.yaml", "answers.yaml", "driver.py"))


def test_a_new_lab_can_be_read(tmp_path: Path) -> None:
    """What a teacher begins with is a lab that is complete, with a word on each key."""
    folder = new_lab("51_the_night_ferry", tmp_path)
    assert load_lab(folder).number == 51
    text = (folder / "lab.yaml").read_text(encoding="utf-8")
    assert "#   story       what happened in the harbour" in text


def test_a_new_lab_overwrites_nothing(tmp_path: Path) -> None:
    """A folder that is there already is left alone."""
    new_lab("51_mine", tmp_path)
    with pytest.raises(InputError, match="cannot be written: File exists"):
        new_lab("51_mine", tmp_path)
    with pytest.raises(InputError, match="no name of a lab"):
        new_lab("mine", tmp_path)


def test_a_wheel_has_the_course() -> None:
    """The labs stand beside the room in a wheel, where they are looked for first."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    included = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert included["drivers_example/labs"] == "emu/labs/course"
    assert folder_of_labs() == ROOT / "drivers_example" / "labs"
