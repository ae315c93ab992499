"""The good drivers that seeded bugs are made of are good: clean in every scenario, under any fault.

The one idea: a seed proves something only if its base is beyond doubt. So each style meets every
scenario in fixtures/, and every kind of fault in a scenario of two messages each way and a reopen.
"""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import pytest
import yaml

from emu.faults.kinds import FAULT_KINDS
from emu.scenario.load import load_scenario
from emu.scenario.runner import run_scenario
from tests.quality.seeded_drivers import ROOT, STYLES

FIXTURES = sorted(
    path.name
    for path in (ROOT / "fixtures").glob("*.yaml")
    if "\nscenario:" in f"\n{path.read_text(encoding='utf-8')}"
)
PORT = "telemetry"
FAULTS: dict[str, dict[str, Any]] = {
    "room hidden": {"kind": "stuck-field", "target": "LSR.THRE", "value": 0, "from": "1 ms",
                    "until": "6 ms"},
    "data hidden": {"kind": "stuck-field", "target": "LSR.DR", "value": 0, "from": "1 ms",
                    "until": "6 ms"},
    "data made up": {"kind": "stuck-field", "target": "LSR.DR", "value": 1, "from": "1 ms",
                     "until": "3 ms"},
    "a bit of IIR turned": {"kind": "flip-on-read", "target": "IIR", "probability": "1/10"},
    "a bit of LSR turned": {"kind": "flip-on-read", "target": "LSR", "probability": "1/40"},
    "IER write lost": {"kind": "dropped-write", "target": "IER", "first": 2, "count": 1},
    "LCR write lost": {"kind": "dropped-write", "target": "LCR", "first": 2, "count": 1},
    "DLL write lost": {"kind": "dropped-write", "target": "DLL", "first": 1, "count": 1},
    "FCR write lost": {"kind": "dropped-write", "target": "FCR", "first": 1, "count": 1},
    "LCR busy": {"kind": "write-ignored-while-busy", "target": "LCR", "busy_for": "2 us"},
    "bus errors": {"kind": "bus-error", "target": "", "probability": "1/100"},
    "no bus for 1 ms": {"kind": "bus-error", "target": "", "from": "1 ms", "until": "2 ms"},
    "data late": {"kind": "late-ready", "target": "LSR.DR", "reads": 3},
    "idle late": {"kind": "late-ready", "target": "LSR.TEMT", "reads": 3},
    "idle never": {"kind": "never-ready", "target": "LSR.TEMT"},
    "room never": {"kind": "never-ready", "target": "LSR.THRE"},
    "gone once": {"kind": "all-ones", "target": "", "first": 40, "count": 1},
    "gone at first": {"kind": "all-ones", "target": "", "until": "2 ms"},
    "gone for 2 ms": {"kind": "all-ones", "target": "", "from": "1 ms", "until": "3 ms"},
    "reset": {"kind": "reset-in-flight", "target": "", "from": "40 ms"},
    "still for 4 ms": {"kind": "device-stops", "target": "", "from": "1 ms", "until": "5 ms"},
    "dirty": {"kind": "random-state", "target": ""},
    "overruns": {"kind": "overrun", "target": "", "probability": "1/8"},
    "framing errors": {"kind": "framing-error", "target": "", "probability": "1/6"},
    "parity errors": {"kind": "parity-error", "target": "", "probability": "1/6"},
    "breaks": {"kind": "break", "target": "", "probability": "1/8"},
    "noise": {"kind": "noise", "target": "sin", "per_second": 800, "width": "6 us",
              "until": "4 ms"},
    "drift": {"kind": "baud-drift", "target": "sin", "to": "+3 %"},
    "spurious interrupts": {"kind": "spurious-interrupt", "target": "irq", "every": "37 us"},
    "causes withdrawn": {"kind": "withdrawn-interrupt", "target": "irq"},
    "first interrupt lost": {"kind": "lost-interrupt", "target": "irq", "first": 1, "count": 1},
    "all interrupts lost": {"kind": "lost-interrupt", "target": "irq"},
    "interrupts late": {"kind": "delayed-interrupt", "target": "irq", "duration": "150 us"},
    "interrupt stuck": {"kind": "stuck-interrupt", "target": "irq", "from": "1 ms",
                        "until": "3 ms"},
    "frozen": {"kind": "cpu-stalled", "target": "cpu", "from": "1 ms", "duration": "2 ms",
               "every": "5 ms"},
    "masked elsewhere": {"kind": "cpu-masked", "target": "cpu", "from": "1 ms",
                         "duration": "1 ms", "every": "4 ms"},
}  # fmt: skip
TRAFFIC = {
    "board": str(ROOT / "fixtures" / "tide_gauge.yaml"),
    "port": PORT,
    "driver": f"{ROOT}/drivers_example/polled.py:PolledDriver",
    "line": "115200 8O1",
    "far_end": "echo",
    "do": [
        {"exchange": {"send": {"random": 40}, "receive": 40}, "chunk": 24},
        "drain",
        {"send": "tide 3.21 m"},
        "reopen",
        {"exchange": {"send": "after", "receive": 5}},
    ],
}


def failures(path: Path, driver: str) -> dict[str, str]:
    """Return what is wrong with a driver in a scenario: findings, promises, expectations."""
    outcome = run_scenario(load_scenario(path), driver, base=ROOT)
    wrong = {one.rule: f"line {one.line}: {one.message}" for one in outcome.findings}
    wrong |= {one.promise: one.detail for one in outcome.promises if not one.kept}
    wrong |= {f"unmet {number}": text for number, text in enumerate(outcome.unmet)}
    return wrong


def scenario(folder: Path, name: str, faults: list[dict[str, Any]], **changes: Any) -> Path:
    """Write a scenario with faults and return its path."""
    path = folder / "run.yaml"
    whole = {"scenario": name} | TRAFFIC | changes | {"faults": faults}
    path.write_text(yaml.safe_dump(whole, sort_keys=False), encoding="utf-8")
    return path


def aimed(fault: dict[str, Any]) -> dict[str, Any]:
    """Return a fault with its whole target."""
    target = fault["target"]
    return fault | {"target": target if target == "cpu" else f"{PORT}.{target}".rstrip(".")}


def test_there_are_eight_styles() -> None:
    """Eight files, one class each, that import nothing of the bench but what drivers may."""
    assert len(STYLES) == 8
    for name in STYLES.values():
        path = Path(name.rpartition(":")[0])
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert len([node for node in tree.body if isinstance(node, ast.ClassDef)]) == 1
        imported = {
            node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)
        } | {one.name for node in ast.walk(tree) if isinstance(node, ast.Import)
             for one in node.names}  # fmt: skip
        assert imported <= {"__future__", "math", "collections", "collections.abc", "contextlib",
                            "emu"}  # fmt: skip


@pytest.mark.parametrize("fixture", FIXTURES)
@pytest.mark.parametrize("style", STYLES)
def test_a_style_is_clean_in_every_scenario(style: str, fixture: str) -> None:
    """No finding, no broken promise, no unmet expectation in any scenario of fixtures/."""
    assert failures(ROOT / "fixtures" / fixture, STYLES[style]) == {}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("style", STYLES)
def test_a_style_is_clean_under_any_fault(style: str, fault: str, tmp_path: Path) -> None:
    """Whatever goes wrong, and whenever, the style does what is possible and is not accused."""
    assert failures(scenario(tmp_path, fault, [aimed(FAULTS[fault])]), STYLES[style]) == {}


@pytest.mark.slow
@pytest.mark.parametrize("style", STYLES)
def test_a_style_starts_from_any_state(style: str, tmp_path: Path) -> None:
    """Nine random states before open, with and without FIFOs, and the style works."""
    for seed in range(9):
        board = {
            "name": "gauge",
            "cpu": {"clock": "50 MHz"},
            "devices": {PORT: {"kind": "uart16550", "at": 0x40001000, "stride": 4, "irq": 5,
                               "fifo": (0, 16, 64)[seed % 3]}},
        }  # fmt: skip
        path = scenario(
            tmp_path, "dirty", [aimed(FAULTS["dirty"])], board=board, line="19200 8N1", seed=seed,
            do=[{"exchange": {"send": "tide", "receive": 4}}],
        )  # fmt: skip
        assert failures(path, STYLES[style]) == {}, seed


def test_no_kind_of_fault_is_left_out() -> None:
    """The faults that the styles meet are of every kind there is."""
    assert {one["kind"] for one in FAULTS.values()} == set(FAULT_KINDS)
