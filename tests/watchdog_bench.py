"""A watchdog and the steps that tests of its driver have in common."""

from __future__ import annotations

from typing import Any

from drivers_example.watchkeeper import FEED, FIRST_KEY, SECOND_KEY, Watchkeeper
from emu.scenario.outcome import Outcome
from tests.device_trial import trial

__all__ = ["KIND", "LOCKED", "LOST", "STARVE", "STRAY", "WINDOW", "Blind", "run", "texts"]

KIND = {"kind": "watchdog", "clock": "1 MHz"}
WINDOW = {"guard": 1000, "opens": 400}
LOCKED = {**WINDOW, "locked": True}
STARVE = {"wait": "1.1 ms"}
STRAY = {"stray": "feed"}
LOST = {"kind": "dropped-write", "target": "panel.TIMEOUT"}


def run(driver: type, *steps: Any, **more: Any) -> Outcome:
    """Run steps on a watchdog with a tick a microsecond."""
    return trial(driver, KIND, *steps, **more)


def texts(outcome: Outcome, action: str) -> list[str]:
    """Return what the steps of one action came to."""
    return [one.text for one in outcome.steps if one.action == action]


class Blind(Watchkeeper):
    """Feeds without a look."""

    def feed(self) -> bool:
        self._io.write32(FEED, FIRST_KEY)  # <- here
        self._io.write32(FEED, SECOND_KEY)
        return True
