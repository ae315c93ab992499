"""The trade of serial drivers."""

from __future__ import annotations

from emu.devices.serial_driver import SERIAL_METHODS
from emu.scenario.contract import PROMISES
from emu.scenario.serial_stage import SerialStage
from emu.scenario.trade import Trade
from emu.scenario.trade_names import SERIAL

__all__ = ["TRADE"]

TRADE = Trade(SERIAL, "serial driver", "uart16550", SERIAL_METHODS, PROMISES, SerialStage)
