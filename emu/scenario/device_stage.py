"""The stage of drivers of one device that hangs on no line: its steps, played one by one."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from emu.line.far_end import FarEnd
from emu.scenario.device_port import DevicePort
from emu.scenario.model import Step
from emu.scenario.outcome import Outcome
from emu.scenario.stage import Bench, Tasks
from emu.scenario.whole_steps import whole_steps

__all__ = ["DeviceStage"]


class DeviceStage:
    """Play the steps of a trade.

    Args:
        bench: what it stands on.
        make_port: makes the port of the trade, with the driver in it.
        make_tasks: given the stage, makes the other tasks that may call the driver; None for
            nobody.

    Attributes:
        bench: what it stands on.
        port: the port, once the run has begun.
        tasks: the other tasks.
    """

    def __init__(
        self,
        bench: Bench,
        make_port: Callable[[Bench, type], DevicePort],
        make_tasks: Callable[[DeviceStage], Tasks] | None = None,
    ) -> None:
        self.bench = bench
        self._make_port = make_port
        self.port: DevicePort | None = None
        self.tasks: Tasks | None = make_tasks(self) if make_tasks is not None else None

    @property
    def driven(self) -> tuple[str, ...]:
        """The one device, and those beside it."""
        return self.bench.with_beside(self.bench.scenario.port)

    @property
    def far_ends(self) -> Mapping[str, FarEnd]:
        """None."""
        return {}

    def begin(self, driver: type) -> None:
        """Construct the driver."""
        self.port = self._make_port(self.bench, driver)

    def take(self, step: Step, *, last: bool) -> None:  # noqa: ARG002 - for those with traffic
        """Play a step."""
        assert self.port is not None
        self.port.play(step)

    def play(self, driver: type) -> None:
        """Construct the driver and play all steps."""
        scenario = self.bench.scenario
        self.begin(driver)
        self.bench.armed.before_open()
        for step in whole_steps(scenario, (scenario.port,)):
            self.take(step, last=False)

    def judge(self, outcome: Outcome) -> None:
        """Enter how the contract fared."""
        if self.port is not None:
            outcome.promises = self.port.told()

    def results(self) -> list[object]:
        """Return what the driver's user got."""
        return self.port.results() if self.port is not None else []
