"""``emu run`` as a person uses it: options, exit status, messages, and a real terminal."""

from __future__ import annotations

import json
import os
import re
import signal
import sys
from pathlib import Path

import pexpect
import pytest

from emu.cli.main import main
from emu.cli.run import next_step
from emu.scenario.contract import Promise
from emu.scenario.outcome import Outcome

ROOT = Path(__file__).resolve().parents[2]
SCENARIOS = sorted(
    path.name
    for path in (ROOT / "fixtures").glob("*.yaml")
    if "\nscenario:" in "\n" + path.read_text(encoding="utf-8")
)
QUIET = "fixtures/quiet.yaml"
FIRST_TRY = "drivers_example/first_try.py:FirstTry"
POLLED = "drivers_example/polled.py:PolledDriver"
SLOW = """
from emu import LineErrors
class Gauge:
    def __init__(self, io, cpu):
        self.errors = LineErrors()
    def open(self, line):
        import time
        print("here")
        time.sleep(60)
    def close(self): pass
    def write(self, data, timeout=None): return 0
    def read(self, size, timeout=None): return b""
    def drain(self, timeout=None): return True
"""


@pytest.fixture(autouse=True)
def at_home(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in the top folder, as the paths in these tests do."""
    monkeypatch.chdir(ROOT)


def emu(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Run the command line and return exit status, output and messages."""
    status = main(["run", *words])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return status, out, err


def test_a_clean_run(capsys: pytest.CaptureFixture[str]) -> None:
    """A clean run says so on the fourth line, ends in a next step, and exits with 0."""
    status, out, err = emu(capsys, QUIET)
    assert (status, err) == (0, "")
    assert out.splitlines()[3].startswith("CLEAN   9 of 9 promises kept, no findings, ")
    assert out.endswith("Next: emu run fixtures/quiet.yaml --timeline shows every access\n")


def test_a_failed_run(capsys: pytest.CaptureFixture[str]) -> None:
    """A failed run says so, names the broken promise, and exits with 1."""
    status, out, err = emu(capsys, QUIET, "--driver", FIRST_TRY)
    assert (status, err) == (1, "")
    assert out.splitlines()[3].startswith("FAILED   1 finding, 1 promise broken, ")
    assert "drivers_example/first_try.py:" in out
    assert "broken promise drain: " in out


@pytest.mark.parametrize("driver", ["", FIRST_TRY])
@pytest.mark.parametrize("name", SCENARIOS)
def test_the_screen_is_100_columns_wide(
    capsys: pytest.CaptureFixture[str], name: str, driver: str
) -> None:
    """Whatever the scenario and the verdict, no line is wider than 100 columns."""
    options = ["--driver", driver] if driver else []
    for more in ([], ["--timeline"]):
        _, out, _ = emu(capsys, f"fixtures/{name}", *options, *more)
        assert [line for line in out.splitlines() if len(line) > 100] == []
        assert "\x1b" not in out


@pytest.mark.parametrize("driver", ["", FIRST_TRY])
def test_json(capsys: pytest.CaptureFixture[str], driver: str) -> None:
    """With --json the output is one object that has all that is promised, and nothing else."""
    options = ["--driver", driver] if driver else []
    status, out, _ = emu(capsys, "fixtures/reopen.yaml", "--json", *options)
    outcome = json.loads(out)
    assert outcome["verdict"] == ("failed" if driver else "clean")
    assert status == (1 if driver else 0)
    assert len(outcome["contract"]) == 9
    assert all({"promise", "kept", "detail"} <= set(one) for one in outcome["contract"])
    for one in outcome["findings"]:
        assert {"rule", "file", "line", "register", "time_s", "message"} <= set(one)
    assert {"cpu_percent", "bytes_arrived", "bytes_lost", "interrupts"} <= set(outcome["measures"])
    assert sum(outcome["measures"]["cpu_percent"].values()) == pytest.approx(100, abs=0.1)
    assert outcome["seed"] == 1


def test_json_with_a_timeline_is_still_json(capsys: pytest.CaptureFixture[str]) -> None:
    """--timeline does not get into the JSON."""
    _, out, _ = emu(capsys, QUIET, "--json", "--timeline")
    json.loads(out)


def test_seed(capsys: pytest.CaptureFixture[str]) -> None:
    """--seed takes the place of the scenario's seed and is shown."""
    _, first, _ = emu(capsys, "fixtures/noisy_line.yaml", "--seed", "3")
    _, again, _ = emu(capsys, "fixtures/noisy_line.yaml", "--seed", "3")
    _, other, _ = emu(capsys, "fixtures/noisy_line.yaml", "--seed", "4")
    assert "seed 3" in first
    assert first == again
    assert first.replace("seed 3", "seed 4") != other


def test_until(capsys: pytest.CaptureFixture[str]) -> None:
    """--until ends the run early, says so, and accuses nobody of what was not finished."""
    status, out, _ = emu(capsys, "fixtures/busy_both_ways.yaml", "--until", "5 ms")
    assert status == 0
    assert "CLEAN" in out
    assert "the run ended early: the run reached its limit of 0.005 s" in out
    assert "did not finish" in out


def test_until_beyond_the_end_changes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """A time that is never reached is as good as none."""
    _, plain, _ = emu(capsys, QUIET)
    _, until, _ = emu(capsys, QUIET, "--until", "10 s")
    assert plain == until


def test_timeline(capsys: pytest.CaptureFixture[str]) -> None:
    """--timeline prints what happened before the verdict, and does not recommend itself."""
    _, out, _ = emu(capsys, QUIET, "--timeline")
    assert "THR" in out
    assert "interrupt_driven.py" in out
    assert out.startswith("-> a character leaves, <- one comes in; ")
    assert out.endswith("\nNext: emu faults lists what can be made to go wrong; name some in the "
                        "scenario\n")  # fmt: skip


@pytest.mark.parametrize(
    ("words", "again"),
    [
        (["--seed", "5"], f"emu run {QUIET} --seed 5 --timeline"),
        (["--until", "2 ms"], f"emu run {QUIET} --until 2ms --timeline"),
        (["--until", "10 s"], f"emu run {QUIET} --timeline"),
        (["--driver", POLLED, "--seed", "5"], "the same command with --timeline"),
    ],
)
def test_the_next_step_is_about_the_same_run(
    capsys: pytest.CaptureFixture[str], words: list[str], again: str
) -> None:
    """What is recommended takes the options of the run, as far as they matter and fit."""
    _, out, _ = emu(capsys, QUIET, *words)
    assert out.rpartition("\nNext: ")[2] == f"{again} shows every access\n"


def test_the_next_step_after_broken_promises() -> None:
    """Without a finding the timeline is recommended, and with it printed the place to look at."""
    broken = Outcome("a trial", "", "gauge.py:Gauge", 1, promises=[Promise("sent", False)])

    assert next_step(broken, "emu run x.yaml", timeline=False) == (
        "emu run x.yaml --timeline shows what led to it"
    )
    assert next_step(broken, f"emu run {'x' * 80}.yaml", timeline=False) == (
        "the same command with --timeline shows what led to it"
    )
    assert next_step(broken, "emu run x.yaml", timeline=True).startswith("look in the timeline")


def test_events(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """--events writes one JSON object a line, in the order of time, beside the usual output."""
    file = tmp_path / "events.jsonl"
    status, out, _ = emu(capsys, QUIET, "--events", str(file))
    assert (status, "CLEAN" in out) == (0, True)
    events = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    assert len(events) > 50
    times = [one["time_ps"] for one in events]
    assert times == sorted(times)
    assert {"access", "call_begin", "call_end"} <= {one["kind"] for one in events}


@pytest.mark.parametrize("path", ["no/such/folder/events.jsonl", "fixtures"])
def test_events_that_cannot_be_written(capsys: pytest.CaptureFixture[str], path: str) -> None:
    """A file that cannot be written is refused before anything runs."""
    status, out, err = emu(capsys, QUIET, "--events", path)
    assert (status, out) == (2, "")
    assert path in err


def test_schema(capsys: pytest.CaptureFixture[str]) -> None:
    """--schema prints the JSON Schema of scenario files and runs nothing."""
    status, out, _ = emu(capsys, "--schema")
    assert status == 0
    assert "scenario" in json.loads(out)["properties"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "name a scenario file"),
        (["no_such.yaml"], "no_such.yaml"),
        (["fixtures"], "fixtures"),
        (
            ["fixtures/tide_gauge.yaml"],
            "this is a board, not a scenario; 'emu map fixtures/tide_gauge.yaml' prints it",
        ),
        (["fixtures/faults/storm.yaml"], "this is a fault plan, not a scenario; "),
        (["fixtures/bad/unknown_key.yaml"], "fixtures/bad/unknown_key.yaml:"),
        ([QUIET, "--until", "soon"], "'soon'"),
        ([QUIET, "--until", "5"], "unit"),
        ([QUIET, "--seed", "x"], "'x'"),
        ([QUIET, "--seed", "-1"], "-1"),
        ([QUIET, "--drivr", "x"], "--driver"),
        ([QUIET, "--driver", "drivers_example/polled.py:PoledDriver"], f"mean '{POLLED}'?"),
        ([QUIET, "--driver", "drivers_example/poled.py:PolledDriver"], f"mean '{POLLED}'?"),
        ([QUIET, "another.yaml"], "another.yaml"),
    ],
)
def test_bad_input(capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    """Bad input exits with 2 and one message on the error stream that names what is wrong."""
    status, out, err = emu(capsys, *words)
    assert (status, out) == (2, "")
    assert said in err


def test_flaws_of_scenario_and_driver_come_together(capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt --driver is told beside what is wrong in the scenario."""
    bad = "fixtures/bad/bad_seed.yaml"
    status, out, err = emu(capsys, bad, "--driver", "drivers_example/poled.py:PolledDriver")
    first, second, count = err.splitlines()
    assert (status, out, count) == (2, "", "2 flaws found")
    assert first.startswith(f"{bad}:4:")
    assert second == (
        f"--driver: driver file 'drivers_example/poled.py' does not exist; did you mean '{POLLED}'?"
    )


def test_a_scenario_without_a_driver(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A scenario that names no driver asks for --driver."""
    file = tmp_path / "open.yaml"
    board = ROOT / "fixtures" / "tide_gauge.yaml"
    file.write_text(
        f"scenario: nobody\nboard: {board}\nport: telemetry\ndo: [open]\n", encoding="utf-8"
    )
    status, _, err = emu(capsys, str(file))
    assert status == 2
    assert "--driver FILE.py:CLASS" in err
    assert emu(capsys, str(file), "--driver", "drivers_example/polled.py:PolledDriver")[0] == 0


def test_a_driver_of_the_scenario_counts_from_its_folder(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The scenario's driver is found from the scenario's folder, wherever one works."""
    monkeypatch.chdir(tmp_path)
    assert emu(capsys, str(ROOT / QUIET))[0] == 0
    assert emu(capsys, str(ROOT / QUIET), "--driver", FIRST_TRY)[0] == 2


def test_help(capsys: pytest.CaptureFixture[str]) -> None:
    """The help names every option and fits on the screen."""
    status, out, _ = emu(capsys, "--help")
    assert status == 0
    for option in ("--driver", "--seed", "--until", "--timeline", "--events", "--json", "--schema"):
        assert option in out
    assert all(len(line) <= 100 for line in out.splitlines())


# on a terminal


def on_a_terminal(*words: str, **settings: str) -> pexpect.spawn:
    """Start the command line on a terminal of its own."""
    environment = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    return pexpect.spawn(
        sys.executable, ["-m", "emu.cli.main", "run", *words], cwd=str(ROOT), timeout=30,
        env={**environment, "TERM": "xterm", **settings}, encoding="utf-8", dimensions=(50, 100),
        # a job in the background starts with SIGINT ignored, and hands that on
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip


def plain(text: str) -> str:
    """Return terminal output without colour and carriage returns."""
    return re.sub(r"\x1b\[[0-9;]*m", "", text).replace("\r\n", "\n")


@pytest.mark.parametrize("driver", ["", FIRST_TRY])
@pytest.mark.slow
def test_colour_on_a_terminal(capsys: pytest.CaptureFixture[str], driver: str) -> None:
    """A terminal gets colour, and the same words as a file."""
    options = ["--driver", driver] if driver else []
    child = on_a_terminal("fixtures/reopen.yaml", *options)
    shown = child.read()
    child.close()
    assert "\x1b[" in shown
    status, out, _ = emu(capsys, "fixtures/reopen.yaml", *options)
    assert plain(shown) == out
    assert child.exitstatus == status


@pytest.mark.slow
def test_no_colour_on_request() -> None:
    """With NO_COLOR set to anything a terminal gets no colour."""
    child = on_a_terminal(QUIET, NO_COLOR="1")
    shown = child.read()
    child.close()
    assert "CLEAN" in shown
    assert "\x1b" not in shown
    assert child.exitstatus == 0


@pytest.mark.slow
def test_interrupted(tmp_path: Path) -> None:
    """Ctrl-C ends the command at once with status 130 and no traceback."""
    (tmp_path / "slow.py").write_text(SLOW, encoding="utf-8")
    scenario = tmp_path / "slow.yaml"
    scenario.write_text(
        f"scenario: slow\nboard: {ROOT}/fixtures/tide_gauge.yaml\nport: telemetry\ndo: [open]\n"
        "driver: slow.py:Gauge\nlimits: {wall: 60 s}\n",
        encoding="utf-8",
    )
    marker = tmp_path / "running"
    code = SLOW.replace('print("here")', f"open({str(marker)!r}, 'w').close()")
    (tmp_path / "slow.py").write_text(
        code.replace("time.sleep(60)", "import sys; sys.__stdout__.write('here'); "
                     "sys.__stdout__.flush(); time.sleep(60)"), encoding="utf-8",
    )  # fmt: skip
    child = on_a_terminal(str(scenario))
    child.expect("here")
    child.sendintr()
    shown = child.read()
    child.close()
    assert child.exitstatus == 130
    assert "Traceback" not in shown
