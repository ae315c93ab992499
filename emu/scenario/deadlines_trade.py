"""The trade of drivers that keep deadlines."""

from __future__ import annotations

from functools import partial

from emu.devices.deadline_driver import DEADLINE_METHODS
from emu.scenario.deadline_port import DEADLINE_PROMISES, DeadlinePort
from emu.scenario.device_stage import DeviceStage
from emu.scenario.trade import Trade

__all__ = ["TRADE"]

TRADE = Trade(
    "deadlines", "driver of deadlines", "mtimer", DEADLINE_METHODS, DEADLINE_PROMISES,
    partial(DeviceStage, make_port=DeadlinePort),
)  # fmt: skip
