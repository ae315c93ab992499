"""``emu hunt`` as a person uses it: options, exit status, messages, cases, and a real terminal."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

import pexpect
import pytest

from emu.cli import hunt as command_module
from emu.cli.main import main
from emu.cli.progress import Progress
from emu.search.case import load_case
from tests.search_bench import driver_text

ROOT = Path(__file__).resolve().parents[2]
QUIET = "fixtures/quiet.yaml"
FIRST_DAY = "fixtures/first_day.yaml"
SHORT = """
scenario: a short reading
board: {root}/fixtures/tide_gauge.yaml
port: telemetry
far_end: echo
do: [open, {{send: ab}}, drain, {{receive: 2}}]
"""
SLOPPY = "def drain(self, timeout=None):\n    return True"


@pytest.fixture(autouse=True)
def at_home(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in the top folder, as the paths in these tests do."""
    monkeypatch.chdir(ROOT)


@pytest.fixture
def short(tmp_path: Path) -> str:
    """Return the path of a short scenario."""
    path = tmp_path / "run.yaml"
    path.write_text(SHORT.format(root=ROOT), encoding="utf-8")
    return str(path)


@pytest.fixture
def sloppy(tmp_path: Path) -> str:
    """Return the name of a driver that says it is idle when it is not."""
    return driver(tmp_path, SLOPPY)


def driver(folder: Path, body: str) -> str:
    """Write a driver and return its name."""
    path = folder / "gauge.py"
    path.write_text(driver_text(body), encoding="utf-8")
    return f"{path}:Gauge"


def emu(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Run the command line and return exit status, output and messages."""
    status = main(["hunt", *words])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert max((len(line) for line in out.splitlines()), default=0) <= 100 or "--json" in words
    return status, out, err


# verdicts


def test_a_clean_driver(capsys: pytest.CaptureFixture[str]) -> None:
    """A driver in which nothing was found gives exit status 0 and a next step, on one stream."""
    status, out, err = emu(capsys, QUIET, "--runs", "20")
    assert (status, err) == (0, "")
    title, name = out.splitlines()[:2]
    assert title == "one reading on a quiet night"
    assert name == "driver drivers_example/interrupt_driven.py:InterruptDriver"
    assert "\nCLEAN   " in out
    assert "decided by 20 runs in" in out
    assert "the number of runs was used up" in out
    assert "Next: emu check drivers_example/interrupt_driven.py:InterruptDriver tries all" in out


def test_a_driver_that_fails(capsys: pytest.CaptureFixture[str]) -> None:
    """A driver in which something was found gives exit status 1, with the line of each cause."""
    status, out, err = emu(capsys, FIRST_DAY, "--runs", "5")
    assert (status, err) == (1, "")
    assert "\nFAILED   " in out
    assert "1. drivers_example/first_try.py:" in out
    assert "Next: emu hunt fixtures/first_day.yaml --case FILE keeps the failing cases" in out


def test_another_driver(capsys: pytest.CaptureFixture[str], short: str, sloppy: str) -> None:
    """--driver takes the place of the scenario's, and counts from the working folder."""
    status, out, _ = emu(capsys, short, "--driver", sloppy, "--runs", "3")
    assert status == 1
    assert f"driver{sloppy}FAILED" in "".join(out.split())
    assert "promise drain" in out


@pytest.mark.parametrize("step", ["access", "line", "opcode"])
def test_steps(
    capsys: pytest.CaptureFixture[str], short: str, sloppy: str, tmp_path: Path, step: str
) -> None:
    """Each kind of step can be hunted by, and stands in the cases."""
    case = tmp_path / "case.yaml"
    words = ("--driver", sloppy, "--runs", "9", "--step", step, "--case", str(case))
    status, _, _ = emu(capsys, short, *words)
    assert status == 1
    assert load_case(case).manner == step


def test_no_delay_at_all(capsys: pytest.CaptureFixture[str], short: str) -> None:
    """--stalls 0 makes the undisturbed run and no other."""
    words = (short, "--driver", "tests/small_driver.py:SteadySender", "--stalls", "0")
    status, out, _ = emu(capsys, *words)
    assert status == 0
    assert "1 schedule decided by 1 run in" in out
    assert "only the undisturbed run was made" in out


def test_a_fault_plan(capsys: pytest.CaptureFixture[str], short: str, tmp_path: Path) -> None:
    """--faults puts a plan in the place of the scenario's, and the case names it."""
    plan, case = tmp_path / "plan.yaml", tmp_path / "deep/case.yaml"
    plan.write_text("- {kind: overrun, target: telemetry, first: 1}\n", encoding="utf-8")
    name = driver(tmp_path, "def _status(self):\n    return self._io.read8(5 * self._io.stride)")
    words = ("--driver", name, "--faults", str(plan), "--runs", "3", "--case", str(case))
    status, out, _ = emu(capsys, short, *words)
    assert status == 1
    assert "overrun" in out
    found = load_case(case)
    assert [one.kind for one in found.scenario.faults] == ["overrun"]
    assert "faults: ../plan.yaml\n" in case.read_text(encoding="utf-8")
    assert main(["replay", str(case)]) == 1
    assert "replayed exactly" in capsys.readouterr().out
    assert emu(capsys, short, "--driver", name, "--runs", "3")[0] == 0


def test_spurious_interrupts_only_if_asked_for(
    capsys: pytest.CaptureFixture[str], short: str, tmp_path: Path
) -> None:
    """Without --spurious no interrupt comes for nothing; with it one that is not expected shows."""
    body = (
        "def _handle(self):\n    if self._io.read8(2 * self._io.stride) & 1:\n"
        "        raise LookupError('no cause')\n    self._serve()\n"
    )
    words = (short, "--driver", driver(tmp_path, body), "--step", "access", "--stalls", "1")
    assert emu(capsys, *words, "--runs", "60", "--spurious")[0] == 1
    status, out, _ = emu(capsys, *words, "--runs", "60", "--json")
    for cause in json.loads(out)["causes"]:
        assert all(entry["do"] != "spurious" for entry in cause["schedule"])
    assert status in {0, 1}


def test_the_seed(
    capsys: pytest.CaptureFixture[str], short: str, tmp_path: Path, sloppy: str
) -> None:
    """--seed takes the place of the scenario's seed and stands in the case."""
    case = tmp_path / "case.yaml"
    words = ("--driver", sloppy, "--runs", "2", "--case", str(case), "--seed", "77")
    emu(capsys, short, *words)
    assert load_case(case).scenario.seed == 77


# cases


def test_cases_are_written_and_replayed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Each cause gets a file of its own, and each replays exactly, from wherever it lies."""
    case = tmp_path / "cases/day.yaml"
    status, out, _ = emu(capsys, FIRST_DAY, "--runs", "3", "--case", str(case))
    assert status == 1
    files = sorted(one.name for one in case.parent.iterdir())
    assert files[:2] == ["day.yaml", "day_2.yaml"]
    assert out.count("   case ") == len(files)
    assert f"Next:emureplay{case}--timeline" in "".join(out.split())
    for name in files:
        assert main(["replay", str(case.parent / name)]) == 1
        assert "replayed exactly" in capsys.readouterr().out


def test_no_case_of_a_clean_driver(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Where nothing fails no case is written."""
    case = tmp_path / "case.yaml"
    assert emu(capsys, QUIET, "--runs", "3", "--case", str(case))[0] == 0
    assert not case.exists()


def test_a_place_for_cases_is_looked_at_first(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A case that could not be written is refused before anything is run."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    monkeypatch.setattr(command_module, "Progress", lambda: pytest.fail("runs"))
    status, out, err = emu(capsys, QUIET, "--case", str(tmp_path / "file/case.yaml"))
    assert (status, out) == (2, "")
    assert "cannot be written" in err


# data


def test_json(capsys: pytest.CaptureFixture[str], short: str, sloppy: str) -> None:
    """With --json the output is one object that has all that is promised, and nothing else."""
    status, out, err = emu(capsys, short, "--driver", sloppy, "--runs", "4", "--json")
    assert (status, err) == (1, "")
    found = json.loads(out)
    assert (found["verdict"], found["runs"], found["scenario"]) == ("failed", 4, "a short reading")
    assert found["stopped"] == "count"
    keys = {"rule", "file", "line", "register", "message", "schedule", "promises", "case"}
    assert all(keys <= set(one) for one in found["causes"])


def test_the_same_number_of_runs_gives_the_same(
    capsys: pytest.CaptureFixture[str], short: str, sloppy: str
) -> None:
    """With --runs two hunts print the same but for the time, with one worker or two."""

    def plain(workers: str) -> dict[str, Any]:
        words = ("--driver", sloppy, "--runs", "40", "--budget", "10min", "--workers", workers)
        found: dict[str, Any] = json.loads(emu(capsys, short, *words, "--json")[1])
        del found["seconds"]
        for one in found["causes"]:
            del one["first_s"]
        return found

    assert plain("1") == plain("1") == plain("2")


# bad input


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nowhere.yaml",), "nowhere.yaml: there is no such file"),
        (("fixtures/tide_gauge.yaml",), "this is a board, not a scenario"),
        ((QUIET, "--driver", "nowhere.py:Gauge"), "driver file 'nowhere.py' does not exist"),
        ((QUIET, "--faults", "nowhere.yaml"), "nowhere.yaml: there is no such file"),
        ((QUIET, "--faults", QUIET), "this is a scenario, not a fault plan"),
        ((QUIET, "--stalls", "10"), "--stalls"),
        ((QUIET, "--step", "word"), "--step"),
        ((QUIET, "--budget", "soon"), "soon"),
        ((QUIET, "--budget", "0 s"), "above 0"),
        ((QUIET, "--runs", "0"), "--runs"),
        ((QUIET, "--workers", "0"), "--workers"),
        ((QUIET, "--seed", str(2**63)), "--seed"),
        ((), "Missing argument"),
    ],
)
def test_bad_input(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str) -> None:
    """What cannot be used is told in one message, with exit status 2 and nothing on the screen."""
    status, out, err = emu(capsys, *words)
    assert (status, out) == (2, "")
    assert said in err


def test_a_scenario_without_a_driver(capsys: pytest.CaptureFixture[str], short: str) -> None:
    """A scenario that names no driver needs one on the command line."""
    status, _, err = emu(capsys, short)
    assert status == 2
    assert "the scenario names no driver; give one with --driver FILE.py:CLASS" in err


def test_a_case_in_place_of_a_scenario(
    capsys: pytest.CaptureFixture[str], short: str, sloppy: str, tmp_path: Path
) -> None:
    """A case is told as what it is, with the command that takes it."""
    case = tmp_path / "case.yaml"
    emu(capsys, short, "--driver", sloppy, "--runs", "2", "--case", str(case))
    status, _, err = emu(capsys, str(case))
    assert status == 2
    assert f"this is a case, not a scenario; 'emu replay {case}' runs it" in err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x = 1\nraise ValueError('at import')\n", ":2:1: importing the driver failed: ValueError"),
        ("class Gauge:\n  def open(self:\n", ":2:1: importing the driver failed: SyntaxError"),
        ("import sys\nsys.exit(3)\nGauge = 1\n", ":2:1: importing the driver failed: SystemExit"),
        ("class Gauge:\n    pass\n", ":1:1: class Gauge lacks open()"),
    ],
)
def test_a_driver_that_cannot_be_used(
    capsys: pytest.CaptureFixture[str], short: str, tmp_path: Path, text: str, said: str
) -> None:
    """A driver that cannot even be imported is bad input, told at its own line."""
    path = tmp_path / "gauge.py"
    path.write_text(text, encoding="utf-8")
    status, out, err = emu(capsys, short, "--driver", f"{path}:Gauge")
    assert (status, out) == (2, "")
    assert err.startswith(f"{path}{said}")
    assert f"emu run {short} says more" in err


@pytest.mark.slow
def test_a_driver_that_never_ends_its_import(
    capsys: pytest.CaptureFixture[str], short: str, tmp_path: Path
) -> None:
    """A driver file that loops for ever while it is imported is ended at its loop."""
    path = tmp_path / "gauge.py"
    path.write_text("class Gauge: pass\nwhile True:\n    pass\n", encoding="utf-8")
    status, _, err = emu(capsys, short, "--driver", f"{path}:Gauge")
    assert status == 2
    assert err.startswith((f"{path}:2:1: ", f"{path}:3:1: "))
    assert "stood still" in err


def test_what_a_driver_prints_is_not_heard(
    capsys: pytest.CaptureFixture[str], short: str, tmp_path: Path
) -> None:
    """A driver that prints, at import and in its calls, does not get into the JSON."""
    path = tmp_path / "gauge.py"
    head = "print('hello')"
    body = "def open(self, line):\n    print('hello')\n    super().open(line)"
    path.write_text(driver_text(body, head=head), encoding="utf-8")
    status, out, err = emu(capsys, short, "--driver", f"{path}:Gauge", "--runs", "3", "--json")
    assert (status, err) == (0, "")
    assert json.loads(out)["verdict"] == "clean"


def test_a_driver_that_ends_the_process(
    capsys: pytest.CaptureFixture[str], short: str, tmp_path: Path
) -> None:
    """A driver that takes its process down gets a verdict and a case all the same."""
    name = driver(tmp_path, "def write(self, data, timeout=None):\n    import os\n    os._exit(3)")
    case = tmp_path / "case.yaml"
    status, out, err = emu(capsys, short, "--driver", name, "--case", str(case))
    assert (status, err) == (1, "")
    assert "driver-exited" in out
    assert "exit status 3" in out
    assert load_case(case).record == ""


# terminals


def test_help_fits_100_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """The help is at most 100 columns wide and gives examples and exit statuses."""
    status, out, _ = emu(capsys, "--help")
    assert status == 0
    assert "Examples\n    emu hunt fixtures/quiet.yaml\n" in out
    assert "130 interrupted" in out


def start(*words: str, **environment: str) -> pexpect.spawn:
    """Start the command line in a terminal of 100 columns."""
    variables = {**os.environ, "COLUMNS": "100", "TERM": "xterm", **environment}
    variables.pop("NO_COLOR", None)
    variables.update({name: value for name, value in environment.items() if value})
    return pexpect.spawn(
        sys.executable, ["-m", "emu.cli.main", *words], cwd=str(ROOT), env=variables,
        encoding="utf-8", timeout=60, dimensions=(40, 100),
    )  # fmt: skip


@pytest.mark.slow
def test_colour_on_a_terminal() -> None:
    """A terminal gets colour, and none if NO_COLOR is set; the words are the same."""
    texts = []
    for no_color in ("", "1"):
        child = start("hunt", FIRST_DAY, "--runs", "2", NO_COLOR=no_color)
        texts.append(child.read().replace("\r\n", "\n"))
        child.wait()
    coloured, plain = texts
    assert "\x1b[31m" in coloured
    assert "\x1b[" not in plain
    assert "FAILED" in plain


@pytest.mark.slow
def test_progress_and_interruption() -> None:
    """A hunt of over a second shows how far it is, and Ctrl-C ends it with what was found."""
    child = start("hunt", QUIET, "--budget", "60 s", "--workers", "2")
    child.expect(r"\d+ runs, [\d,]+/s, \d+ behaviours, \d+ failed")
    child.sendintr()
    child.expect("interrupted; this is what was found until then")
    child.read()
    child.wait()
    assert child.exitstatus == 130


@pytest.mark.slow
def test_no_progress_where_there_is_no_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing but the result is written where standard error is no terminal."""
    monkeypatch.setattr("emu.cli.progress._AFTER_S", 0.0)
    status, _, err = emu(capsys, QUIET, "--runs", "5")
    assert (status, err) == (0, "")


class Terminal:
    """A terminal that remembers."""

    def __init__(self) -> None:
        self.text = ""

    def isatty(self) -> bool:
        """Say that it is one."""
        return True

    def write(self, text: str) -> int:
        """Remember."""
        self.text += text
        return len(text)

    def flush(self) -> None:
        """Do nothing."""


def test_a_progress_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """The line comes after a second, is rewritten in place, fits, and is gone at the end."""
    now = [0.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    terminal: Any = Terminal()
    with Progress(terminal) as progress:
        progress.tell("early")
        assert terminal.text == ""
        now[0] = 1.5
        progress.tell("half", 0.5)
        assert terminal.text == "\r============............  half"
        progress.tell("too soon")
        now[0] = 2.0
        progress.tell("x" * 300)
        assert len(terminal.text.rpartition("\r")[2]) < 300
        now[0] = 3.0
        progress.tell("over", 7.0)
        assert terminal.text.rpartition("\r")[2].startswith("========================  over")
    assert terminal.text.endswith(" \r")
    assert "too soon" not in terminal.text


def test_no_progress_line_without_a_terminal() -> None:
    """A stream that is no terminal gets nothing, not even at the end."""
    terminal: Any = Terminal()
    terminal.isatty = lambda: False
    with Progress(terminal) as progress:
        progress.tell("half", 0.5)
    assert terminal.text == ""


@pytest.mark.slow
def test_an_interruption_by_signal(short: str) -> None:
    """SIGINT without a terminal ends a hunt with status 130 and the text of what was found."""
    child = start("hunt", short, "--driver", "tests/small_driver.py:SteadySender", "--json")
    child.expect(r"\d+ runs, ")
    assert child.pid is not None
    os.kill(child.pid, signal.SIGINT)
    text = child.read()
    child.wait()
    assert child.exitstatus == 130
    found = json.loads(text[text.index("{") :])
    assert found["stopped"] == "interrupted"
