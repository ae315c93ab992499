"""``emu check`` as a person uses it: scorecard, cases, files for servers, exit status."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pexpect
import pytest

from emu.cli import check as command_module
from emu.cli.main import main
from emu.search import suite as suite_module
from emu.search.case import load_case
from emu.search.suite import Bout, suite
from tests.quality.seeded_drivers import FOLDER, load_seeded
from tests.search_bench import bout

ROOT = Path(__file__).resolve().parents[2]
STEADY = "tests/small_driver.py:SteadySender"
FIRST_TRY = "drivers_example/first_try.py:FirstTry"
STEPS = "[open, {send: tide 3.21 m}, {send: tide 3.22 m}, drain, {receive: 4}]"
FAR_END = "{kind: script, script: [{at: 6 ms, send: TIDE}]}"
OTHERS = [
    ("timekeeper:Timekeeper", "timer", ""),
    ("pin_keeper:PinKeeper", "gpio", ""),
    ("torn-counter-read:Timekeeper", "timer", "torn-counter-read"),
    ("direction-before-value:PinKeeper", "gpio", "direction-before-value"),
]
FEW = [
    bout("there and back", "[open, {send: ab}, {receive: 2}]"),
    bout("two readings", STEPS, far_end=FAR_END),
    bout("a short one", "[open, {send: a}]", hunted=True, far_end="sink"),
]


@pytest.fixture(autouse=True)
def at_home(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in the top folder, as the paths in these tests do."""
    monkeypatch.chdir(ROOT)


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> list[Bout]:
    """Check with a few bouts only."""
    monkeypatch.setattr(suite_module, "suite", lambda _trade: list(FEW))
    return FEW


def emu(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Run the command line and return exit status, output and messages."""
    status = main(["check", *words])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert max((len(line) for line in out.splitlines()), default=0) <= 100 or "--json" in words
    return status, out, err


@pytest.mark.slow
@pytest.mark.usefixtures("few")
def test_a_clean_driver(capsys: pytest.CaptureFixture[str]) -> None:
    """A good driver gives exit status 0, a scorecard, and a next step."""
    status, out, err = emu(capsys, STEADY, "--budget", "60s", "--workers", "2")
    assert (status, err) == (0, "")
    assert out.startswith(f"check of {STEADY}\n\nCLEAN   ")
    assert "\nPromise        kept  waived  broken\n" in out
    assert "\nCoverage   " in out
    assert f"Next: emu check {STEADY} --budget 10min tries" in " ".join(out.split())


@pytest.mark.usefixtures("few")
def test_a_driver_that_fails(capsys: pytest.CaptureFixture[str]) -> None:
    """A driver with bugs gives exit status 1, and each bug with its line."""
    status, out, err = emu(capsys, FIRST_TRY, "--budget", "1s")
    assert (status, err) == (1, "")
    assert "\nFAILED   " in out
    assert "1. drivers_example/first_try.py:" in out
    assert "when in the undisturbed run" in out
    assert f"Next: emu check {FIRST_TRY} --cases DIR keeps" in " ".join(out.split())


@pytest.mark.usefixtures("few")
def test_cases_are_written_and_replayed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Each cause gets a file named by number and rule, which replays exactly."""
    folder = tmp_path / "deep/cases"
    status, out, _ = emu(capsys, FIRST_TRY, "--budget", "1s", "--cases", str(folder))
    assert status == 1
    files = sorted(folder.iterdir())
    assert [one.name[:3] for one in files] == [f"{n:02}_" for n in range(1, len(files) + 1)]
    assert out.count("   case ") == len(files) >= 2
    assert f"Next:emureplay{files[0]}--timeline" in "".join(out.split())
    for file in files:
        assert load_case(file).failure.rule.replace(" ", "_") in file.name
        assert main(["replay", str(file)]) == 1
        assert "replayed exactly" in capsys.readouterr().out


@pytest.mark.usefixtures("few")
def test_a_server_can_read_it(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """--junit writes a file with a test case for each promise and each cause."""
    file = tmp_path / "deep/result.xml"
    status, _, _ = emu(capsys, FIRST_TRY, "--budget", "1s", "--junit", str(file))
    assert status == 1
    found = ET.fromstring(file.read_bytes())  # noqa: S314 - our own
    cases = found.findall("testcase")
    assert int(found.get("tests", "0")) == len(cases) > 9
    assert int(found.get("failures", "0")) == len(found.findall("testcase/failure"))


@pytest.mark.usefixtures("few")
def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    """With --json the output is one object that has all that is promised, and nothing else."""
    status, out, err = emu(capsys, FIRST_TRY, "--budget", "1s", "--json", "--workers", "2")
    assert (status, err) == (1, "")
    found = json.loads(out)
    assert (found["verdict"], found["device"], found["driver"]) == (
        "failed",
        "uart16550",
        FIRST_TRY,
    )
    assert len(found["contract"]) == 9
    assert {"rule", "file", "line", "scenarios", "runs"} <= set(found["causes"][0])
    assert {"coverage", "schedules", "complete", "stopped", "seconds"} <= set(found)


@pytest.mark.parametrize(("driver", "device", "rule"), OTHERS)
def test_drivers_of_other_devices(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, driver: str, device: str, rule: str
) -> None:
    """The methods of a driver tell what it drives, and a bug in it is told at its line."""
    path, _, name = driver.rpartition(":")
    seed = load_seeded(FOLDER / f"{path}.yaml") if rule else None
    named = seed.write(tmp_path) if seed else f"drivers_example/{path}.py:{name}"
    status, out, err = emu(capsys, named, "--budget", "2s", "--workers", "1", "--json")
    found = json.loads(out)
    assert (err, found["device"]) == ("", device)
    assert status == (1 if seed else 0)
    if seed:
        assert rule in {one["rule"] for one in found["causes"] if one["line"] in seed.lines}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "Missing argument"),
        (("nowhere.py:Gauge",), "driver file 'nowhere.py' does not exist"),
        (("drivers_example/polled.py",), "does not name a driver"),
        (("drivers_example/polled.py:Polled",), "did you mean"),
        ((STEADY, "--device", "toaster"), "--device"),
        ((STEADY, "--budget", "-1 s"), "-1 s"),
        ((STEADY, "--workers", "99"), "--workers"),
        ((STEADY, "--cases", "README.md"), "README.md"),
        ((STEADY, "--junit", "emu"), "emu"),
    ],
)
def test_bad_input(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str) -> None:
    """What cannot be used is told in one message, with exit status 2."""
    status, out, err = emu(capsys, *words)
    assert (status, out) == (2, "")
    assert said in err


def test_places_are_looked_at_first(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that could not be written is refused before anything is run."""
    monkeypatch.setattr(command_module, "Progress", lambda: pytest.fail("runs"))
    (tmp_path / "file").write_text("", encoding="utf-8")
    for option in ("--cases", "--junit"):
        status, out, err = emu(capsys, STEADY, option, str(tmp_path / "file/inside"))
        assert (status, out) == (2, "")
        assert "cannot be written" in err


def test_a_driver_that_cannot_be_used(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A driver that cannot even be imported is bad input, told at its own line."""
    path = tmp_path / "gauge.py"
    path.write_text("import no_such_module_of_ours\nclass Gauge: pass\n", encoding="utf-8")
    status, out, err = emu(capsys, f"{path}:Gauge")
    assert (status, out) == (2, "")
    assert err.startswith(f"{path}:1:1: importing the driver failed: ModuleNotFoundError")


def test_the_whole_suite_is_what_is_tried() -> None:
    """Without anything in its way the command tries all bouts of the suite."""
    assert len(suite()) > 80
    assert suite_module.suite is suite


def test_help_fits_100_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """The help is at most 100 columns wide and gives examples and exit statuses."""
    status, out, _ = emu(capsys, "--help")
    assert status == 0
    assert "emu check mydriver.py:MyDriver --cases" in out
    assert "130 interrupted" in out


@pytest.mark.slow
def test_progress_and_interruption() -> None:
    """A check shows how far it is, and Ctrl-C ends it with the scorecard so far."""
    child = pexpect.spawn(
        sys.executable, ["-m", "emu.cli.main", "check", FIRST_TRY], cwd=str(ROOT),
        env={**os.environ, "COLUMNS": "100", "NO_COLOR": "1"}, encoding="utf-8", timeout=60,
        dimensions=(40, 100),
    )  # fmt: skip
    child.expect(r"\d+ failures?, \d+ runs, [\d,]+/s, \d+ behaviours")
    child.sendintr()
    child.expect("interrupted; this is what was")
    child.expect("1. drivers_example/first_try.py:")
    text = child.read()
    child.wait()
    assert child.exitstatus == 130
    assert "\x1b[3" not in text
