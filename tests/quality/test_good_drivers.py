"""The two example drivers are clean in every scenario, and every run repeats to the last byte.

The one idea: a false accusation would show here first, and so would anything in the bench that is
left to chance.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from emu.scenario.load import load_scenario
from emu.scenario.runner import Run

ROOT = Path(__file__).resolve().parents[2]
SCENARIOS = sorted(
    path.name
    for path in (ROOT / "fixtures").glob("*.yaml")
    if path.read_text(encoding="utf-8").startswith("scenario:")
    or "\nscenario:" in path.read_text(encoding="utf-8")
)
GOOD = {
    "interrupts": "drivers_example/interrupt_driven.py:InterruptDriver",
    "polling": "drivers_example/polled.py:PolledDriver",
}
FIRST_TRY = "drivers_example/first_try.py:FirstTry"


def run(name: str, driver: str, seed: int | None = None) -> Run:
    """Prepare a run of a scenario in fixtures/."""
    scenario = load_scenario(ROOT / "fixtures" / name)
    if seed is not None:
        scenario = type(scenario)(**{
            one: getattr(scenario, one) for one in scenario.__slots__ if one != "seed"
        }, seed=seed)  # fmt: skip
    return Run(scenario, driver, base=ROOT, events=None)


def test_all_scenarios_are_there() -> None:
    """The scenarios that are run here are all that stand in fixtures/."""
    assert len(SCENARIOS) >= 15
    assert "tide_gauge.yaml" not in SCENARIOS


@pytest.mark.parametrize("how", list(GOOD))
@pytest.mark.parametrize("name", SCENARIOS)
def test_good_drivers_are_clean(name: str, how: str) -> None:
    """Nothing is found in a good driver, every promise is kept and every expectation met."""
    outcome = run(name, GOOD[how]).outcome()
    assert outcome.findings == []
    assert [one for one in outcome.promises if not one.kept] == []
    assert outcome.unmet == []
    assert outcome.ended == ""
    assert outcome.verdict == "clean"


@pytest.mark.parametrize("how", list(GOOD))
@pytest.mark.parametrize("seed", range(2, 8))
@pytest.mark.parametrize(
    "name", ["noisy_line.yaml", "storm.yaml", "dirty_start.yaml", "spurious_interrupts.yaml"]
)
def test_good_drivers_are_clean_whatever_the_seed(name: str, how: str, seed: int) -> None:
    """Another seed is another noise and other faults, and a good driver stays clean."""
    outcome = run(name, GOOD[how], seed).outcome()
    assert outcome.findings == []
    assert [one for one in outcome.promises if not one.kept] == []


@pytest.mark.slow
def test_a_first_try_is_not_clean() -> None:
    """The first version of a driver fails in many scenarios, with findings in its own file."""
    outcomes = {name: run(name, FIRST_TRY).outcome() for name in SCENARIOS}
    failed = {name for name, outcome in outcomes.items() if not outcome.clean}
    assert len(failed) >= 8
    findings = [one for outcome in outcomes.values() for one in outcome.findings]
    assert {Path(one.file).name for one in findings} == {"first_try.py"}
    assert "read-when-empty" in {one.rule for one in findings}
    broken = {
        one.promise for outcome in outcomes.values() for one in outcome.promises if not one.kept
    }
    assert {"order", "drain"} <= broken


@pytest.mark.parametrize("driver", [*GOOD.values(), FIRST_TRY])
@pytest.mark.parametrize("name", ["noisy_line.yaml", "storm.yaml", "busy_both_ways.yaml"])
def test_a_run_repeats(name: str, driver: str) -> None:
    """The same scenario twice gives the same outcome and the same journal, entry by entry."""
    runs = [run(name, driver) for _ in range(2)]
    outcomes = [json.dumps(one.outcome().as_json()) for one in runs]
    assert outcomes[0] == outcomes[1]
    assert list(runs[0].board.journal.entries) == list(runs[1].board.journal.entries)
    assert len(runs[0].board.journal.entries) > 200


def test_another_seed_is_another_noise() -> None:
    """What is random depends on the seed and on nothing else."""
    journals = [
        list(made.board.journal.entries)
        for seed in (7, 8)
        for made in [run("noisy_line.yaml", GOOD["polling"], seed)]
        if made.outcome()
    ]
    assert journals[0] != journals[1]


@pytest.mark.parametrize(("name", "status"), [("noisy_line.yaml", 1), ("storm.yaml", 0)])
@pytest.mark.slow
def test_hash_seeds_change_nothing(name: str, status: int, tmp_path: Path) -> None:
    """Two processes with different hash seeds print and record the same, byte by byte."""
    found = []
    for hash_seed in ("1", "2"):
        events = tmp_path / f"{hash_seed}.jsonl"
        done = subprocess.run(
            [sys.executable, "-m", "emu.cli.main", "run", f"fixtures/{name}", "--json",
             "--driver", FIRST_TRY, "--events", str(events)],
            capture_output=True, check=False, cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
        )  # fmt: skip
        assert done.returncode == status, done.stderr
        found.append((done.stdout, events.read_bytes()))
    assert found[0] == found[1]
    assert len(found[0][1]) > 10_000
