"""The catalogue explains every rule in words that a developer can act on."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from emu.rules.catalogue import FAMILIES, RULES, Rule

ROOMS = Path(__file__).resolve().parents[2] / "emu"


@pytest.mark.parametrize("rule", RULES.values(), ids=str)
def test_a_rule_is_named_and_explained(rule: Rule) -> None:
    """Each rule has a name of plain words, a known family, and three texts of a bearable length."""
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+|[a-z]+", rule.name)
    assert rule.family in FAMILIES
    assert 20 <= len(rule.watches) <= 100
    assert rule.why.endswith(".")
    assert rule.instead.endswith(".")
    assert rule.why.count(". ") <= 1


def test_rules_are_found_by_their_names() -> None:
    """The table's keys are the names, and enough of the rules watch while the driver runs."""
    assert all(name == rule.name for name, rule in RULES.items())
    assert sum(rule.family != "run" for rule in RULES.values()) >= 20


@pytest.mark.parametrize(
    "name",
    ["asleep-for-ever", "endless-poll", "interrupt-storm", "time-limit", "call-overdue", "spinning",
     "driver-raised", "driver-exited", "bad-return-value", "board-reset"],
)  # fmt: skip
def test_every_way_a_run_ends_is_explained(name: str) -> None:
    """What the kernel, the watchdog and the runner call an ending has an entry."""
    assert RULES[name].family == "run"


@pytest.mark.parametrize("name", [name for name, rule in RULES.items() if rule.family != "run"])
def test_every_watching_rule_is_reported_somewhere(name: str) -> None:
    """No rule stands in the catalogue that nothing in the house can report."""
    scenario = ROOMS / "scenario"
    sources = list((ROOMS / "rules").glob("*.py"))
    for kind in ("port", "blame", "view"):
        sources += scenario.glob(f"*_{kind}.py")
    texts = [path.read_text(encoding="utf-8") for path in sources if "texts_" not in path.stem]

    assert any(f'"{name}"' in text for text in texts)
