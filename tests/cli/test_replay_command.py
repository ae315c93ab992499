"""``emu replay`` as a person uses it: exit status, what has changed, timeline, data."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from emu.cli.main import main
from tests.quality.seeded_drivers import FOLDER, load_seeded
from tests.search_bench import driver_text

ROOT = Path(__file__).resolve().parents[2]
SCENARIO = """
scenario: a short reading
board: {root}/fixtures/tide_gauge.yaml
port: telemetry
far_end: echo
do: [open, {{send: ab}}, drain, {{receive: 2}}]
"""
PINS = """
scenario: a lamp is switched
board: {devices: {panel: {kind: gpio, at: 0x40003000, irq: 9}}}
do: [open, {output: 5, level: 0}, {set: 5, level: 1}, {input: 5}]
callers: [set, output]
"""
SLOPPY = "def drain(self, timeout=None):\n    return True"
STUBBORN = """def write(self, data, timeout=None):
    while True:
        try:
            while True:
                pass
        except BaseException:
            pass
"""


@pytest.fixture(autouse=True)
def at_home(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in the top folder, as a user might."""
    monkeypatch.chdir(ROOT)


@pytest.fixture
def case(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Return a case that a hunt wrote, beside its scenario and driver."""
    scenario, path = tmp_path / "run.yaml", tmp_path / "cases/failing.yaml"
    scenario.write_text(SCENARIO.format(root=ROOT), encoding="utf-8")
    (tmp_path / "gauge.py").write_text(driver_text(SLOPPY), encoding="utf-8")
    words = ["--driver", f"{tmp_path}/gauge.py:Gauge", "--runs", "2", "--case", str(path)]
    assert main(["hunt", str(scenario), *words]) == 1
    capsys.readouterr()
    return path


def emu(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Run the command line and return exit status, output and messages."""
    status = main(["replay", *words])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert max((len(line) for line in out.splitlines()), default=0) <= 100 or "--json" in words
    return status, out, err


def test_a_case_that_still_fails(capsys: pytest.CaptureFixture[str], case: Path) -> None:
    """A case that fails as it did is replayed exactly, with exit status 1 and a next step."""
    status, out, err = emu(capsys, str(case))
    assert (status, err) == (1, "")
    assert "FAILED   replayed exactly: the record is the same to the picosecond" in out
    assert "promise drain" in out
    assert f"driver{case.parent.parent}/gauge.py:Gauge" in "".join(out.split())
    assert "Next: emu replay " in " ".join(out.split())


def test_a_case_is_found_from_anywhere(
    capsys: pytest.CaptureFixture[str], case: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a case needs is found from its own folder, wherever one stands."""
    monkeypatch.chdir(case.parent)
    assert emu(capsys, case.name)[0] == 1
    monkeypatch.chdir("/")
    status, out, _ = emu(capsys, str(case))
    assert (status, "replayed exactly" in out) == (1, True)


def test_a_folder_that_was_moved_as_a_whole(
    capsys: pytest.CaptureFixture[str], case: Path, tmp_path: Path
) -> None:
    """A case moves along with its driver and scenario."""
    home = tmp_path / "elsewhere"
    home.mkdir()
    for name in ("run.yaml", "gauge.py", "cases"):
        (tmp_path / name).rename(home / name)
    status, out, _ = emu(capsys, str(home / "cases" / case.name))
    assert (status, "replayed exactly" in out) == (1, True)


def test_a_mended_driver(capsys: pytest.CaptureFixture[str], case: Path) -> None:
    """A driver that was mended gives exit status 0 and is told to have changed."""
    (case.parent.parent / "gauge.py").write_text(driver_text(), encoding="utf-8")
    status, out, _ = emu(capsys, str(case))
    assert status == 0
    assert "CLEAN   it does not fail any more" in out
    assert "the driver's source has changed since the case was written" in out
    assert "Next: emu check " in out


def test_another_driver(capsys: pytest.CaptureFixture[str], case: Path) -> None:
    """--driver runs another driver in the case, and counts from the working folder."""
    status, out, _ = emu(capsys, str(case), "--driver", "tests/small_driver.py:SteadySender")
    assert status == 0
    assert "driver tests/small_driver.py:SteadySender" in " ".join(out.split())


def test_the_timeline(capsys: pytest.CaptureFixture[str], case: Path) -> None:
    """--timeline shows event by event what led to the failure, before the verdict."""
    status, out, _ = emu(capsys, str(case), "--timeline")
    assert status == 1
    before, _, after = out.partition("promise drain: ")
    assert "THR" in before
    assert "replayed exactly" in after
    assert "Next:" not in out


def test_json(capsys: pytest.CaptureFixture[str], case: Path) -> None:
    """With --json the output is one object that says the same, timeline or not."""
    status, out, err = emu(capsys, str(case), "--json", "--timeline")
    found = json.loads(out)
    assert (status, err) == (1, "")
    assert (found["verdict"], found["exact"], found["same_failure"]) == ("failed", True, True)
    assert found["changes"] == []
    assert found["failures"][0]["rule"].startswith("promise ")


@pytest.mark.parametrize("name", ["quiet.yaml", "tide_gauge.yaml"])
def test_a_file_of_another_kind(capsys: pytest.CaptureFixture[str], name: str) -> None:
    """A scenario or a board in place of a case is told as what it is, with what takes it."""
    status, out, err = emu(capsys, f"fixtures/{name}")
    assert (status, out) == (2, "")
    assert "not a case; 'emu " in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nowhere.yaml",), "nowhere.yaml: there is no such file"),
        ((), "Missing argument"),
        (("fixtures",), "is a directory"),
    ],
)
def test_bad_input(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str) -> None:
    """What cannot be used is told in one message, with exit status 2."""
    status, out, err = emu(capsys, *words)
    assert (status, out) == (2, "")
    assert said in err


def test_a_driver_that_is_gone(capsys: pytest.CaptureFixture[str], case: Path) -> None:
    """A case whose driver is not there any more says which file names it."""
    (case.parent.parent / "gauge.py").unlink()
    status, _, err = emu(capsys, str(case))
    assert status == 2
    assert f"{case}: driver: driver file '../gauge.py' does not exist" in err
    status, _, err = emu(capsys, str(case), "--driver", "nowhere.py:Gauge")
    assert status == 2
    assert err.startswith("--driver: driver file 'nowhere.py' does not exist")


def test_a_case_without_a_driver(capsys: pytest.CaptureFixture[str], case: Path) -> None:
    """A case of a driver that has no name of its own needs one on the command line."""
    lines = case.read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("driver:")]
    case.write_text("".join(kept), encoding="utf-8")
    status, _, err = emu(capsys, str(case))
    assert status == 2
    assert "names no driver; give one with --driver" in err
    name = f"{case.parent.parent}/gauge.py:Gauge"
    assert emu(capsys, str(case), "--driver", name)[0] == 1


def test_a_flaw_in_a_case(capsys: pytest.CaptureFixture[str], case: Path) -> None:
    """A case that was edited into something else is refused at its line and column."""
    text = case.read_text(encoding="utf-8").replace("seed: 1", "seed: one")
    case.write_text(text, encoding="utf-8")
    line = text[: text.index("seed:")].count("\n") + 1
    status, _, err = emu(capsys, str(case))
    assert status == 2
    assert err.startswith(f"{case}:{line}:7: 'one' (str) is not a whole number")


@pytest.mark.slow
@pytest.mark.parametrize("option", ["", "--json"])
def test_a_driver_that_nothing_ends(case: Path, option: str) -> None:
    """A driver that spins and swallows whatever ends it gets its verdict, and the process ends."""
    (case.parent.parent / "gauge.py").write_text(driver_text(STUBBORN), encoding="utf-8")
    with (case.parent.parent / "run.yaml").open("a", encoding="utf-8") as file:
        file.write("limits: {wall: 200 ms}\n")
    words = [
        sys.executable,
        "-m",
        "emu.cli.main",
        "replay",
        str(case),
        *([option] if option else []),
    ]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False, cwd=ROOT)
    assert (done.returncode, done.stderr) == (1, "")
    if option:
        assert json.loads(done.stdout)["failures"][0]["rule"] == "spinning"
    else:
        assert "spinning" in done.stdout
        assert "the driver's source has changed" in done.stdout


def test_help_fits_100_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """The help is at most 100 columns wide and gives examples and exit statuses."""
    status, out, _ = emu(capsys, "--help")
    assert status == 0
    assert "emu replay cases/" in out
    assert "0 the case does not fail any more" in out


def test_a_race_is_told_as_the_hunt_told_it(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The replay names the line that the hunt named, and shows when the driver was late."""
    path = tmp_path / "race.yaml"
    words = ["--driver", "drivers_example/heavy_sleeper.py:HeavySleeper", "--stalls", "1"]
    assert main(["hunt", "fixtures/evening_tide.yaml", *words, "--case", str(path)]) == 1
    told = [one for one in capsys.readouterr().out.splitlines() if one.startswith("1. ")]
    status, out, _ = emu(capsys, str(path), "--timeline")
    assert status == 1
    assert told == [one for one in out.splitlines() if one.startswith("1. ")]
    assert ":120 " in told[0]
    (delay,) = [one for one in out.splitlines() if "DELAY" in one]
    assert "DELAY pause: another task has the processor" in delay
    assert delay.endswith("heavy_sleeper.py:117")


@pytest.mark.parametrize("name", ["port-rmw-race-other-task", "port-rmw-race-direction"])
def test_a_call_of_another_task_on_the_timeline(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, name: str
) -> None:
    """Where another task came in between, the timeline says at which line and what it did."""
    driver, file = load_seeded(FOLDER / f"{name}.yaml").write(tmp_path), tmp_path / "case.yaml"
    scenario = tmp_path / "pins.yaml"
    scenario.write_text(PINS, encoding="utf-8")
    words = ["--driver", driver, "--budget", "20s", "--case", str(file), "--stalls", "1"]
    assert main(["hunt", str(scenario), *words, "--workers", "1", "--step", "access"]) == 1
    capsys.readouterr()
    status, out, err = emu(capsys, str(file), "--timeline")
    assert (status, err) == (1, "")
    assert "another task " in out
    assert "which nobody asked for; another task had set it just before" in " ".join(out.split())
