"""Good drivers of pins, each in another style, are clean in all bouts, and wherever one is late.

The one idea: what pins are judged by must not prefer one way of driving them, so copies and
aliases, edges and levels, interrupts and polling meet all that `emu check` brings.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.trade import find_trade
from emu.search.check import check
from emu.search.explore import Plan
from emu.search.suite import Bout, suite
from tests.quality.seeded_drivers import ROOT, STYLES_FOLDER, class_of

FILES = [ROOT / "drivers_example" / "pin_keeper.py", *sorted((STYLES_FOLDER / "pins").glob("*.py"))]
BOUTS = suite("pins")
PLAIN = [bout for bout in BOUTS if not bout.hunted]
HUNTED = [bout for bout in BOUTS if bout.hunted]


def driver_in(path: Path) -> type:
    """Return the driver in a file."""
    name = f"{path}:{class_of(path.read_text(encoding='utf-8'))}"
    return load_driver(DriverName.parse(name, base=ROOT), find_trade("pins").methods)


def failures(path: Path, bouts: list[Bout], plan: Plan) -> dict[str, str]:
    """Return what a check finds."""
    rows = check(driver_in(path), bouts, budget_s=None, plan=plan).rows
    return {row.found.failure.rule: row.found.failure.message for row in rows}


def test_there_are_four_styles() -> None:
    """Four files, and none imports more of the bench than drivers may."""
    assert len(FILES) == 4
    for path in FILES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        imported = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert imported == {"__future__", "emu"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_style_is_clean_in_every_plain_bout(path: Path) -> None:
    """Nothing is found at any level, from any state, under any fault."""
    assert failures(path, PLAIN, Plan()) == {}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_style_is_clean_wherever_it_is_late(path: Path) -> None:
    """Nothing is found where it is held up between two accesses, or another task comes in."""
    assert failures(path, HUNTED, Plan(entries=1, manner="access")) == {}


def test_bouts_use_every_pin_and_both_levels() -> None:
    """All sixteen pins are made outputs, read and watched, and the outside idles at 0 and at 1."""
    steps = [step for bout in BOUTS for step in bout.body["do"] if isinstance(step, dict)]
    for action in ("output", "get", "watch", "set"):
        named = {step[action] for step in steps if action in step}
        assert named >= set(range(16))
    assert {bout.body["board"]["devices"]["panel"]["idle"] for bout in BOUTS} == {0, 1}
