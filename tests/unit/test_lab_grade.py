"""A submission passes if nothing speaks against it, and is told what does if something does."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from emu.labs.grade import Grade, Grader
from emu.labs.lab import Lab
from emu.labs.load_lab import load_lab
from emu.labs.verify import verify
from tests.lab_bench import DRIVER, LAB, QUICK, submission, write_lab


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    """Return the lab of the tests."""
    return load_lab(write_lab(tmp_path))


def graded(lab: Lab, source: str) -> Grade:
    """Grade a submission."""
    return Grader(lab, QUICK).grade(source)


@pytest.mark.slow
def test_the_lab_is_what_it_says(lab: Lab) -> None:
    """The broken driver fails for its reason, the solution passes, wrong repairs are understood."""
    found = list(verify(lab, QUICK))
    assert [one.wrong for one in found] == [""] * 4
    assert [one.what for one in found] == ["solution", "original", "no waiting at all", "spins"]


@pytest.mark.slow
def test_a_repair_in_another_style_passes(lab: Lab) -> None:
    """What counts is what a driver does and not how its text differs from the solution."""
    other = submission().replace("self._wait_for(IDLE, timeout)", "self._until_idle(timeout)")
    other += (
        "\n    def _until_idle(self, timeout: float | None) -> bool:\n"
        "        until = self._cpu.time() + (1.0 if timeout is None else timeout)\n"
        "        while not self._io.read32(STATUS) & IDLE:\n"
        "            if self._cpu.time() >= until:\n"
        "                return bool(self._io.read32(STATUS) & IDLE)\n"
        "            self._cpu.sleep(10e-6)\n"
        "        return True\n"
    )
    found = graded(lab, other)
    assert found.verdict == "passed", found


def test_the_original_fails_with_its_own_bug(lab: Lab) -> None:
    """The driver as it was handed out fails, with the line, and the bug is known again."""
    found = graded(lab, DRIVER)
    assert (found.verdict, found.same_bug, found.misunderstood) == ("failed", True, "")
    assert "ROOM" in DRIVER.splitlines()[found.line - 1]
    assert "solution" not in found.reason


def test_a_misunderstanding_is_named(lab: Lab) -> None:
    """A wrong repair that is known gets the words of the lab, and is not taken for the bug."""
    found = graded(lab, DRIVER.replace("return self._wait_for(ROOM, timeout)", "return True"))
    assert found.misunderstood == "Whoever does not wait knows nothing."
    assert not found.same_bug


def test_a_busy_driver_fails(lab: Lab) -> None:
    """A repair that works but keeps the processor busy far longer than needed does not pass."""
    found = graded(lab, submission().replace("self._cpu.sleep(5e-6)", "self._io.read32(STATUS)"))
    assert (found.verdict, found.failures[0].rule) == ("failed", "load")
    assert found.load > 2
    assert found.misunderstood.startswith("A processor that asks")


def test_a_removed_feature_fails(lab: Lab) -> None:
    """Whoever takes the feature away with the bug fails, for what is missing then."""
    gone = submission().replace("            self._io.write32(DATA, byte)\n", "            pass\n")
    found = graded(lab, gone)
    assert found.verdict == "failed"
    assert not found.same_bug


def test_a_submission_that_is_refused_is_not_run(lab: Lab) -> None:
    """What is refused costs no time, and its line is told."""
    found = graded(lab, submission(top="import os"))
    assert (found.verdict, found.reason, found.runs) == ("refused", "it imports os", 0)
    assert found.line == submission(top="import os").splitlines().index("import os") + 1


def test_the_calls_stay_what_they_were(lab: Lab) -> None:
    """A method with other arguments is refused, since those who call it by name would fail."""
    found = graded(lab, submission().replace("size: int, timeout", "count: int, timeout"))
    assert found.verdict == "refused"
    assert found.reason == "it takes read(count, timeout), not read(size, timeout)"
    assert found.line == submission()[: submission().index("def read")].count("\n") + 1


def test_a_submission_that_is_not_there_is_told(lab: Lab) -> None:
    """An empty file is a submission without the class, and no error of ours."""
    found = graded(lab, "")
    assert found.verdict == "stopped"
    assert "has no class 'Console'" in found.reason


def test_the_moment_is_shown(lab: Lab) -> None:
    """On request the rows around the failure come with the grade, the failure among them."""
    found = Grader(lab, QUICK).grade(DRIVER, rows=12)
    lines = found.moment.splitlines()
    assert lines[0].split() == ["time", "us", "main", "code", "handler", "line", "FIFO", "irq"]
    assert any("* idle-mistaken: drain returned True" in one for one in lines)
    assert max(map(len, lines)) <= 100


def test_a_lab_that_teaches_something_else_is_found_out(tmp_path: Path) -> None:
    """A sign that the broken driver does not show is told by verify, with what it shows."""
    wrong = LAB.replace("rule: idle-mistaken", "rule: read-when-empty")
    found = {one.what: one.wrong for one in verify(load_lab(write_lab(tmp_path, lab=wrong)), QUICK)}
    assert "it fails for the reason taught" in found["original"]
    assert "idle-mistaken at line" in found["original"]


def test_no_driver_of_a_lab_is_loaded_here(lab: Lab) -> None:
    """The solution runs in a process of its own too, so graders can be made side by side."""
    before = set(sys.modules)
    assert graded(lab, DRIVER).verdict == "failed"
    assert not [one for one in set(sys.modules) - before if "driver_driver" in one]
