"""The trade of those who drive an interrupt controller."""

from __future__ import annotations

from functools import partial

from emu.devices.dispatch_driver import DISPATCH_METHODS
from emu.scenario.device_stage import DeviceStage
from emu.scenario.dispatch_port import DISPATCH_PROMISES, DispatchPort
from emu.scenario.trade import Trade

__all__ = ["TRADE"]

TRADE = Trade(
    "dispatch", "dispatch driver", "interrupt_controller", DISPATCH_METHODS, DISPATCH_PROMISES,
    partial(DeviceStage, make_port=DispatchPort),
)  # fmt: skip
