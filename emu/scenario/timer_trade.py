"""The trade of timer drivers."""

from __future__ import annotations

from functools import partial

from emu.devices.timer_driver import TIMER_METHODS
from emu.scenario.device_stage import DeviceStage
from emu.scenario.timer_port import TIMER_PROMISES, TimerPort
from emu.scenario.trade import Trade

__all__ = ["TRADE"]

TRADE = Trade(
    "timer", "timer driver", "timer", TIMER_METHODS, TIMER_PROMISES,
    partial(DeviceStage, make_port=TimerPort),
)  # fmt: skip
