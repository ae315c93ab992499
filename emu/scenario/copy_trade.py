"""The trade of copy drivers."""

from __future__ import annotations

from functools import partial

from emu.devices.copy_driver import COPY_METHODS
from emu.scenario.copy_port import COPY_PROMISES, CopyPort
from emu.scenario.device_stage import DeviceStage
from emu.scenario.trade import Trade

__all__ = ["TRADE"]

TRADE = Trade(
    "copy", "copy driver", "dma", COPY_METHODS, COPY_PROMISES,
    partial(DeviceStage, make_port=CopyPort),
)  # fmt: skip
