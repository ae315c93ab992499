"""The trade of those who drive the smallest serial controller."""

from __future__ import annotations

from emu.devices.serial_driver import SERIAL_METHODS
from emu.scenario.contract import PROMISES
from emu.scenario.serial_stage import SerialStage
from emu.scenario.trade import Trade

__all__ = ["TRADE"]

TRADE = Trade(
    "basic", "serial driver", "serial_basic", SERIAL_METHODS, PROMISES, SerialStage,
)  # fmt: skip
