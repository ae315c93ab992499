"""A scenario or a board given from Python means what the same lines of a file mean."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from emu.errors import InputError
from emu.scenario.from_python import board_of, scenario_of
from emu.scenario.load import load_board, load_scenario, parse_scenario
from emu.scenario.written import scenario_as_plain
from emu.units import LineSettings

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
BOARD = {"devices": {"telemetry": {"kind": "uart16550", "at": 0x4000_1000, "irq": 5}}}
PLAIN = {"scenario": "a reading", "board": BOARD, "do": [{"send": "3.21"}]}


@pytest.mark.parametrize("path", sorted(FIXTURES.glob("*.yaml")), ids=lambda path: path.stem)
def test_a_file_and_its_data_mean_the_same(path: Path) -> None:
    """Every fixture, read as plain data first, gives the very scenario or board of the file."""
    data = yaml.safe_load(path.read_text(encoding="utf-8"))
    if "scenario" not in data:
        assert board_of(data, folder=FIXTURES) == load_board(path)
        return
    scenario = scenario_of(data, path=str(path), folder=FIXTURES)
    assert scenario_as_plain(scenario) == scenario_as_plain(load_scenario(path))


def test_bytes_and_line_settings_may_stand_as_they_are() -> None:
    """What a file would have to spell out is taken as Python has it."""
    line = LineSettings(9600, 7, "even", 2)
    given = {**PLAIN, "line": line, "do": [{"send": b"\x00\xff"}, {"line": line}]}
    spelled = {
        **PLAIN,
        "line": "9600 7E2",
        "do": [{"send": {"hex": "00 ff"}}, {"line": "9600 7E2"}],
    }
    assert scenario_of(given) == scenario_of(spelled)


def test_tuples_are_lists() -> None:
    """A sequence of either kind stands for a list of a file."""
    assert scenario_of({**PLAIN, "do": tuple(PLAIN["do"])}) == scenario_of(PLAIN)


def test_it_is_what_the_text_would_be() -> None:
    """The data and its YAML text agree but for places in the file."""
    text = yaml.safe_dump(PLAIN, sort_keys=False)
    assert scenario_as_plain(scenario_of(PLAIN)) == scenario_as_plain(parse_scenario(text))


@pytest.mark.parametrize("value", [object(), {1, 2}, 3j, print])
def test_what_no_file_can_hold_is_refused(value: object) -> None:
    """A value that is no plain data is named with its type, and what is allowed."""
    with pytest.raises(InputError) as caught:
        scenario_of({**PLAIN, "seed": value})
    said = str(caught.value)
    assert type(value).__name__ in said
    assert "allowed: mappings, lists, text, bytes, numbers, truth values" in said


def test_all_flaws_are_told_at_once() -> None:
    """A wrong key, a wrong unit and a missing one are three lines, each with what is allowed."""
    with pytest.raises(InputError) as caught:
        scenario_of({"scenario": "x", "boards": BOARD, "line": "115200 8Q1", "seed": "many"})
    said = str(caught.value).splitlines()
    assert len(said) >= 3
    assert any("boards" in one and "board" in one for one in said)
    assert any("115200 8Q1" in one for one in said)
    assert any("many" in one for one in said)
    assert all(one.startswith("scenario") for one in said), said


def test_a_board_is_refused_like_one_of_a_file() -> None:
    """An unknown kind of device is named with the nearest that exists."""
    with pytest.raises(InputError, match="uart16550"):
        board_of({"devices": {"telemetry": {"kind": "uart16555", "at": 0}}})
