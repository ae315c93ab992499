"""The outcome of a run as plain data."""

from __future__ import annotations

import json

import pytest

from emu.rules.finding import Finding
from emu.scenario.outcome import Measures, Outcome, StepNote, in_order
from emu.scenario.promise import Promise

FINDING = Finding("read-when-empty", "gauge.py", 7, 2_500_000, "telemetry.RBR", "blind", 3)


def outcome(**changes: object) -> Outcome:
    """Return an outcome of a clean run, with changes."""
    values = {"promises": [Promise("order", True), Promise("loss", True, "gone", waived=True)]}
    return Outcome("a trial", "trial.yaml", "gauge.py:Gauge", 3, **{**values, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({}, "clean"),
        ({"findings": [FINDING]}, "failed"),
        ({"unmet": ["errors.parity is 1, expected 0"]}, "failed"),
        ({"promises": [Promise("order", False, "x")]}, "failed"),
        ({"ended": "cut"}, "clean"),
        ({"printed": "FAILED"}, "clean"),
    ],
)
def test_verdict(changes: dict[str, object], verdict: str) -> None:
    """A finding, a broken promise or an unmet expectation fails a run, and nothing else does."""
    assert outcome(**changes).verdict == verdict


def test_json_has_what_is_promised() -> None:
    """The JSON of a run has at least the documented keys, with times in seconds."""
    made = outcome(findings=[FINDING], steps=[StepNote("open", 1_000_000, "open", 4)])
    plain = json.loads(json.dumps(made.as_json()))
    assert {"verdict", "findings", "contract", "measures", "seed"} <= set(plain)
    assert plain["findings"] == [{
        "rule": "read-when-empty", "file": "gauge.py", "line": 7, "register": "telemetry.RBR",
        "time_s": 2.5e-6, "message": "blind", "count": 3,
    }]  # fmt: skip
    assert plain["contract"][1] == {
        "promise": "loss", "kept": True, "detail": "gone", "waived": True
    }  # fmt: skip
    assert plain["steps"] == [{"action": "open", "time_s": 1e-6, "text": "open"}]
    assert (plain["seed"], plain["driver"], plain["file"]) == (3, "gauge.py:Gauge", "trial.yaml")


def test_measures_in_per_cent() -> None:
    """The CPU split is in per cent of the time of the run; a run of no time has no split."""
    measures = Measures(time_ps=8_000_000, main_ps=1_000_000, idle_ps=6_000_000, bytes_lost=2)
    plain = measures.as_json()
    assert plain["cpu_percent"] == {
        "main": 12.5, "polling": 0, "handler": 0, "idle": 75, "stalled": 0
    }  # fmt: skip
    assert (plain["time_s"], plain["bytes_lost"]) == (8e-6, 2)
    assert Measures().as_json()["cpu_percent"]["main"] == 0


def test_findings_in_order() -> None:
    """Findings are told in the order of time, equal ones in the order found."""
    later, first, second = (
        Finding("x", name, 1, time_ps, "", "") for name, time_ps in (("c", 9), ("a", 5), ("b", 5))
    )
    assert in_order([later, first, second]) == [first, second, later]
