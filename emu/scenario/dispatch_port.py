"""An interrupt controller with its driver: what the sources ask for, and which handlers are called.

The one idea: nobody asks how the controller is used. A source that is up and let through must have
its handler called soon, and a handler must not be called for nothing; what was completed too early,
or in vain, leads to the line.
"""

from __future__ import annotations

from emu.devices.interrupt_controller import SOURCES, InterruptController
from emu.kernel.callers import Stack, asking_place, driver_stack, meeting
from emu.kernel.clock import PS_PER_S
from emu.kernel.device import WritePort
from emu.kernel.interrupts import InterruptLine
from emu.kernel.sources import source_of
from emu.kernel.where import Place
from emu.scenario.device_port import COMMON_PROMISES, DevicePort, Held
from emu.scenario.difference import times as often
from emu.scenario.guarded import MS_PS
from emu.scenario.model import Step
from emu.scenario.source_line import Relayed, SourceLine
from emu.units import show_duration

__all__ = ["DISPATCH_PROMISES", "DispatchPort"]

DISPATCH_PROMISES = {
    "delivered": "the handler of a source that is asserted and let through is called soon",
    "once": "no handler is called for a source that asks for nothing",
    "order": "of two that come at once the one with the higher priority is served first",
    "masked": "no handler is called while its source is masked, or after it was detached",
    **COMMON_PROMISES,
}
_LATE_PS = MS_PS // 10  # how much later than the source a handler may be called
_NOWHERE: Place = ("", 0)


class DispatchPort(DevicePort):
    """Call the driver of one interrupt controller."""

    PROMISES = DISPATCH_PROMISES

    def set_up(self) -> None:
        """Put a device on every source that has none, and watch what is completed."""
        assert isinstance(self.device, InterruptController)
        self._controller = self.device
        cpu, clock = self._bench.board.cpu, self._bench.board.clock
        lines = cpu.interrupts.lines.values()
        wired = {source_of(one.number): one for one in lines if one.through == self.device.name}
        self._relayed = {
            one.number: Relayed(number, one, self.device.signals[f"source{number}"], clock)
            for number, one in wired.items()
        }
        cpu.on_connect.append(self._note_connected)
        self._lines = {
            number: SourceLine(number, self.device.signals[f"source{number}"], cpu, clock)
            for number in range(1, SOURCES + 1)
            if number not in wired
        }
        self._held = self._relayed_held = Held()
        self._race: tuple[int, ...] = ()  # sources that came at once and were not served yet
        self._called: dict[int, int] = {}  # how often each had been called when it was claimed
        self._early: dict[int, Stack] = {}  # how it was completed before its handler had run
        self._vain: dict[int, Place] = {}  # where its completion was ignored
        self._history: list[int] = []
        for line in self._lines.values():
            line.on_call = self._note_call
            line.mask = self._mask_now
        self.players |= {
            "attach": self._attach, "detach": self._detach, "mask": self._mask,
            "unmask": self._unmask, "assert": self._assert, "serve": self._serve,
        }  # fmt: skip
        port = self._controller.ports["CLAIM0"]
        port.wrap_write(self._noting_completion)
        self._controller.on_claim.append(self._note_claim)

    # what the driver does

    def _mask_now(self, number: int) -> None:
        self._driver.mask(number)

    def _note_connected(self, line: InterruptLine, on: bool) -> None:
        """Let a source begin to wait when its handler is connected, which may be while it is up."""
        if on and line.number in self._relayed:
            self._relayed[line.number].connected()

    def _note_claim(self, source: int) -> None:
        if source in self._lines:
            self._called[source] = self._lines[source].calls

    def _noting_completion(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            line = self._lines.get(value)
            if line is not None and value in self._called:
                if not self._controller.peek("ENABLE0") >> value & 1:
                    self._vain.setdefault(value, asking_place())
                else:
                    self._vain.pop(value, None)
                    if line.calls == self._called[value] and line.up_ps is not None:
                        self._early[value] = driver_stack()
            write(value)

        return writing

    def _note_call(self, line: SourceLine) -> None:
        """Judge that a handler was called."""
        self._history.append(line.number)
        self._judge_order(line)
        if not line.priority or line.masked:
            self.breach("masked", f"the handler of source {line.number} was called all the same")
        if line.up_ps is None:
            if line.spare:
                line.spare -= 1
                return
            detail = f"the handler of source {line.number} was called, which asks for nothing"
            self.breach("once", detail, *self._too_early(line.number))

    def _too_early(self, source: int) -> tuple[str, Place]:
        """Return the rule and the line at which a source was completed before it was served."""
        met = meeting(self._early.get(source, ()), driver_stack())
        return ("completed-too-early", met[0]) if met else ("", _NOWHERE)

    def _judge_order(self, line: SourceLine) -> None:
        if line.number in self._race:
            others = [self._lines[one] for one in self._race if one != line.number]
            higher = [one.number for one in others if one.priority > line.priority]
            if higher:
                detail = f"source {line.number} was served before {higher[0]}, which matters more"
                self.breach("order", detail)
            self._race = tuple(one for one in self._race if one != line.number)

    # steps

    def opened(self) -> None:
        """Begin anew: no source is attached."""
        for line in self._lines.values():
            line.priority, line.masked = 0, False
        self._called.clear()
        self._race = ()

    def _line(self, number: int) -> SourceLine:
        return self._lines[number]

    def _attach(self, step: Step) -> str:
        line, priority = self._line(step.values["attach"]), step.values.get("priority", 1)
        line.deferred = step.values.get("deferred", False)
        line.priority, line.masked = priority, False
        self.call("attach", line.number, line.handle, priority)
        return f"source {line.number} with priority {priority}"

    def _detach(self, step: Step) -> str:
        line = self._line(step.values["detach"])
        self.call("detach", line.number)
        line.priority = 0
        line.spare += line.up_ps is not None
        line.serve()
        return f"source {line.number}"

    def _mask(self, step: Step) -> str:
        line = self._line(step.values["mask"])
        self.call("mask", line.number)
        line.masked = True
        return f"source {line.number}"

    def _unmask(self, step: Step) -> str:
        self._let_through(self._line(step.values["unmask"]))
        return f"source {step.values['unmask']}"

    def _let_through(self, line: SourceLine) -> None:
        line.masked = False
        if line.up_ps is not None:
            line.up_ps = self._clock.now_ps  # from now on it can be served
        self.call("unmask", line.number)

    def _assert(self, step: Step) -> str:
        """Let sources ask for attention, once or several times, while time passes."""
        asked = step.values
        numbers, times, gap_ps = asked["assert"], asked.get("times", 1), asked.get("gap", MS_PS)
        for turn in range(times):
            at_ps = self._clock.now_ps + asked.get("after", 0) + turn * gap_ps
            self._clock.schedule(at_ps, lambda: self._come(numbers))
        if "after" not in asked:
            self._board.cpu.sleep(((times - 1) * gap_ps + 2 * _LATE_PS) / PS_PER_S)
            self._look_for_forgotten()
        return f"{', '.join(map(str, numbers))}, {often(times)}"

    def _come(self, numbers: tuple[int, ...]) -> None:
        lines = [self._line(one) for one in numbers]
        free = all(one.priority and not one.masked and one.up_ps is None for one in lines)
        idle = not self._board.cpu.depth and not self._board.cpu.masked
        self._race = numbers if free and idle and len(numbers) > 1 else ()
        for line in lines:
            line.assert_now()

    def _serve(self, _step: Step) -> str:
        """Let main code serve what was deferred."""
        served = [one for one in self._lines.values() if one.deferred and one.masked]
        for line in served:
            line.spare += line.up_ps is not None  # its next request may be on its way already
            line.serve()
            self._let_through(line)
        return f"{len(served)} of them"

    def _wait(self, step: Step) -> str:
        text = super()._wait(step)
        self._look_for_forgotten()
        return text

    def _look_for_forgotten(self) -> None:
        """Judge sources that have waited for long."""
        held, self._held = self._held, self.held()
        late_ps = _LATE_PS + self.held_up_ps(held)
        for line in self._lines.values():
            if line.up_ps is None or not line.priority or line.masked:
                continue
            waiting_ps = self._clock.now_ps - line.up_ps
            if waiting_ps > late_ps:
                place = self._vain.get(line.number, _NOWHERE)
                detail = f"source {line.number} has waited for {show_duration(waiting_ps)}"
                self.breach("delivered", detail, "completed-in-vain" if place[1] else "", place)

    def look_after_others(self) -> None:
        """Judge what other drivers' devices wait for, now that main code is between two steps.

        Their handlers have been called by now, however long main code was masked before.
        """
        cpu = self._board.cpu
        if not self.is_open or cpu.masked or cpu.depth:
            return
        held, self._relayed_held = self._relayed_held, self.held()
        late_ps = _LATE_PS + self.held_up_ps(held)
        for one in self._relayed.values():
            waiting_ps = one.waiting_ps
            if waiting_ps > late_ps:
                detail = f"{one} has waited for {show_duration(waiting_ps)}"
                self.breach("delivered", detail)

    def finish(self) -> None:
        """Look once more, and let every source rest."""
        self._board.cpu.sleep(2 * _LATE_PS / PS_PER_S)
        self._look_for_forgotten()
        for line in self._lines.values():
            line.serve()
            line.spare += 1

    def results(self) -> list[object]:
        """Return who was called, in order."""
        return list(self._history)

    def stirring(self) -> list[str]:
        """Say what may still come after ``close``."""
        return (
            ["a source is still let through"] if self._controller.signals["context0"].level else []
        )
