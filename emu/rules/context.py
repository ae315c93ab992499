"""Who is running: a driver call or a handler, and what can be judged only when it is over.

The one idea: many an access looks wrong by itself and is right as part of a whole, such as a blind
read of the data register while a driver sets a device up again. So a rule may hold a suspicion
back until the call or handler is over, and drop it if an excuse has turned up. What never ends
normally is never judged. Accesses outside every driver call and handler, such as those of a fault
that leaves random values behind, are nobody's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from emu.kernel.cpu import Cpu
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place
from emu.rules.finding import Findings

__all__ = ["Activation", "Context", "Held"]

Excuse = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class Held:
    """Hold a suspicion back.

    Args:
        rule, message, register, place: of the finding it would be.
        excused: asked at the end of the activation; True drops the suspicion.
    """

    rule: str
    message: str
    register: str
    place: Place
    excused: Excuse


class Activation:
    """One run of a driver call or of a handler.

    Attributes:
        name: the call, ``"handler"``, or ``""`` when neither is running.
        port: the port whose driver was called.
        serial: counts activations.
        depth: handlers running, this one included.
        setting_up: whether ``open`` or ``close`` is running, or was interrupted.
        configured: it changed the settings of a device, so it may be setting it up again.
        flushed: it cleared a FIFO.
        disturbed: a bus error, all ones, or a value that was not what the driver wrote came back.
        acted: it did something that can take a cause of an interrupt away.
        identified: how often it was told which cause is pending.
        flags: kinds of line error that it was shown, for `emu.rules.lost_errors`.
        held: suspicions.
    """

    configured = False
    flushed = False
    disturbed = False
    acted = False
    identified = 0
    flags = 0

    def __init__(self, name: str, port: str, serial: int, depth: int, setting_up: bool) -> None:
        self.name = name
        self.port = port
        self.serial = serial
        self.depth = depth
        self.setting_up = setting_up
        self.held: list[Held] = []

    @property
    def troubled(self) -> bool:
        """Whether it may be recovering from something rather than at work."""
        return self.setting_up or self.configured or self.flushed or self.disturbed


class Context:
    """Keep the stack of activations of a board.

    Args:
        cpu: the processor.
        findings: where findings go.

    Attributes:
        on_exit: called with activation and line when a handler has returned, before suspicions
            are judged.
        on_left_masked: called before that if the handler has returned with interrupts masked.
        on_flagged: called after that with its activation if it was shown line errors.
    """

    def __init__(self, cpu: Cpu, findings: Findings) -> None:
        self.findings = findings
        self._cpu = cpu
        self._serial = 0
        self._stack = [Activation("", "", 0, 0, False)]
        self._spare: Activation | None = None
        self.on_exit: list[Callable[[Activation, InterruptLine], None]] = []
        self.on_left_masked: list[Callable[[], None]] = []
        self.on_flagged: list[Callable[[Activation], None]] = []
        cpu.on_enter.append(self._enter)
        cpu.on_exit.append(self._leave)

    @property
    def serial(self) -> int:
        """The number of the latest activation."""
        return self._serial

    def here(self) -> Activation:
        """Return the activation that is running; one that an exception has ended is not."""
        stack = self._stack
        depth = self._cpu.depth
        while stack[-1].depth > depth:
            stack.pop()
        return stack[-1]

    @property
    def nobody(self) -> bool:
        """Whether neither a driver call nor a handler is running."""
        return not self.here().name

    def call_begins(self, name: str, port: str) -> None:
        """Note that the driver of `port` is called."""
        self.here()
        self._serial = serial = self._serial + 1
        setting_up = name in ("__init__", "open", "close")
        self._stack.append(Activation(name, port, serial, self._cpu.depth, setting_up))

    def call_ends(self, name: str, port: str) -> Activation | None:
        """Note that a call has returned, and judge what was held back.

        Returns:
            Its activation; None when it was never begun, or is cut off by the end of the run or a
            reset of the board, which proves nothing.
        """
        self.here()
        stack = self._stack
        for index in range(len(stack) - 1, 0, -1):
            if stack[index].name == name and stack[index].port == port:
                ended = stack[index]
                del stack[index:]
                if self._cpu.ended is not None:
                    return None
                self._judge(ended)
                return ended
        return None

    def finish(self) -> None:
        """Drop whatever never ended."""
        del self._stack[1:]

    def hold(
        self,
        rule: str,
        message: str,
        *,
        register: str = "",
        place: Place | None = None,
        excused: Excuse = lambda: False,
    ) -> None:
        """Hold a suspicion back to the activation's end.

        It is about the access that is being made, unless a place is given.
        """
        held = Held(rule, message, register, place or driver_place(), excused)
        self.here().held.append(held)

    def _enter(self, _line: InterruptLine) -> None:
        stack = self._stack
        depth = self._cpu.depth
        while stack[-1].depth >= depth:  # a handler that an exception has ended
            stack.pop()
        self._serial = serial = self._serial + 1
        spare, setting_up = self._spare, stack[-1].setting_up
        if spare is None:
            stack.append(Activation("handler", "", serial, depth, setting_up))
            return
        self._spare = None
        spare.serial, spare.depth, spare.setting_up = serial, depth, setting_up
        spare.acted, spare.identified = False, 0
        stack.append(spare)

    def _leave(self, line: InterruptLine) -> None:
        ended = self._stack[-1]
        if ended.depth != self._cpu.depth or ended.name != "handler":
            ended = self.here()
            if ended.name != "handler":
                return
        if self._cpu.own_masks:
            for ends in self.on_left_masked:
                ends()
        for observer in self.on_exit:
            observer(ended, line)
        if ended.flags:
            for settle in self.on_flagged:
                settle(ended)
        self._stack.pop()
        if ended.held:
            self._judge(ended)
        elif not (ended.flags or ended.configured or ended.flushed or ended.disturbed):
            self._spare = ended  # nobody remembers it, so it can serve again

    def _judge(self, ended: Activation) -> None:
        for one in ended.held:
            if not one.excused():
                self.findings.report(one.rule, one.message, register=one.register, place=one.place)
