"""The same inputs give the same results: run after run, process after process.

The one idea: a case file is worth nothing unless the run in it comes again, so every result of a
search is compared with that of another run, of another process, and of another seed of the hashes
that Python makes of strings.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from drivers_example.interrupt_driven import InterruptDriver
from emu.scenario.load import load_scenario
from emu.search.explore import Plan
from emu.search.hunt import hunt
from emu.search.trial import Trying
from tests.search_bench import HastySender, at, scenario

ROOT = Path(__file__).resolve().parents[2]
SCHEDULE = (at(9, events=4), at(21, 2), at(33, kind="pause", events=4), at(40, kind="spurious"))
NOISY = ("noisy_line", "spurious_interrupts", "stuck_thre", "dirty_start")


class Hurried(HastySender):
    """Says that everything has left as soon as nothing is queued."""

    def drain(self, timeout: float | None = None) -> bool:
        return not self._outgoing


def report() -> str:
    """Return everything that a short hunt and some runs come to, as text."""
    asked = scenario("[open, {send: ab}, drain, {receive: 2}]")
    explored = hunt(asked, Hurried, Plan(entries=3, most=40, seed=3), workers=0).explored
    lines = [*explored.behaviours, str(explored.decided)]
    lines += [f"{failure} {trial}" for failure, trial in explored.causes.values()]
    for name in NOISY:
        fixture = load_scenario(ROOT / f"fixtures/{name}.yaml")
        found = Trying(fixture, InterruptDriver).run(SCHEDULE, records=True)
        lines.append(f"{name} {found}")
    return "\n".join(lines)


@pytest.mark.parametrize("name", NOISY)
def test_ten_runs_are_the_same(name: str) -> None:
    """Ten runs of a scenario with chance in it have one record, delayed or not."""
    asked = load_scenario(ROOT / f"fixtures/{name}.yaml")
    for schedule in ((), SCHEDULE):
        found = {
            Trying(asked, InterruptDriver).run(schedule, records=True).record for _ in range(10)
        }
        assert len(found) == 1


def test_what_went_before_does_not_matter() -> None:
    """A run comes out the same whatever was run before it, watched or not."""
    trying = Trying(scenario(), Hurried)
    first = trying.run(SCHEDULE, records=True)
    trying.run(learn="opcode")
    trying.run((at(5),))
    trying.run(cover=True, places=True, events=None)
    assert trying.run(SCHEDULE, records=True) == first


@pytest.mark.slow
def test_other_processes_come_to_the_same() -> None:
    """Processes with other seeds of string hashes find the same, word for word."""
    code = "from tests.unit.test_search_determinism import report; print(report())"
    path = ":".join([str(ROOT), *sys.path])
    found = [
        subprocess.run(
            [sys.executable, "-c", code], env={"PYTHONHASHSEED": seed, "PYTHONPATH": path},
            capture_output=True, text=True, check=True, cwd=ROOT,
        ).stdout
        for seed in ("1", "2")
    ]  # fmt: skip
    assert found[0] == found[1] == report() + "\n"
    assert len(found[0].splitlines()) > 10
