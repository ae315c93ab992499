"""The trade of drivers of pins, and of other tasks that have pins of their own."""

from __future__ import annotations

from functools import partial

from emu.devices.pin_driver import PIN_METHODS
from emu.scenario.device_stage import DeviceStage
from emu.scenario.other_task import OtherTask
from emu.scenario.pin_port import PIN_PROMISES, PinPort
from emu.scenario.trade import Trade

__all__ = ["TRADE"]

_CALLS = tuple(name for name in PIN_METHODS if name not in ("open", "close"))


def _other_task(stage: DeviceStage) -> OtherTask:
    """Return the task that has pins of its own."""

    def port() -> PinPort | None:
        found = stage.port
        return found if isinstance(found, PinPort) and found.may_be_entered else None

    def make(name: str) -> None:
        found = port()
        assert found is not None
        found.call_between(name)

    return OtherTask(stage.bench.board, port, _CALLS, make)


TRADE = Trade(
    "pins", "driver of pins", "gpio", PIN_METHODS, PIN_PROMISES,
    partial(DeviceStage, make_port=PinPort, make_tasks=_other_task),
)  # fmt: skip
