"""The trade of drivers of clocks, and of other tasks that need blocks of their own."""

from __future__ import annotations

from functools import partial

from emu.devices.clock_driver import CLOCK_METHODS
from emu.scenario.clock_port import CLOCK_PROMISES, ClockPort
from emu.scenario.device_stage import DeviceStage
from emu.scenario.other_task import OtherTask
from emu.scenario.trade import Trade

__all__ = ["TRADE"]

_CALLS = ("enable", "disable", "reset")


def _other_task(stage: DeviceStage) -> OtherTask:
    """Return the task that has blocks of its own."""

    def port() -> ClockPort | None:
        found = stage.port
        return found if isinstance(found, ClockPort) and found.may_be_entered else None

    def make(name: str) -> None:
        found = port()
        assert found is not None
        found.call_between(name)

    return OtherTask(stage.bench.board, port, _CALLS, make)


TRADE = Trade(
    "clocks", "driver of clocks", "clock_gate", CLOCK_METHODS, CLOCK_PROMISES,
    partial(DeviceStage, make_port=ClockPort, make_tasks=_other_task),
)  # fmt: skip
