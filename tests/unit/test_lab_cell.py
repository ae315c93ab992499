"""Past the first fence: what the process of a submission is kept from, and what is told of it.

The submissions here are put into a process without being looked at first, as if the look at them
had been got round.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.labs.keeper import Held, Hold, hold
from emu.labs.lab import Lab
from emu.labs.load_lab import load_lab
from emu.labs.trials import Setting
from tests.lab_bench import LAB, submission, write_lab

SHORT = Hold(seconds=4.0, memory_bytes=1 << 29, setting=Setting(pairs=0, seconds=3.0))
REACHES = {
    "import os\nos.fork()": "it tried to start a process",
    "import os\nos.system('true')": "it tried to start a program",
    "import subprocess\nsubprocess.run(['true'])": "it tried to start a program",
    "import socket\nsocket.socket()": "it tried to use the network",
    "import os\nos.kill(os.getppid(), 9)": "it tried to signal a process",
    "import ctypes\nctypes.string_at(0)": "it tried to call the system",
    "import os\nos.remove('driver.py')": "it tried to change files",
    "import shutil\nshutil.rmtree('.')": "it tried to change files",
    "import gc\ngc.get_objects()": "it tried to go through the bench's memory",
    "import sys\nsys.addaudithook(print)": "it tried to watch the interpreter",
    "open('/etc/passwd')": "it tried to open '/etc/passwd'",
    "open('mine.txt', 'w')": "it tried to open 'mine.txt'",
    "import os\nos.listdir('/')": "it tried to open '/'",
    "import resource\nresource.setrlimit(resource.RLIMIT_CPU, (9, 9))":
        "it tried to change its bounds",
}  # fmt: skip
FORGED = """\
import json
import os

told = {"word": "guessed", "tried": {"failures": [], "complete": True}}
for pipe in range(3, 20):
    try:
        os.write(pipe, json.dumps(told).encode())
    except OSError:
        pass
os._exit(0)
"""


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    """Return the lab of the tests."""
    return load_lab(write_lab(tmp_path))


def held(lab: Lab, source: str, limits: Hold = SHORT) -> Held:
    """Hold a submission without looking at it first."""
    return hold(source, lab.driver, lab.runs[:1], private=(lab.folder,), limits=limits)


def test_a_good_driver_is_not_hindered(lab: Lab) -> None:
    """A submission that does nothing special runs to its end."""
    found = held(lab, submission())
    assert found.stopped == ""
    assert found.tried is not None
    assert (found.tried.failures, found.tried.runs) == ([], 1)


def test_lines_named_by_number_get_there(tmp_path: Path) -> None:
    """A board whose interrupt lines have settings of their own is the same in the process."""
    edge = LAB.replace("irq: 6}}}", "irq: 6}}, interrupts: {6: {trigger: edge}}}")
    found = held(load_lab(write_lab(tmp_path, lab=edge)), submission())
    assert found.stopped == ""
    assert found.tried is not None
    assert found.tried.failures == []


@pytest.mark.parametrize(("code", "what"), REACHES.items())
def test_reaching_out_ends_it(lab: Lab, code: str, what: str) -> None:
    """At the first try to reach outside the process ends, and the line is told."""
    source = submission(top=code)
    line = next(n for n, one in enumerate(source.splitlines(), 1) if one == code.splitlines()[-1])
    found = held(lab, source)
    assert (found.stopped, found.line) == (what, line)
    assert found.tried is None


def test_the_answers_cannot_be_read(lab: Lab) -> None:
    """The lab's own folder is closed to a submission, though it lies where reading is allowed."""
    path = lab.folder / "answers.yaml"
    other = "class Other(str):\n    def startswith(self, *_): return False\n"
    other += "    def partition(self, *_): return '', '', ''"
    for code in (f"open({str(path)!r})", f"{other}\nopen(Other({str(path)!r}))"):
        found = held(lab, submission(top=code))
        assert found.stopped == f"it tried to open {str(path)!r:.80}"


def test_a_patched_grader_is_noticed(lab: Lab) -> None:
    """Whoever puts a function of their own in the bench's place gets no verdict by it."""
    code = "import emu.labs.trials\nemu.labs.trials.busy_ps = lambda measures: 0"
    found = held(lab, submission(top=code))
    assert found.stopped == "it changed the bench: emu.labs.trials.busy_ps"


def test_a_patched_method_is_noticed(lab: Lab) -> None:
    """A method that was replaced in a class counts like a function."""
    code = "import emu.scenario.promise\nemu.scenario.promise.Breaches.enter = lambda *_: True"
    assert held(lab, submission(top=code)).stopped.startswith("it changed the bench: ")


@pytest.mark.parametrize(
    ("code", "name"),
    [
        ("import emu.labs.trials as trials\ntrials._MOST_TOLD = 0", "emu.labs.trials._MOST_TOLD"),
        ("import emu.errors\nemu.errors.RunEnded.cause = property(lambda _: 'no', lambda *_: None)",
         "emu.errors.RunEnded.cause"),
    ],
)  # fmt: skip
def test_a_patched_value_is_noticed(lab: Lab, code: str, name: str) -> None:
    """A bound that was moved counts like a function, and so does what a class did not have."""
    assert held(lab, submission(top=code)).stopped == f"it changed the bench: {name}"


def test_patched_code_is_noticed(lab: Lab) -> None:
    """Nor does it help to leave the function where it is and give it other code."""
    code = (
        "import emu.labs.trials as trials\ntrials.busy_ps.__code__ = (lambda measures: 0).__code__"
    )
    assert held(lab, submission(top=code)).stopped.startswith("it changed the bench: ")


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("import os\nos._exit(0)", "it ended its process, with exit status 0"),
        (FORGED.replace("\n\n", "\n"), "it ended its process, with exit status 0"),
        ("raise KeyboardInterrupt", "it raised KeyboardInterrupt: no message"),
        ("while True: pass", "simulated time has stood still for 1 s"),
    ],
)
def test_what_gives_no_verdict_is_told(lab: Lab, code: str, says: str) -> None:
    """A process that does not get to speak, or speaks without the word, has not passed."""
    found = held(lab, submission(top=code.replace("\n\n", "\n")))
    assert found.stopped.startswith(says)
    assert found.tried is None


def test_nonsense_in_the_pipe_is_no_error_of_ours(lab: Lab) -> None:
    """What is nested too deep to be read has not passed, and harms nobody else."""
    code = "import os\nfor pipe in range(3, 20):\n    try:\n"
    code += "        os.write(pipe, b'[' * 60_000)\n    except OSError:\n        pass\nos._exit(0)"
    assert held(lab, submission(top=code)).stopped == "it ended its process, with exit status 0"


def test_what_is_told_steers_no_terminal(lab: Lab) -> None:
    """Names of classes and lines of code, too, are text and nothing else."""
    code = "class Boo(Exception): pass\nBoo.__name__ = '\\x1b[2J'\nraise Boo('\x1b[31m')"
    found = held(lab, submission(opening=code))
    assert found.tried is not None
    (told,) = found.tried.failures
    assert told.message == "open raised \\x1b[2J: ?[31m"
    assert told.code == "raise Boo('\\x1b[31m')"


def test_a_driver_that_swallows_its_end_is_ended(lab: Lab) -> None:
    """Even a loop that catches whatever is raised in it comes to an end, as a failure."""
    code = (
        "while True:\n    try:\n        while True:\n            pass\n"
        "    except BaseException:\n        pass"
    )
    found = held(lab, submission(opening=code))
    assert found.tried is not None
    assert found.tried.failures[0].rule == "spinning"


def test_memory_is_bounded(lab: Lab) -> None:
    """A submission that takes more memory than it may gets an error of its own."""
    found = held(lab, submission(opening="hog = bytearray(1 << 30)"))
    assert found.tried is not None
    assert "MemoryError" in found.tried.failures[0].message


def test_time_is_bounded(lab: Lab) -> None:
    """A computation that nothing in Python can stop is ended from outside."""
    limits = Hold(seconds=1.0, setting=Setting(pairs=0, seconds=1.0))
    found = held(lab, submission(top="import signal\nsignal.alarm(0)\nn = 7 ** (7 ** 9)"), limits)
    assert found.stopped == "it did not come to an end in 1 s"


def test_what_is_printed_goes_nowhere(lab: Lab, capfd: pytest.CaptureFixture[str]) -> None:
    """What a submission prints is kept, a little of it, and clutters nobody's screen."""
    found = held(lab, submission(opening="print('tide ' * 100_000)"))
    assert capfd.readouterr() == ("", "")
    assert found.tried is not None
    assert found.tried.printed.startswith("tide tide")
    assert len(found.tried.printed) < 11_000


def test_the_working_folder_lends_no_modules(
    lab: Lab, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A module that lies where the grader was started is not taken for one of Python's."""
    (tmp_path / "json.py").write_text("raise SystemExit(9)\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.syspath_prepend("")
    assert held(lab, submission()).stopped == ""
