"""A scenario made in Python around a driver class: what the tests of a run share.

The one idea: the tests break a good driver in one place by a subclass, so a scenario is a line of
steps and whatever differs from the plainest case.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from drivers_example.polled import PolledDriver
from emu.line.plan import FarEndPlan
from emu.scenario.load import load_board
from emu.scenario.model import Scenario, Step
from emu.scenario.outcome import Outcome
from emu.scenario.runner import Run
from emu.units import LineSettings

__all__ = ["LINE", "MS", "ROOT", "PolledDriver", "broken", "outcome_of", "prepared", "rules_of"]

ROOT = Path(__file__).resolve().parents[1]
LINE = LineSettings(115_200)
MS = 10**9
BOARD = load_board(ROOT / "fixtures" / "tide_gauge.yaml")


def prepared(driver: type | str, *steps: Step, **changes: Any) -> Run:
    """Return a run of `steps` with an echo at the far end, not begun yet.

    Args:
        driver: the driver's class.
        steps: what is asked of it.
        changes: other values of the scenario; ``far_end`` may be a word.
    """
    far_end = changes.pop("far_end", "echo")
    if isinstance(far_end, str):
        far_end = FarEndPlan(kind=far_end)
    until_ps = changes.pop("until_ps", None)
    scenario = Scenario(
        **{"title": "a trial", "board": BOARD, "port": "telemetry", "line": LINE,
           "far_end": far_end, "steps": steps, **changes}
    )  # fmt: skip
    return Run(scenario, driver, base=ROOT, events=None, until_ps=until_ps)


def outcome_of(driver: type | str, *steps: Step, **changes: Any) -> Outcome:
    """Run and return the outcome; see `prepared`."""
    return prepared(driver, *steps, **changes).outcome()


def broken(outcome: Outcome) -> dict[str, str]:
    """Return the broken promises with their details."""
    return {one.promise: one.detail for one in outcome.promises if not one.kept}


def rules_of(outcome: Outcome) -> list[str]:
    """Return the rules of the findings, in order."""
    return [one.rule for one in outcome.findings]
