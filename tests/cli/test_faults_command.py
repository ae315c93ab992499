"""``emu faults``: every kind of fault is listed and explained."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path

import pytest

from emu.cli.main import main
from emu.faults.kinds import FAULT_KINDS
from emu.scenario.load import parse_scenario

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """Return what the command prints."""
    assert main(["faults", *words]) == 0
    return capsys.readouterr().out


def test_every_kind_is_listed_in_100_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """The list names every kind of fault and fits the page."""
    page = shown(capsys)
    names = [
        line.split()[0] for line in page.splitlines() if line.startswith("  ") and line[2] > " "
    ]
    assert names == list(FAULT_KINDS)
    assert max(map(len, page.splitlines())) <= 100


@pytest.mark.parametrize("name", FAULT_KINDS)
def test_a_kind_is_explained(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What a kind does and each of its settings is told."""
    kind = FAULT_KINDS[name]
    page = shown(capsys, name)
    rows = [line for line in page.partition("\n\n")[0].splitlines()[1:] if line[2] > " "]
    at = rows[0].index(kind.meaning[:40])
    assert page.startswith(f"{name}\n  does  ")
    assert [row[:at].strip() for row in rows if row[:at].strip() != "waives"] == [
        "does", "target", "occasion", *(one.name for one in kind.parameters)
    ]  # fmt: skip
    assert all(row[at - 2 : at] == "  " and row[at] > " " for row in rows)
    assert max(map(len, page.splitlines())) <= 100


@pytest.mark.parametrize("name", FAULT_KINDS)
def test_the_example_of_a_kind_is_one(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The example that is shown can be pasted into a scenario as it stands, and is of that kind."""
    page = shown(capsys, name)
    example = page.partition("In a scenario\n")[2].partition("\n\n")[0]
    head = "scenario: a storm\nboard: tide_gauge.yaml\nport: telemetry\n"
    (found,) = parse_scenario(head + textwrap.dedent(example), folder=FIXTURES).faults
    assert found.kind == name


def test_json_holds_every_kind(capsys: pytest.CaptureFixture[str]) -> None:
    """The JSON names every kind with its targets and settings."""
    found = {one["name"]: one for one in json.loads(shown(capsys, "--json"))}
    assert list(found) == list(FAULT_KINDS)
    assert found["stuck-field"]["targets"] == ["DEVICE.REGISTER.FIELD"]
    assert list(found["stuck-field"]["settings"]) == ["value"]


def test_an_unknown_kind_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt kind exits 2 and hints at the nearest."""
    assert main(["faults", "stuck-feild"]) == 2
    assert "did you mean 'stuck-field'?" in capsys.readouterr().err
