"""`emu rules` lists what a driver must not do, and explains one rule."""

from __future__ import annotations

import json

import pytest

from emu.cli.main import main
from emu.rules.catalogue import FAMILIES, RULES


def test_all_rules_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """Each rule stands in the list under its family, with what it watches."""
    assert main(["rules"]) == 0

    text = capsys.readouterr().out
    places = [text.index(f"{family} rules {meaning}") for family, meaning in FAMILIES.items()]
    assert places == sorted(places)
    assert all(f"  {name} " in text for name in RULES)


@pytest.mark.parametrize("words", [[], *([name] for name in RULES)])
def test_the_output_fits_100_columns(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Neither the list nor any explanation is wider than the output may be."""
    assert main(["rules", *words]) == 0
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 100


def test_one_rule_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    """A rule is explained by what it watches, why it bites and what to do instead."""
    assert main(["rules", "thre-taken-for-idle"]) == 0

    text = " ".join(capsys.readouterr().out.split())
    rule = RULES["thre-taken-for-idle"]
    assert all(part in text for part in (rule.name, rule.watches, rule.why, rule.instead))


def test_both_pages_name_a_next_step(capsys: pytest.CaptureFixture[str]) -> None:
    """The list leads to one rule, and the rule to the accesses around a finding."""
    main(["rules"])
    assert capsys.readouterr().out.splitlines()[-1].startswith("Next: emu rules NAME ")
    main(["rules", "write-when-full"])
    assert capsys.readouterr().out.splitlines()[-1].startswith("Next: emu run SCENARIO --timeline")


def test_json_has_every_field(capsys: pytest.CaptureFixture[str]) -> None:
    """The JSON is a list of objects with name, family and the three texts."""
    assert main(["rules", "--json"]) == 0

    found = json.loads(capsys.readouterr().out)
    assert [one["name"] for one in found] == list(RULES)
    assert set(found[0]) == {"name", "family", "watches", "why", "instead"}


def test_json_of_one_rule_is_a_list_of_one(capsys: pytest.CaptureFixture[str]) -> None:
    """A named rule alone is in the list."""
    assert main(["rules", "read-when-empty", "--json"]) == 0
    assert [one["name"] for one in json.loads(capsys.readouterr().out)] == ["read-when-empty"]


def test_an_unknown_rule_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt rule is bad input with one message."""
    assert main(["rules", "read-when-emty"]) == 2
    assert "did you mean 'read-when-empty'?" in capsys.readouterr().err
