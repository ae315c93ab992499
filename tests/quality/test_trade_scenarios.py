"""The scenarios that show what each trade does run as they stand, and read back as they were."""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.scenario.from_python import scenario_of
from emu.scenario.load import load_any_board, load_scenario
from emu.scenario.load_checks import driven_devices
from emu.scenario.runner import run_scenario
from emu.scenario.trade_names import SERIAL, TRADES
from emu.scenario.written import board_as_plain, scenario_as_plain
from tests.quality.seeded_drivers import ROOT

SCENARIOS = sorted((ROOT / "fixtures" / "trades").glob("*.yaml"))
BOARDS = sorted((ROOT / "fixtures" / "boards").glob("*.yaml"))


def test_every_trade_has_one() -> None:
    """Each trade but the serial one has a scenario of its own."""
    shown = [load_scenario(path) for path in SCENARIOS]
    assert {driven_devices(one.board)[one.port] for one in shown} == set(TRADES) - {SERIAL}


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_a_scenario_is_clean(path: Path) -> None:
    """The good driver that a scenario names keeps every promise in it."""
    scenario = load_scenario(path)
    outcome = run_scenario(scenario)
    assert outcome.clean, outcome.findings
    assert len(outcome.steps) == len(scenario.steps)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_a_scenario_survives_being_written(path: Path) -> None:
    """What is written of a scenario reads back as the same."""
    scenario = load_scenario(path)
    plain = scenario_as_plain(scenario, path.parent)
    again = scenario_of(plain, path=str(path), folder=path.parent)
    assert scenario_as_plain(again, path.parent) == plain
    assert [one.values for one in again.steps] == [one.values for one in scenario.steps]


@pytest.mark.parametrize("path", BOARDS, ids=lambda path: path.stem)
def test_a_board_survives_being_written(path: Path, tmp_path: Path) -> None:
    """What is written of a board reads back as the same."""
    board, _ = load_any_board(path)
    body = {"scenario": "a board", "board": board_as_plain(board), "port": "telemetry", "do": []}
    assert scenario_of(body, path="b", folder=tmp_path).board == board
