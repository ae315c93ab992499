"""A learner works in a folder of an exercise, and what was done is kept beside it."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from emu.errors import InputError
from emu.labs.exercise import begin
from emu.labs.load_lab import load_lab
from emu.labs.progress import FILE, Diary
from emu.scenario.load import load_scenario
from emu.scenario.runner import run_scenario
from tests.lab_bench import DRIVER, write_lab


def test_a_diary_reads_back(tmp_path: Path) -> None:
    """Hints, tries and success are there the next time."""
    diary = Diary(tmp_path)
    assert diary.state("07_the_letter") == ""
    entry = diary.of("07_the_letter")
    assert entry.state == "begun"
    entry.tries, entry.hints = 2, 1
    diary.write()
    again = Diary(tmp_path).of("07_the_letter")
    assert (again.state, again.hints) == ("2 tries", 1)
    again.passed = True
    assert again.state == "passed, 2 tries"


def test_nothing_is_kept_where_nothing_was_begun(tmp_path: Path) -> None:
    """Without a folder of exercises no diary is written."""
    diary = Diary(tmp_path / "labs")
    diary.of("07_the_letter").tries += 1
    diary.write()
    assert not (tmp_path / "labs").exists()


@pytest.mark.parametrize("text", ["{", "[]", '{"07_the_letter": {"hints": "many"}}'])
def test_a_diary_that_is_none_is_told(tmp_path: Path, text: str) -> None:
    """A file that cannot be read is named, with what to do about it."""
    (tmp_path / FILE).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="remove it to begin anew"):
        Diary(tmp_path)


def test_an_exercise_shows_the_symptom(tmp_path: Path) -> None:
    """The folder has the broken driver, its story, and a run that fails as the lab says."""
    folder = begin(load_lab(write_lab(tmp_path)), tmp_path / "labs")
    assert sorted(one.name for one in folder.iterdir()) == [
        "README.md", "driver.py", "scenario.yaml"
    ]  # fmt: skip
    assert (folder / "driver.py").read_text(encoding="utf-8") == DRIVER
    outcome = run_scenario(load_scenario(folder / "scenario.yaml"))
    assert [one.rule for one in outcome.findings] == ["idle-mistaken"]


def test_an_exercise_gives_no_answers(tmp_path: Path) -> None:
    """Neither hints nor lesson nor any line of the solution are in the learner's folder."""
    lab = load_lab(write_lab(tmp_path))
    folder = begin(lab, tmp_path / "labs")
    text = "".join(one.read_text(encoding="utf-8") for one in folder.iterdir())
    assert lab.lesson not in text
    assert not any(hint in text for hint in lab.hints)
    assert "return self._wait_for(IDLE" not in text
    assert "A story." in text


def test_work_is_not_overwritten(tmp_path: Path) -> None:
    """An exercise that is there already stays as it is."""
    lab = load_lab(write_lab(tmp_path))
    folder = begin(lab, tmp_path / "labs")
    (folder / "driver.py").write_text("mine\n", encoding="utf-8")
    with pytest.raises(InputError, match="perhaps with your work in it"):
        begin(lab, tmp_path / "labs")
    assert (folder / "driver.py").read_text(encoding="utf-8") == "mine\n"


def test_the_exercise_stands_alone(tmp_path: Path) -> None:
    """The scenario names its board itself, so the folder can be moved."""
    folder = begin(load_lab(write_lab(tmp_path)), tmp_path / "labs")
    plain = yaml.safe_load((folder / "scenario.yaml").read_text(encoding="utf-8"))
    assert plain["driver"] == "driver.py:Console"
    assert isinstance(plain["board"], dict)
