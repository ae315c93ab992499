"""What a run needs to know of the kind of driver it runs: the stage that the driver plays on.

The one idea: building a board, arming faults, ending a run and telling what came of it is the same
for every driver; what a driver is asked for, and what it promises, is a matter of its trade.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from emu.faults.arm import Armed
from emu.kernel.board import Board
from emu.kernel.bus import Window
from emu.kernel.cpu import Cpu
from emu.rules.attach import Rules
from emu.rules.finding import Findings
from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.model import Scenario, Step
from emu.scenario.outcome import Outcome, StepNote

if TYPE_CHECKING:
    from emu.line.far_end import FarEnd

__all__ = ["Bench", "Stage", "Tasks"]


@dataclass(slots=True)
class Bench:
    """Hold what every stage stands on.

    Args:
        scenario: what is asked for.
        board: the board, powered on.
        findings: where findings go.
        methods: what a driver of this trade must have.
        detailed: whether the driver's lines are noted, and so all that is known besides.
        shared: whether other drivers run on the board as well.

    Attributes:
        notes: how each step went.
        hand_out: returns the window and the processor that the driver of a device is given.
        troubled: says why its driver cannot keep what it promises, though nothing is wrong with
            either; ``""`` as a rule.
        armed: the faults, once they are in place.
        rules: the rules, once they are attached.
    """

    scenario: Scenario
    board: Board
    findings: Findings
    methods: tuple[str, ...]
    detailed: bool = False
    shared: bool = False
    notes: list[StepNote] = field(default_factory=list)
    hand_out: Callable[[str], tuple[Window, Cpu]] = field(init=False)
    troubled: Callable[[], str] = lambda: ""
    armed: Armed = field(init=False)
    rules: Rules = field(init=False)

    def __post_init__(self) -> None:
        self.hand_out = lambda name: (self.board.window(name), self.board.cpu)

    def with_beside(self, name: str) -> tuple[str, ...]:
        """Return a device and those that its driver is given besides."""
        return (name, *self.board.window(name).beside)

    @property
    def folder(self) -> Path:
        """The folder of the scenario's file."""
        return Path(self.scenario.path).parent

    def load(self, named: type | str, base: Path) -> type:
        """Return the class of a driver that is named, a file as seen from `base`.

        Raises:
            InputError: the name leads nowhere.
            DriverBroken: its code fails, or lacks a method.
        """
        if isinstance(named, type):
            return named
        ours = (self.scenario.driver, self.scenario.far_end.driver)
        where = f"{self.scenario.path}: driver" if named in ours else "driver"
        name = DriverName.parse(named, base=base, where=where)
        return load_driver(name, self.methods, where=where)

    # what faults did

    def calm(self) -> bool:
        """Whether no fault has done anything yet."""
        return not any(fault.injected for fault in self.armed.faults)

    def meddled(self, device: str) -> bool:
        """Whether a fault has done anything to a device."""
        return any(fault.injected and fault.concerns(device) for fault in self.armed.faults)

    def bus_error_injected(self) -> bool:
        """Whether a bus error may come out of a driver's call, because a fault made it."""
        return any(fault.injected and fault.spec.kind == "bus-error" for fault in self.armed.faults)

    def waived(self, name: str) -> dict[str, str]:
        """Return the promises that faults made impossible for the driver of a device, and why."""
        waivers = self.armed.waivers(device=name)
        return {promise: "; ".join(reasons) for promise, reasons in waivers.items()}

    def faults_over(self) -> bool:
        """Whether there were faults, and none can act any more."""
        return len(self.scenario.faults) > 0 and not self.armed.pending


class Tasks(Protocol):
    """The other tasks that may enter the driver in the middle of a call."""

    @property
    def may_enter(self) -> bool:
        """Whether main code is in a call now, and can be interrupted."""

    def enter(self, name: str) -> None:
        """Make a call to its end, now."""


class Stage(Protocol):
    """Play the steps of one scenario with the driver of one trade.

    Attributes:
        tasks: the other tasks that may call the driver, None for nobody.
    """

    tasks: Tasks | None

    @property
    def driven(self) -> tuple[str, ...]:
        """The devices that a driver is given; others cannot be reached."""

    @property
    def far_ends(self) -> Mapping[str, FarEnd]:
        """What hangs on the line of each device."""

    def begin(self, driver: type) -> None:
        """Construct the driver."""

    def take(self, step: Step, *, last: bool) -> None:
        """Play a step; `last` says that it closes the device for good."""

    def play(self, driver: type) -> None:
        """Construct the driver and play all steps."""

    def judge(self, outcome: Outcome) -> None:
        """Enter how the contract fared, and what was counted."""

    def results(self) -> list[object]:
        """Return what the driver's user got, as far as it tells behaviours apart."""
