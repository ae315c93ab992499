"""`emu run`, `emu hunt` and `emu replay` with a scenario of several drivers."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from emu.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
SHARED = "fixtures/several/shared_line.yaml"
SCENARIO = """
scenario: a timer beside pins
board:
  devices:
    pins: {{kind: gpio, at: 0x40003000, irq: 8}}
    sampling: {{kind: timer, at: 0x40004000, irq: 8, clock: 1 MHz}}
  interrupts: {{8: {{shared: true}}}}
drivers:
  pins: {root}/drivers_example/pin_keeper.py:PinKeeper
  sampling: careless.py:Careless
do:
  - {{by: sampling, every: 300}}
  - {{by: pins, output: 3, level: 1}}
  - {{by: sampling, alarm: 5000}}
"""
CARELESS = """
from drivers_example.timekeeper import Timekeeper


class Careless(Timekeeper):
    def alarm(self, cycles, timeout=None):
        return True
"""


@pytest.fixture(autouse=True)
def at_home(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in the top folder, as a user might."""
    monkeypatch.chdir(ROOT)


@pytest.fixture
def careless(tmp_path: Path) -> Path:
    """Return a scenario in which one of two drivers is wrong."""
    (tmp_path / "careless.py").write_text(CARELESS, encoding="utf-8")
    path = tmp_path / "beside.yaml"
    path.write_text(SCENARIO.format(root=ROOT), encoding="utf-8")
    return path


def emu(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Run the command line and return exit status, output and messages."""
    status = main(list(words))
    captured = capsys.readouterr()
    return status, captured.out, captured.err


def test_run_shows_whose_each_step_is(capsys: pytest.CaptureFixture[str]) -> None:
    """The page names all drivers, and each step with its device."""
    status, out, _ = emu(capsys, "run", SHARED)
    assert status == 0
    assert "driver InterruptDriver on telemetry, PinKeeper on float_and_lamp, Timekeeper on" in out
    assert "  sampling        every     periods of 250 cycles" in out


def test_a_broken_promise_is_named_with_its_device(
    careless: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What one driver breaks is told under the name of its device, in words and as data."""
    status, out, _ = emu(capsys, "run", str(careless))
    assert status == 1
    assert "broken promise sampling.alarm: an alarm goes off when it is due" in out
    status, out, _ = emu(capsys, "run", str(careless), "--json")
    broken = [one["promise"] for one in json.loads(out)["contract"] if not one["kept"]]
    assert (status, broken) == (1, ["sampling.alarm"])


def test_a_hunt_and_its_case(careless: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a hunt finds is kept in a case, which replays exactly and stops failing once mended."""
    case = careless.parent / "cases" / "failing.yaml"
    status, out, _ = emu(capsys, "hunt", str(careless), "--runs", "3", "--case", str(case))
    assert status == 1
    assert "promise sampling.alarm" in out
    assert "says an alarm goes off when it is due" in out
    status, out, _ = emu(capsys, "replay", str(case), "--json")
    assert status == 1
    assert json.loads(out)["exact"] is True
    (careless.parent / "careless.py").write_text(
        CARELESS.replace("True", "super().alarm(cycles, timeout)"), encoding="utf-8"
    )
    status, out, _ = emu(capsys, "replay", str(case))
    assert status == 0
    assert "the driver's source has changed" in out


def test_a_clean_hunt(capsys: pytest.CaptureFixture[str]) -> None:
    """A hunt over several good drivers ends clean."""
    status, out, _ = emu(capsys, "hunt", SHARED, "--runs", "5", "--stalls", "1", "--json")
    assert status == 0
    assert json.loads(out)["driver"].startswith("InterruptDriver on telemetry")


@pytest.mark.parametrize("command", ["run", "hunt"])
def test_another_driver_has_no_place(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A driver that is given beside several is refused."""
    name = "drivers_example/timekeeper.py:Timekeeper"
    status, _, err = emu(capsys, command, SHARED, "--driver", name)
    assert status == 2
    assert "several drivers" in err
    assert "leave --driver out" in err


@pytest.mark.parametrize("command", ["run", "hunt"])
def test_code_that_cannot_be_used(
    command: str, careless: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A driver among several that cannot be imported is told at its own line."""
    (careless.parent / "careless.py").write_text("class Careless:\n    pass\n", encoding="utf-8")
    status, out, err = emu(capsys, command, str(careless))
    assert status in (1, 2)
    assert "class Careless lacks" in out + err
