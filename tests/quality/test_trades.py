"""Good drivers of every trade but the serial one are clean in all that `emu check` brings."""

from __future__ import annotations

import pytest

from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.runner import run_scenario
from emu.scenario.trade import find_trade, trade_of_methods
from emu.search.explore import Plan
from emu.search.hunt import hunt
from emu.search.suite import Bout, suite
from tests.quality.seeded_drivers import ROOT

GOOD = {
    "basic": "drivers_example/smallest.py:Smallest",
    "timer": "drivers_example/timekeeper.py:Timekeeper",
    "checksum": "drivers_example/message_seal.py:MessageSeal",
    "dispatch": "drivers_example/dispatcher.py:Dispatcher",
    "pins": "drivers_example/pin_keeper.py:PinKeeper",
    "copy": "drivers_example/log_mover.py:LogMover",
    "watchdog": "drivers_example/watchkeeper.py:Watchkeeper",
    "deadlines": "drivers_example/deadline_keeper.py:DeadlineKeeper",
    "clocks": "drivers_example/power_keeper.py:PowerKeeper",
}
OTHERS = {  # in another style
    "copy": "tests/quality/snippets/byte_mover.py:ByteMover",
    "watchdog": "tests/quality/snippets/clock_watcher.py:ClockWatcher",
    "deadlines": "tests/quality/snippets/tick_wheel.py:TickWheel",
    "clocks": "tests/quality/snippets/shadow_gate.py:ShadowGate",
}
PLAIN = [(trade, one) for trade in GOOD for one in suite(trade) if not one.hunted]
PLAIN_OTHERS = [(trade, one) for trade, one in PLAIN if trade in OTHERS]
HUNTED = [(trade, one) for trade in GOOD for one in suite(trade) if one.hunted]


def driver_of(trade: str, names: dict[str, str] = GOOD) -> type:
    """Return the good driver of a trade."""
    return load_driver(DriverName.parse(names[trade], base=ROOT), find_trade(trade).methods)


def name_of(given: object) -> str:
    """Return what a test case is called."""
    return given.body["scenario"] if isinstance(given, Bout) else str(given)


@pytest.mark.parametrize(("trade", "bout"), PLAIN, ids=name_of)
def test_a_good_driver_is_clean(trade: str, bout: Bout) -> None:
    """Whatever it is asked, and whatever fault acts, nothing is held against a good driver."""
    outcome = run_scenario(bout.scenario(), driver_of(trade))
    assert outcome.promises
    assert outcome.clean, (outcome.findings, [one for one in outcome.promises if not one.kept])


@pytest.mark.parametrize(("trade", "bout"), PLAIN_OTHERS, ids=name_of)
def test_a_driver_in_another_style_is_clean(trade: str, bout: Bout) -> None:
    """How a driver comes to the right results is its own business."""
    outcome = run_scenario(bout.scenario(), driver_of(trade, OTHERS))
    assert outcome.clean, (outcome.findings, [one for one in outcome.promises if not one.kept])


@pytest.mark.parametrize(("trade", "bout"), HUNTED, ids=name_of)
def test_a_good_driver_is_clean_at_every_timing(trade: str, bout: Bout) -> None:
    """Held up once at any of its points, a good driver keeps every promise."""
    hunted = hunt(bout.scenario(), driver_of(trade), Plan(entries=1, most=500))
    assert hunted.found == []
    assert len(hunted.explored.behaviours) > 3


@pytest.mark.parametrize("trade", GOOD)
def test_a_driver_is_known_by_its_methods(trade: str) -> None:
    """What a driver drives need not be said; of serial controllers a 16550 is meant."""
    assert trade_of_methods(driver_of(trade)) == ("serial" if trade == "basic" else trade)
