"""The trade of watchdog drivers, and of other tasks that feed the same watchdog."""

from __future__ import annotations

from functools import partial

from emu.devices.watchdog_driver import WATCHDOG_METHODS
from emu.scenario.device_stage import DeviceStage
from emu.scenario.other_task import OtherTask
from emu.scenario.trade import Trade
from emu.scenario.watchdog_port import WATCHDOG_PROMISES, WatchdogPort

__all__ = ["TRADE"]

_CALLS = ("guard", "feed", "causes")


def _other_task(stage: DeviceStage) -> OtherTask:
    """Return the task that feeds."""

    def port() -> WatchdogPort | None:
        return stage.port if isinstance(stage.port, WatchdogPort) else None

    def make(_name: str) -> None:
        found = port()
        assert found is not None
        found.feed()

    return OtherTask(stage.bench.board, port, _CALLS, make)


TRADE = Trade(
    "watchdog", "watchdog driver", "watchdog", WATCHDOG_METHODS, WATCHDOG_PROMISES,
    partial(DeviceStage, make_port=WatchdogPort, make_tasks=_other_task),
)  # fmt: skip
