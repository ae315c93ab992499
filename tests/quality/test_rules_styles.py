"""No correct driver is accused, whatever its style, by any rule, in any scenario of the bench.

The one idea: a false alarm is a defect, so drivers of several styles run through every scenario,
and only where a scenario goes beyond what a style can do is it left out.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.rules.catalogue import RULES
from emu.scenario.load import load_scenario
from emu.scenario.runner import run_scenario
from tests.quality.snippets.styles import ByCause, ByStatus, PolledReceiver, TriggerLevel

ROOT = Path(__file__).resolve().parents[2]
SCENARIOS = sorted(
    path.name
    for path in (ROOT / "fixtures").glob("*.yaml")
    if "\nscenario:" in f"\n{path.read_text(encoding='utf-8')}"
)
STYLES = (ByCause, ByStatus, PolledReceiver, TriggerLevel)
NEEDS_A_FIFO = (PolledReceiver, TriggerLevel)


def accusations(scenario: str, driver: type | str) -> list[tuple[str, int, str]]:
    """Return what the watching rules found."""
    outcome = run_scenario(load_scenario(str(ROOT / "fixtures" / scenario)), driver, base=ROOT)
    return [
        (one.rule, one.line, one.message)
        for one in outcome.findings
        if RULES[one.rule].family != "run"
    ]


@pytest.mark.parametrize("scenario", SCENARIOS)
@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.__name__)
def test_a_correct_style_is_never_accused(style: type, scenario: str) -> None:
    """Each style comes through each scenario without a finding of a watching rule."""
    if style in NEEDS_A_FIFO and scenario == "no_fifo.yaml":
        assert accusations(scenario, style) != []
    else:
        assert accusations(scenario, style) == []


@pytest.mark.parametrize("scenario", SCENARIOS)
@pytest.mark.parametrize("driver", ["interrupt_driven.py:InterruptDriver",
                                    "polled.py:PolledDriver"])  # fmt: skip
def test_a_good_example_is_never_accused(driver: str, scenario: str) -> None:
    """The good example drivers come through each scenario without a finding."""
    assert accusations(scenario, f"drivers_example/{driver}") == []
