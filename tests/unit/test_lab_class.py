"""A class is graded side by side: whose file is whose, what is kept, what is written."""

from __future__ import annotations

import csv
import io
import os
from html.parser import HTMLParser
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.labs import classroom
from emu.labs.classroom import BOOK, Marked, grade_class, papers
from emu.labs.course import names
from emu.labs.load_lab import load_lab
from emu.report.class_pages import class_as_csv, class_as_html, render_class
from tests.lab_bench import DRIVER, QUICK, submission, write_lab

FIRST = names()[0]
PLACES = {
    "mara/01_first_look/driver.py": "mara",
    "mara/01.py": "mara",
    "01_mara.py": "mara",
    "01-mara.py": "mara",
    "01/mara.py": "mara",
    "01_first_look/mara.py": "mara",
    "group a/mara/01_first_look/driver.py": "group a",
    "1_mara.py": "mara",
}


def handed_in(folder: Path, files: dict[str, str]) -> Path:
    """Write files into a folder."""
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(("place", "learner"), PLACES.items())
def test_names_tell_lab_and_learner(tmp_path: Path, place: str, learner: str) -> None:
    """The number of the lab is found on the way to the file, and the learner beside it."""
    (found,) = papers(handed_in(tmp_path, {place: ""})).papers
    assert (found.lab, found.learner) == (FIRST, learner)


def test_a_file_without_a_number_is_told(tmp_path: Path) -> None:
    """A file of which nobody can tell the lab is named and left out, unless all are for one lab."""
    folder = handed_in(tmp_path, {"mara.py": "", "jon.py": "", "01_ann.py": ""})
    found, strays = papers(folder)
    assert [one.learner for one in found] == ["ann"]
    assert [Path(one.path).name for one in strays] == ["jon.py", "mara.py"]
    assert [one.learner for one in papers(folder, FIRST).papers] == ["ann", "jon", "mara"]


def test_files_without_any_number_are_bad_input(tmp_path: Path) -> None:
    """Where no file at all can be told, the name of each is wrong."""
    with pytest.raises(InputError) as caught:
        papers(handed_in(tmp_path, {"mara.py": "", "jon.py": ""}))
    assert len(caught.value.flaws) == 2


def test_an_empty_folder_is_told(tmp_path: Path) -> None:
    """A folder without a file to grade is bad input."""
    with pytest.raises(InputError, match=r"no \.py file is there"):
        papers(tmp_path)


@pytest.fixture
def small_class(tmp_path: Path) -> tuple[Path, Path]:
    """Return the folder of a class, and that of the lab which all files are for."""
    lab = write_lab(tmp_path)
    files = {
        "ann.py": submission(), "ben.py": DRIVER, "cy.py": submission(top="import os"),
        "di.py": submission(top="raise SystemExit"), "eve.py": "",
    }  # fmt: skip
    folder = handed_in(tmp_path / "handed_in", files)
    (folder / "fay.py").write_bytes(b"\xff\xfe")
    return folder, lab


def graded(folder: Path, lab: Path, **more: bool) -> list[Marked]:
    """Grade a class, two files at once."""
    return grade_class(papers(folder, lab).papers, folder, workers=2, limits=QUICK, **more)


@pytest.mark.slow
def test_one_that_breaks_costs_its_own_row(small_class: tuple[Path, Path]) -> None:
    """Whatever is handed in, every file gets a verdict, in the order of the names."""
    found = {one.learner: one.verdict for one in graded(*small_class)}
    assert found == {"ann": "passed", "ben": "failed", "cy": "refused", "di": "failed",
                     "eve": "stopped", "fay": "stopped"}  # fmt: skip


@pytest.mark.slow
def test_a_class_goes_on_where_it_stopped(
    small_class: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was graded is not graded again; what has changed since is, and so is all on request."""
    folder, lab = small_class
    told: list[str] = []

    def interrupt(one: Marked, _done: int, _all: int) -> None:
        told.append(one.learner)
        if len(told) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        grade_class(papers(folder, lab).papers, folder, workers=1, limits=QUICK, told=interrupt)
    with (folder / BOOK).open("ab") as book:
        book.write(b'{"learner": "half a li')  # as a machine leaves it that was switched off
    asked: list[str] = []
    grade = classroom.Grader.grade

    def noting(self: classroom.Grader, source: str, **more: int) -> object:
        asked.append(source)
        return grade(self, source, **more)

    monkeypatch.setattr(classroom.Grader, "grade", noting)
    assert len(graded(folder, lab)) == 6
    assert len(asked) == 2  # the file that cannot be read is no submission
    asked.clear()
    graded(folder, lab)
    assert asked == [""]  # what was stopped may have been stopped by a busy machine
    (folder / "ben.py").write_text(DRIVER + "# mended\n", encoding="utf-8")
    asked.clear()
    graded(folder, lab)
    assert sorted(asked) == ["", DRIVER + "# mended\n"]
    asked.clear()
    graded(folder, lab, again=True)
    assert len(asked) == 5


@pytest.mark.slow
def test_what_is_no_plain_file_costs_its_own_row(small_class: tuple[Path, Path]) -> None:
    """A pipe, a folder or a link that is called like a file is neither waited for nor followed."""
    folder, lab = small_class
    for one in folder.iterdir():
        one.unlink()
    os.mkfifo(folder / "pipe.py")
    (folder / "folder.py").mkdir()
    (folder / "link.py").symlink_to(lab / "driver.py")
    (folder / "ann.py").write_text("import os\n", encoding="utf-8")
    found = {one.learner: (one.verdict, one.reason) for one in graded(folder, lab)}
    assert found.pop("ann") == ("refused", "it imports os")
    assert set(found.values()) == {("stopped", "it cannot be read: no plain file")}


@pytest.mark.slow
def test_names_steer_nothing(small_class: tuple[Path, Path]) -> None:
    """A name that holds what a terminal obeys, or no text at all, is shown without that."""
    folder, lab = small_class
    for one in folder.iterdir():
        one.unlink()
    for name in (b"a\x1b[31mnn.py", b"b\xffn.py", b"c\ny.py"):
        Path(os.fsdecode(os.fsencode(folder) + b"/" + name)).write_text("import os\n")
    found = graded(folder, lab)
    assert [one.learner for one in found] == ["a\\x1b[31mnn", "b\\udcffn", "c y"]
    assert [one.path for one in found] == ["a\\x1b[31mnn.py", "b\\udcffn.py", "c y.py"]
    assert graded(folder, lab) == found


def test_the_book_says_nothing_of_whose_a_file_is(small_class: tuple[Path, Path]) -> None:
    """Whoever writes a name into the book gives a mark to nobody else by it."""
    folder, lab = small_class
    for name in ("ann.py", "ben.py", "di.py", "eve.py", "fay.py"):
        (folder / name).unlink()
    (before,) = graded(folder, lab)
    book = (folder / BOOK).read_text(encoding="utf-8")
    (folder / BOOK).write_text(book.replace('"cy"', '"ann"'), encoding="utf-8")
    assert graded(folder, lab) == [before]


def test_the_book_is_not_kept_elsewhere(small_class: tuple[Path, Path], tmp_path: Path) -> None:
    """A link that is called like the book makes the grader write into no other file."""
    folder, lab = small_class
    (folder / BOOK).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(InputError, match="is no plain file"):
        graded(folder, lab)
    assert not (tmp_path / "elsewhere").exists()


def marked(learner: str, lab: str, verdict: str, reason: str = "", note: str = "") -> Marked:
    """Return a mark."""
    return Marked(learner, lab, f"{learner}.py", "", verdict, reason, 3, note, 1.0, 0.5)


MARKS = [
    marked("ann", "01_first_look", "passed"),
    marked("ben", "01_first_look", "failed", "=HYPERLINK(1)", "ROOM is the other way."),
    marked("<b>cy</b>", "01_first_look", "failed", "<script>alert(1)</script>",
           "ROOM is the other way."),
    marked("ann", "02_last_letter", "stopped", "it tried to start a process"),
]  # fmt: skip


def test_the_screen_shows_a_table(capsys: pytest.CaptureFixture[str]) -> None:
    """Learners stand down and labs across, in words; what many got wrong is told."""
    lines = render_class(MARKS).splitlines()
    assert lines[0].split() == ["1", "2"]
    assert lines[2].split() == ["ann", "pass", "stop"]
    assert "4 files of 3 learners, 1 passed" in lines
    assert lines[-1] == "lab  1, 2 times: ROOM is the other way."
    assert capsys.readouterr().out == ""


def test_csv_reads_back_and_holds_no_formula() -> None:
    """Every file has a row, and no spreadsheet takes a cell for a formula."""
    rows = list(csv.DictReader(io.StringIO(class_as_csv(MARKS))))
    assert [one["learner"] for one in rows] == ["ann", "ben", "<b>cy</b>", "ann"]
    assert rows[1]["reason"] == "'=HYPERLINK(1)"


def test_the_page_holds_text_only() -> None:
    """What a submission or a name says never becomes part of the page itself."""
    tags: list[str] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            tags.append(tag)

    Reader().feed(class_as_html(MARKS, "Labs of <i>us</i>"))
    assert "script" not in tags
    assert "i" not in tags
    assert tags.count("tr") == 4
    assert tags.count("details") == 4


def test_every_lab_of_the_course_can_be_named() -> None:
    """The course is there, and its first lab is the one that the names in these tests mean."""
    assert load_lab(FIRST).number == 1
