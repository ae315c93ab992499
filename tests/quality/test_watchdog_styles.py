"""Good drivers of a watchdog, each in another style, are clean in all bouts, and held up anywhere.

The one idea: a watchdog is judged by when it bites and by what its driver says, so masks and flags,
STATUS and COUNT, keys and starting anew, the device's time and one's own come to the same.
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

FILES = [
    ROOT / "drivers_example" / "watchkeeper.py",
    ROOT / "tests" / "quality" / "snippets" / "clock_watcher.py",
    *sorted((STYLES_FOLDER / "watchdog").glob("*.py")),
]
BOUTS = suite("watchdog")
PLAIN = [bout for bout in BOUTS if not bout.hunted]
HUNTED = [bout for bout in BOUTS if bout.hunted]


def driver_in(path: Path) -> type:
    """Return the driver in a file."""
    name = f"{path}:{class_of(path.read_text(encoding='utf-8'))}"
    return load_driver(DriverName.parse(name, base=ROOT), find_trade("watchdog").methods)


def failures(path: Path, bouts: list[Bout], plan: Plan) -> dict[str, str]:
    """Return what a check finds."""
    rows = check(driver_in(path), bouts, budget_s=None, plan=plan).rows
    return {row.found.failure.rule: row.found.failure.message for row in rows}


def test_there_are_five_styles() -> None:
    """Five files, and none imports more of the bench than drivers may."""
    assert len(FILES) == 5
    for path in FILES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        imported = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert imported == {"__future__", "emu"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_style_is_clean_in_every_plain_bout(path: Path) -> None:
    """Nothing is found with any window or lock, from any state, under any fault."""
    assert failures(path, PLAIN, Plan()) == {}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_style_is_clean_wherever_it_is_late(path: Path) -> None:
    """Nothing is found where it is held up between two accesses, or another task feeds."""
    assert failures(path, HUNTED, Plan(entries=1, manner="access")) == {}


def test_bouts_end_in_every_way() -> None:
    """The longest and the shortest time, locks, strays and restarts are all asked for."""
    steps = [step for bout in BOUTS for step in bout.body["do"]]
    asked = {word for step in steps for word in (step if isinstance(step, dict) else [step])}
    assert asked >= {"guard", "feed", "causes", "restart", "stray", "open", "close", "reopen"}
    times = {step["guard"] for step in steps if isinstance(step, dict) and "guard" in step}
    assert {0, 1, 2**32 - 1, 2**32} <= times
    strays = {step["stray"] for step in steps if isinstance(step, dict) and "stray" in step}
    assert strays == {"feed", "stop", "start"}
