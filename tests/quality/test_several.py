"""Scenarios of several drivers at every timing: good ones stay clean, and a bad one is found."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers_example.timekeeper import END, MATCH, STATUS, Timekeeper
from emu.scenario.driver_set import driver_set, load_driver_set
from emu.scenario.from_python import scenario_of
from emu.scenario.load import load_scenario
from emu.scenario.model import Scenario
from emu.scenario.written import scenario_as_plain
from emu.search.explore import Plan
from emu.search.hunt import hunt
from tests.quality.seeded_drivers import ROOT

SCENARIOS = sorted((ROOT / "fixtures" / "several").glob("*.yaml"))


def with_fault(path: Path, **fault: str) -> Scenario:
    """Return the scenario of a file with a fault in it."""
    plain = scenario_as_plain(load_scenario(path), path.parent)
    return scenario_of({**plain, "faults": [fault]}, path=str(path), folder=path.parent)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_good_drivers_are_clean_at_every_timing(path: Path) -> None:
    """Drivers that are good alone are good together, however late the processor is."""
    scenario = load_scenario(path)
    plan = Plan(entries=2, manner="access", spurious=True, most=60)
    hunted = hunt(scenario, load_driver_set(scenario), plan)
    assert hunted.explored.runs >= 60
    assert not hunted.found, hunted.found[0].failure


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_good_drivers_are_clean_under_faults(path: Path) -> None:
    """A fault at one device accuses nobody, neither its own driver nor another's."""
    scenario = load_scenario(path)
    classes = load_driver_set(scenario)
    late = {"kind": "delayed-interrupt", "duration": "200 us", "until": "3 ms"}
    held = {"kind": "cpu-masked", "target": "cpu", "from": "400 us", "duration": "900 us"}
    gone = {"kind": "bus-error", "from": "900 us", "until": "2 ms"}
    irqs = {one.name for one in scenario.board.devices if one.irq is not None}
    ports = [one.port for one in scenario.drivers if one.port in irqs]
    plans = [held, *({**late, "target": f"{one}.irq"} for one in ports),
             *({**gone, "target": one} for one in ports)]  # fmt: skip
    for fault in plans:
        asked = with_fault(path, **fault)
        hunted = hunt(asked, classes, Plan(entries=1, manner="access", most=3))
        assert not hunted.found, (fault, hunted.found[0].failure)


class TornCount(Timekeeper):
    """Clears what has come in two steps, so that an end in between is not counted."""

    def _serve(self) -> None:
        status = self._io.read32(STATUS)
        if not status:
            return
        if status & END and self._counting:
            self._count += 1
        self._io.write32(STATUS, 0x07)
        if status & MATCH:
            self._look()


def test_a_race_is_found_and_named() -> None:
    """A driver with a race breaks its own promise in the hunt, and no other driver is accused."""
    path = ROOT / "fixtures" / "several" / "shared_line.yaml"
    scenario = load_scenario(path)
    members = dict(load_driver_set(scenario).members)
    classes = driver_set({**members, "sampling": TornCount})
    hunted = hunt(scenario, classes, Plan(entries=1, manner="access", most=150))
    assert {one.failure.rule for one in hunted.found if one.failure.is_promise} <= {
        "promise sampling.count", "promise sampling.loss", "promise sampling.alarm"
    }  # fmt: skip
    assert {one.failure.register for one in hunted.found} <= {"", "sampling"}
    assert hunted.found
