"""The trade of checksum drivers."""

from __future__ import annotations

from functools import partial

from emu.devices.checksum_driver import CHECKSUM_METHODS
from emu.scenario.checksum_port import CHECKSUM_PROMISES, ChecksumPort
from emu.scenario.device_stage import DeviceStage
from emu.scenario.trade import Trade

__all__ = ["TRADE"]

TRADE = Trade(
    "checksum", "checksum driver", "checksum_engine", CHECKSUM_METHODS, CHECKSUM_PROMISES,
    partial(DeviceStage, make_port=ChecksumPort),
)  # fmt: skip
