"""`emu_run` with a scenario that names several drivers."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest_plugins = ["pytester"]
ROOT = Path(__file__).resolve().parents[2]

TESTS = """
import pytest
from emu.errors import AccessError

PATH = "{root}/fixtures/several/shared_line.yaml"

def test_clean(emu_run):
    assert emu_run(None, PATH, stalls=1, runs=3).clean

def test_refused(emu_run):
    with pytest.raises(AccessError, match="a driver beside those"):
        emu_run("drivers_example/timekeeper.py:Timekeeper", PATH)

def test_failing(emu_run):
    emu_run(None, "{scenario}")
"""
SCENARIO = """
scenario: a timer beside pins
board:
  devices:
    pins: {{kind: gpio, at: 0x40003000, irq: 8}}
    sampling: {{kind: timer, at: 0x40004000, irq: 9, clock: 1 MHz}}
drivers:
  pins: {root}/drivers_example/pin_keeper.py:PinKeeper
  sampling: careless.py:Careless
do:
  - {{by: sampling, every: 300}}
  - {{by: sampling, periods: }}
"""
CARELESS = """
from drivers_example.timekeeper import Timekeeper

class Careless(Timekeeper):
    def periods(self):
        return super().periods() + 1
"""


def test_emu_run_takes_the_drivers_of_the_scenario(
    pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Several drivers run as the scenario names them, and what fails is kept for a replay."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))  # the careless driver is made of an example
    pytester.makepyfile(careless=CARELESS)
    scenario = pytester.path / "beside.yaml"
    scenario.write_text(SCENARIO.format(root=ROOT), encoding="utf-8")
    pytester.makepyfile(test_drivers=TESTS.format(root=ROOT, scenario=scenario))
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider", "test_drivers.py")
    result.assert_outcomes(passed=2, failed=1)
    result.stdout.fnmatch_lines(["*broken promise sampling.count*"])
    result.stdout.no_fnmatch_line("*emu replay * --driver FILE.py:CLASS*")
