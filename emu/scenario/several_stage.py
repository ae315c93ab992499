"""The stage of several drivers on one board: a stage for each, and the steps of all in their order.

The one idea: each driver has a port and a contract of its own, as if it ran alone; main code is
asked for one step after the other, and handlers of all run whenever they come. Devices behind an
interrupt controller get their handlers by its driver, if that runs too. What a driver loses to the
handlers of others is not held against it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from functools import partial

from emu.devices.dispatch_driver import DispatchDriver
from emu.kernel.bus import Window
from emu.kernel.cpu import Cpu
from emu.kernel.interrupts import Handler, InterruptLine
from emu.kernel.routed import routed
from emu.line.far_end import FarEnd
from emu.scenario.device_port import HARMLESS
from emu.scenario.device_stage import DeviceStage
from emu.scenario.dispatch_port import DispatchPort
from emu.scenario.driver_set import DriverSet
from emu.scenario.model import Step
from emu.scenario.outcome import Measures, Outcome
from emu.scenario.parts import controllers_beyond, opening_order, parts_of
from emu.scenario.promise import Promise
from emu.scenario.serial_stage import SerialStage
from emu.scenario.stage import Bench, Stage, Tasks
from emu.scenario.step_shapes import COMMON_STEPS
from emu.scenario.trade import trade_of
from emu.scenario.whole_steps import last_close, whole_steps

__all__ = ["SeveralStage"]

_COUNTED = tuple(one.name for one in fields(Measures) if one.name.startswith("bytes_"))


class SeveralStage:
    """Play the steps of several drivers.

    Args:
        bench: what they stand on.

    Attributes:
        tasks: None: no other task calls one of the drivers.
    """

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.tasks: Tasks | None = None
        self._order = opening_order(bench.scenario)
        self._benches: dict[str, Bench] = {}
        self._stages: dict[str, Stage] = {}
        self._dispatchers: dict[str, DispatchDriver] = {}
        self._dispatch_ports: dict[str, DispatchPort] = {}
        for part in parts_of(bench.scenario):
            trade = trade_of(part.board, part.port)
            own = self._benches[part.port] = Bench(
                part, bench.board, bench.findings, trade.methods, bench.detailed, shared=True,
                notes=bench.notes,
            )  # fmt: skip
            own.hand_out = self._hand_out
            own.troubled = partial(self._troubled, part.port)
            self._stages[part.port] = trade.stage(own)

    def _hand_out(self, name: str) -> tuple[Window, Cpu]:
        """Return what a driver is given, its handlers handed on to the drivers of controllers."""
        window, cpu = self.bench.hand_out(name)
        return window, routed(cpu, self._dispatchers)

    @property
    def driven(self) -> tuple[str, ...]:
        """The devices that any of the drivers is given."""
        names = (name for stage in self._stages.values() for name in stage.driven)
        return tuple(dict.fromkeys(names))

    @property
    def far_ends(self) -> Mapping[str, FarEnd]:
        """What hangs on the lines of all."""
        stages = self._stages.values()
        return {name: one for stage in stages for name, one in stage.far_ends.items()}

    # playing

    def begin(self, driver: type) -> None:
        """Construct all drivers, those of interrupt controllers first."""
        assert issubclass(driver, DriverSet)
        for name in self._order:
            own, stage = self._benches[name], self._stages[name]
            own.armed, own.rules = self.bench.armed, self.bench.rules
            stage.begin(driver.members[name])
            if isinstance(stage, DeviceStage) and isinstance(stage.port, DispatchPort):
                self._dispatch_ports[name] = stage.port
                self._dispatchers[name] = stage.port.driver

    def _driver_of(self, name: str) -> object:
        """Return the driver of a device, None for one that has none."""
        stage = self._stages.get(name)
        if isinstance(stage, DeviceStage) and stage.port is not None:
            return stage.port.driver
        return stage.ports[name].driver if isinstance(stage, SerialStage) else None

    def _blamed(self, line: InterruptLine) -> Handler | None:
        """Return the handler that leaves a line asserted: that of a device which asks.

        Where its driver has let go of the line, that is to blame; it shows where it closes.
        """
        board = self.bench.board
        for device in board.asking(line.number):
            own = board.cpu.interrupts.lines[board.window(device.name).irq]
            driver = self._driver_of(device.name)
            for handler in own.handlers:
                bound = getattr(handler, "__self__", None)
                if own.through or (bound is driver and driver is not None):
                    return handler
            if driver is not None and all(hasattr(one, "__self__") for one in own.handlers):
                found: Handler | None = getattr(driver, "close", None)
                return found
        return line.handlers[0] if len(line.handlers) == 1 else None

    def take(self, step: Step, *, last: bool) -> None:
        """Play a step of the driver that it names, and note whose it was."""
        notes, before = self.bench.notes, len(self.bench.notes)
        try:
            self._stages[step.by or self.bench.scenario.port].take(replace(step, by=""), last=last)
        finally:
            for note in notes[before:]:
                note.by = step.by
        for port in self._dispatch_ports.values():
            port.look_after_others()

    def play(self, driver: type) -> None:
        """Construct all drivers, and play all steps."""
        self.begin(driver)
        self.bench.board.cpu.storms.handler = self._blamed
        self.bench.armed.before_open()
        steps = self._steps()
        lasts = {last_close(steps, name) for name in self._order}
        for number, step in enumerate(steps):
            self.take(step, last=number in lasts)

    def _steps(self) -> list[Step]:
        """Return all steps, each with the name of its device unless it asks nothing of one.

        What is not opened by a step is opened at the beginning, and closed at the end in reverse.
        """
        scenario = self.bench.scenario
        steps = whole_steps(scenario, tuple(reversed(self._order)))
        return [
            step if step.by or step.action in COMMON_STEPS else replace(step, by=scenario.port)
            for step in steps
        ]

    # judging

    def judge(self, outcome: Outcome) -> None:
        """Enter how each contract fared, under the name of the device."""
        for name, stage in self._stages.items():
            own = Outcome("", "", "", 0, ended=outcome.ended)
            stage.judge(own)
            why = self._troubled(name)
            outcome.promises += [
                replace(self._judged(one, why), promise=f"{name}.{one.promise}")
                for one in own.promises
            ]
            outcome.errors |= {f"{name}.{key}": count for key, count in own.errors.items()}
            outcome.flagged |= {f"{name}.{key}": count for key, count in own.flagged.items()}
            for counted in _COUNTED:
                more = getattr(own.measures, counted)
                setattr(outcome.measures, counted, getattr(outcome.measures, counted) + more)
            outcome.measures.overruns += own.measures.overruns

    def _judged(self, promise: Promise, why: str) -> Promise:
        """Return how a promise fared; it is waived where there is another reason why it broke."""
        if promise.kept or not why:
            return promise
        return replace(promise, kept=True, waived=True, detail=f"{why}: {promise.detail}")

    def _troubled(self, name: str) -> str:
        """Say why interrupts of a device may not be delivered, ``""`` if they are.

        That is so if a fault is at a controller on their way, if a bus error that a fault made came
        out of a handler there, or if the driver of the controller is at fault.
        """
        faults = [one for one in self.bench.armed.faults if one.injected]
        for controller in controllers_beyond(self.bench.scenario.board, name):
            port = self._dispatch_ports.get(controller)
            if port is None:
                continue
            if any(one.concerns(controller) and one.spec.kind not in HARMLESS for one in faults):
                return f"a fault is at {controller}, by way of which {name} interrupts"
            if self.bench.bus_error_injected():
                return f"a bus error may have come out of a handler by way of {controller}"
            port.look_after_others()
            if not all(one.kept for one in port.told()):
                return f"the driver of {controller} does not deliver what {name} asks for"
        return ""

    def results(self) -> list[object]:
        """Return what the users of all got."""
        return [one for stage in self._stages.values() for one in stage.results()]
