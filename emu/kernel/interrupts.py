"""Interrupt lines at the processor: pending, priority, trigger, moderation.

A line is *pending* when its wire is high (level) or has risen since it was last served (edge), or
when software raised it. It is *wanted* when somebody is connected and its priority is above what
the processor is serving. Nothing here runs a handler; `emu.kernel.cpu` asks for the best line and
serves it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from emu.errors import AccessError, DeclarationError
from emu.kernel.clock import Clock
from emu.kernel.signal import Signal

__all__ = ["Handler", "InterruptLine", "Interrupts"]

Handler = Callable[[], object]


class InterruptLine:
    """One numbered input of the processor.

    Attributes:
        number: what drivers call it.
        name: the wire or purpose, for messages.
        edge: whether a rising edge is latched; otherwise the level counts.
        priority: higher is served first and may nest into lower.
        shared: whether several handlers may be connected.
        asserted: level of the wire as the line sees it.
        latched: a remembered edge, or a software or spurious interrupt not yet served.
        moderation_ps: least time between two deliveries.
        not_before_ps: earliest next delivery under moderation.
        deliveries: how often a handler was entered.
        through: name of the controller that it leads to, ``""`` for the processor itself.
    """

    __slots__ = (
        "_changed", "asserted", "deliveries", "edge", "handlers", "latched", "moderation_ps",
        "name", "not_before_ps", "number", "priority", "shared", "take", "through",
    )  # fmt: skip

    def __init__(
        self,
        number: int,
        name: str,
        changed: Callable[[InterruptLine], None],
        *,
        edge: bool,
        priority: int,
        shared: bool,
        moderation_ps: int,
    ) -> None:
        self.number = number
        self.name = name
        self.edge = edge
        self.priority = priority
        self.shared = shared
        self.handlers: list[Handler] = []
        self.asserted = 0
        self.latched = False
        self.moderation_ps = moderation_ps
        self.not_before_ps = 0
        self.deliveries = 0
        self.through = ""
        self._changed = changed
        self.take: Callable[[int], None] = self.input  # faults put themselves in front

    @property
    def pending(self) -> bool:
        """Whether the line asks for service, connected or not."""
        return self.latched or (bool(self.asserted) and not self.edge)

    def input(self, level: int) -> None:
        """Follow the wire."""
        if level and not self.asserted and self.edge:
            self.latched = True
        self.asserted = level
        self._changed(self)

    def wire(self, level: int) -> None:
        """Hand a change of the wire to whoever stands in front of the line."""
        self.take(level)

    def check(self, handler: Handler) -> None:
        """Refuse what cannot be connected.

        Raises:
            AccessError: it cannot be called, or there is a handler and the line is not shared.
        """
        if not callable(handler):
            raise AccessError(
                f"handler {handler!r} ({type(handler).__name__}) cannot be called",
                where="cpu.connect",
                allowed="a function or bound method without arguments",
            )
        if self.handlers and not self.shared:
            raise AccessError(
                f"interrupt line {self.number} has a handler already",
                where="cpu.connect",
                fix="disconnect it first, or declare the line shared in the board",
            )

    def check_reached(self) -> None:
        """Refuse what comes by way of a controller, which has a driver of its own.

        Raises:
            AccessError: it does.
        """
        if self.through:
            raise AccessError(
                f"interrupt {self.number} ({self.name}) comes through {self.through}",
                where="cpu.connect",
                fix=f"give its driver emu.routed(cpu, {{{self.through!r}: its driver}})",
            )

    def leaving(self, handler: Handler | None) -> Handler:
        """Return the handler that is taken off, None standing for the only one.

        Raises:
            AccessError: it is not connected, or none is named and there are several.
        """
        where = "cpu.disconnect"
        if not self.handlers or handler not in (None, *self.handlers):
            raise AccessError(f"interrupt line {self.number} has no such handler", where=where)
        if handler is None and len(self.handlers) > 1:
            count, fix = len(self.handlers), "name the one to take off"
            raise AccessError(
                f"interrupt line {self.number} has {count} handlers", where=where, fix=fix
            )
        return self.handlers[-1] if handler is None else handler

    def latch(self) -> None:
        """Ask for one delivery whatever the wire does: a software or spurious interrupt."""
        self.latched = True
        self._changed(self)


class Interrupts:
    """Hold the lines of a processor.

    Attributes:
        best: the connected pending line to serve next, whatever the mask; None when there is none.
    """

    def __init__(self, clock: Clock, changed: Callable[[], None]) -> None:
        self._clock = clock
        self._tell = changed
        self.lines: dict[int, InterruptLine] = {}
        self._asking: dict[int, InterruptLine] = {}
        self.best: InterruptLine | None = None

    def add(
        self,
        number: int,
        signals: Iterable[Signal] = (),
        *,
        name: str = "",
        edge: bool = False,
        priority: int = 1,
        shared: bool = False,
        moderation_ps: int = 0,
    ) -> InterruptLine:
        """Declare line `number`, driven by `signals` (any of them high makes it high).

        Raises:
            DeclarationError: the number is taken, or several wires meet on a line not shared.
        """
        wires = list(signals)
        if number in self.lines:
            raise DeclarationError(
                f"interrupt {number} is declared twice", where=name or f"irq {number}"
            )
        if len(wires) > 1 and not shared:
            raise DeclarationError(
                f"interrupt {number} is claimed by {', '.join(wire.name for wire in wires)}",
                where=f"irq {number}",
                fix="declare the line shared, or give each device a number of its own",
            )
        line = InterruptLine(
            number, name or (wires[0].name if wires else f"irq{number}"), self.update,
            edge=edge, priority=priority, shared=shared, moderation_ps=moderation_ps,
        )  # fmt: skip
        line.asserted = int(any(wire.level for wire in wires))
        watcher = line.wire if len(wires) == 1 else _or_of(wires, line)
        for wire in wires:
            wire.watch(watcher)
        self.lines[number] = line
        return line

    def lead(self, number: int, wire: Signal, source: Signal, through: str) -> None:
        """Declare line `number` that leads `wire` to a source of a controller, by name `through`.

        It is driven as the others are, so that faults can stand in front of it; a latch of it is a
        pulse at the source.
        """

        def drive(line: InterruptLine) -> None:
            if line.latched:
                line.latched = False
                source.set(1)
            source.set(line.asserted)

        line = InterruptLine(
            number, wire.name, drive, edge=False, priority=0, shared=False, moderation_ps=0
        )
        line.through = through
        self.lines[number] = line
        wire.watch(line.wire)
        line.input(wire.level)

    def line(self, number: int) -> InterruptLine:
        """Return line `number`.

        Raises:
            AccessError: the board has no such line.
        """
        if number not in self.lines:
            raise AccessError(
                f"no interrupt line {number!r} ({type(number).__name__})",
                where="cpu",
                allowed=", ".join(str(one) for one in sorted(self.lines)) or "none on this board",
                fix="io.irq is the number of a device's own line" if self.lines else "",
            )
        return self.lines[number]

    def update(self, line: InterruptLine) -> None:
        """Take note of `line`; call after anything that changes it."""
        asking = self._asking
        if (line.latched or (line.asserted and not line.edge)) and line.handlers:
            if line is not self.best:
                asking[line.number] = line
                if len(asking) == 1 and line.not_before_ps <= self._clock.now_ps:
                    self.best = line
                    self._tell()
                else:
                    self.choose()
        elif asking.pop(line.number, None) is not None:
            if asking:
                self.choose()
            else:
                self.best = None

    def choose(self) -> None:
        """Find the best line again among those that ask; of equal priority the lowest number."""
        best: InterruptLine | None = None
        if self._asking:
            now_ps = self._clock.now_ps
            for line in self._asking.values():
                if line.not_before_ps <= now_ps and (
                    best is None
                    or line.priority > best.priority
                    or (line.priority == best.priority and line.number < best.number)
                ):
                    best = line
        self.best = best
        if best is not None:
            self._tell()

    def taken(self, line: InterruptLine) -> None:
        """Acknowledge `line`: its latch is cleared, moderation starts."""
        line.deliveries += 1
        if line.latched:
            line.latched = False
            self.update(line)
        if line.moderation_ps:
            line.not_before_ps = self._clock.now_ps + line.moderation_ps
            self._clock.schedule(line.not_before_ps, self.choose)
            self.choose()


def _or_of(wires: list[Signal], line: InterruptLine) -> Callable[[int], None]:
    """Return one watcher for all `wires` that gives `line` their wired-or."""
    last = line.asserted

    def follow(_level: int) -> None:
        nonlocal last
        level = int(any(wire.level for wire in wires))
        if level != last:
            last = level
            line.take(level)

    return follow
