"""``emu lab`` as learners and teachers use it: a lab played through, a class, labs of one's own."""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path

import pexpect
import pytest

from emu.cli.main import main
from emu.labs.course import find_lab
from emu.labs.load_lab import load_lab
from tests.lab_bench import DRIVER, submission, write_lab

ROOT = Path(__file__).resolve().parents[2]


def emu(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Run the command line and return exit status, output and messages."""
    status = main(["lab", *words])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert max((len(line) for line in out.splitlines()), default=0) <= 100 or "--json" in words
    return status, out, err


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_course_is_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """Each lab has a line with its class and level, and the first step is suggested."""
    status, out, err = emu(capsys)
    assert (status, err) == (0, "")
    assert out.splitlines()[0].split() == ["lab", "title", "class", "level", "after", "state"]
    assert out.splitlines()[1].split()[0] == "1"
    assert "Next: emu lab start 1 begins with" in out


def test_the_course_as_data(capsys: pytest.CaptureFixture[str]) -> None:
    """Other programs get the same, lab by lab."""
    status, out, _ = emu(capsys, "--json")
    assert status == 0
    first = json.loads(out)[0]
    assert (first["number"], first["class"], first["state"]) == (1, "polling", "")


@pytest.mark.slow
def test_a_lab_is_played_through(capsys: pytest.CaptureFixture[str]) -> None:
    """Begin, look, repair wrongly, take a hint, repair rightly: each step says what comes next."""
    lab = find_lab("1")
    status, out, _ = emu(capsys, "start", "1")
    assert status == 0
    file = Path("labs", lab.name, "driver.py")
    assert f"Next: mend {file}" in out
    status, out, _ = emu(capsys, "show", "1")
    assert status == 0
    assert out.startswith(f"{file}\n\n   time us  main code")
    assert "the bug is still there" in out
    wrong = lab.answers.repairs[0]
    file.write_text(lab.repaired(wrong), encoding="utf-8")
    status, out, _ = emu(capsys, "grade", "1")
    assert status == 1
    assert "FAILED" in out
    assert " ".join(wrong.tells.split())[:40] in " ".join(out.split())
    assert f"Next: emu lab show 1 {file}" in out
    status, first, _ = emu(capsys, "hint", "1")
    _, second, _ = emu(capsys, "hint", "1")
    assert (first.startswith("hint 1: "), second.startswith("hint 2: ")) == (True, True)
    file.write_text(lab.solution, encoding="utf-8")
    status, out, _ = emu(capsys, "grade", "1", str(file))
    assert status == 0
    assert "PASSED" in out
    assert "learned: " in out
    _, out, _ = emu(capsys)
    assert "passed, 2 tries" in out


@pytest.mark.slow
def test_a_grade_as_data(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Other programs get the verdict, the failures and what was misunderstood."""
    write_lab(tmp_path)
    Path("mine.py").write_text(DRIVER, encoding="utf-8")
    status, out, _ = emu(capsys, "grade", "07_the_letter", "mine.py", "--json")
    found = json.loads(out)
    assert (status, found["verdict"], found["same_bug"]) == (1, "failed", True)
    assert found["failures"][0]["rule"] == "idle-mistaken"


def test_the_solution_is_given_on_request_only(capsys: pytest.CaptureFixture[str]) -> None:
    """Hints do not hold it; ``--solution`` shows what changes, and the lesson."""
    lab = find_lab("1")
    new = [one for one in lab.solution.splitlines() if one not in lab.broken.splitlines()]
    _, hints, _ = emu(capsys, "hint", "1", "--all")
    assert hints.count("hint ") >= 3
    assert not any(one.strip() in hints for one in new)
    _, out, _ = emu(capsys, "hint", "1", "--solution")
    assert all(f"+{one}" in out for one in new)
    assert "lesson: " in out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("start", "99"), "no lab '99'"),
        (("start", "first_look"), "no lab 'first_look'"),
        (("grade", "1", "nowhere.py"), "nowhere.py: cannot be read: No such file"),
        (("class", "."), "no .py file is there"),
        (("grade", "1"), "give a FILE; there is no exercise of lab 1 in labs"),
        (("new", "mine"), "'mine' is no name of a lab"),
        (("verify", "."), "no lab is there"),
        (("hunt", "1"), "No such command 'hunt'"),
    ],
)
def test_bad_input_is_told(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], says: str
) -> None:
    """Exit status 2, one clear message, and nothing is written."""
    status, out, err = emu(capsys, *words)
    assert (status, out) == (2, "")
    assert says in err
    assert list(Path().iterdir()) == []


def test_a_file_that_is_no_text_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """A submission in another encoding is bad input for one, at its byte."""
    Path("mine.py").write_bytes(b"# caf\xe9\n")
    status, _, err = emu(capsys, "grade", "1", "mine.py")
    assert (status, "byte 5 is 0xe9" in err) == (2, True)


@pytest.mark.slow
def test_a_class_is_graded(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A folder of files gets a table, and the files that were asked for."""
    write_lab(tmp_path)
    folder = tmp_path / "handed_in"
    folder.mkdir()
    (folder / "ann.py").write_text(submission(), encoding="utf-8")
    (folder / "ben.py").write_text(DRIVER, encoding="utf-8")
    status, out, err = emu(capsys, "class", "handed_in", "--lab", "07_the_letter",
                           "--csv", "marks.csv", "--html", "marks.html")  # fmt: skip
    assert (status, err) == (1, "")
    assert [one.split() for one in out.splitlines()[:3]] == [
        ["7"],
        ["ann", "pass"],
        ["ben", "fail"],
    ]
    assert Path("marks.csv").read_text(encoding="utf-8").count("\n") == 3
    assert "<table>" in Path("marks.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_lab_of_ones_own(capsys: pytest.CaptureFixture[str]) -> None:
    """A new lab verifies as it is; one whose solution is none is told to be wrong."""
    assert emu(capsys, "new", "51_mine")[0] == 0
    status, out, _ = emu(capsys, "verify", "51_mine")
    assert (status, out.splitlines()[-1]) == (0, "1 lab, 0 of them wrong")
    lab = load_lab(Path("51_mine"))
    (Path("51_mine") / "driver.py").write_text(
        lab.broken.replace("self._io.write32(DATA, byte)", "pass"), encoding="utf-8"
    )
    status, out, _ = emu(capsys, "verify", "51_mine")
    assert status == 1
    assert "WRONG" in out
    assert "it should be so that it passes" in out


@pytest.mark.slow
def test_a_class_can_be_interrupted(tmp_path: Path) -> None:
    """Ctrl-C ends a class with exit status 130 and no traceback; what was graded is kept."""
    write_lab(tmp_path)
    folder = tmp_path / "handed_in"
    folder.mkdir()
    for number in range(12):
        (folder / f"learner{number}.py").write_text(submission(), encoding="utf-8")
    words = ["-m", "emu.cli.main", "lab", "class", "handed_in", "--lab", "07_the_letter",
             "--workers", "1"]  # fmt: skip
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1"}
    child = pexpect.spawn(sys.executable, words, cwd=tmp_path, env=environment, encoding="utf-8",
                          dimensions=(24, 100), timeout=120)  # fmt: skip
    child.expect("2 of 12")
    child.kill(signal.SIGINT)
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 130
    assert "Traceback" not in child.before
    assert "are kept, the same command goes on from there" in child.before
    kept = (folder / ".emu_grades.jsonl").read_text(encoding="utf-8").splitlines()
    assert 2 <= len(kept) < 12


def test_a_solution_that_is_no_driver_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """A lab whose text cannot be loaded is bad input, at its line, and no traceback."""
    emu(capsys, "new", "51_mine")
    path = Path("51_mine", "driver.py")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("def close(self)", "def close(self"), encoding="utf-8")
    status, _, err = emu(capsys, "verify", "51_mine")
    assert status == 2
    line = next(n for n, one in enumerate(text.splitlines(), 1) if "def close" in one)
    assert f"driver.py:{line}:1: the solution cannot be used: " in err


def test_a_lab_of_ones_own_is_named_by_its_folder(capsys: pytest.CaptureFixture[str]) -> None:
    """What is to be typed next works for labs that are none of the course, too."""
    emu(capsys, "new", "51_mine", "--into", "mine")
    status, out, _ = emu(capsys, "start", "mine/51_mine")
    assert status == 0
    assert "emu lab show mine/51_mine" in out
    status, out, _ = emu(capsys, "hint", "mine/51_mine")
    assert (status, out.startswith("hint 1: ")) == (0, True)
    assert "emu lab hint mine/51_mine again says more" in out


def test_hints_without_a_folder_come_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    """Where nothing is begun nothing is kept, so the next hint is had by asking for all."""
    _, out, _ = emu(capsys, "hint", "1")
    assert "Next: emu lab hint 1 --all says more" in out


@pytest.mark.slow
def test_a_stray_file_stops_no_class(capsys: pytest.CaptureFixture[str]) -> None:
    """A file of which nobody can tell the lab is named, and the others are graded."""
    folder = Path("handed_in")
    folder.mkdir()
    (folder / "01_ann.py").write_text(find_lab("1").solution, encoding="utf-8")
    (folder / "notes.py").write_text("", encoding="utf-8")
    status, out, err = emu(capsys, "class", "handed_in")
    assert status == 1
    assert "1 file of 1 learner, 1 passed" in out
    assert err.startswith("left out: handed_in/notes.py: no number of a lab stands in its name")
