"""``emu faults``: every kind of fault is listed and explained."""

from __future__ import annotations

import json

import pytest

from emu.cli.main import main
from emu.faults.kinds import FAULT_KINDS


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
    assert page.startswith(f"{name}\n  does     {kind.meaning[:40]}")
    for one in kind.parameters:
        assert f"\n  {one.name:<8} " in page


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
