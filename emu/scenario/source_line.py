"""A device that asks for attention, as an interrupt controller's driver meets it.

The one idea: a source is up from its event until it is served, and knows who was called meanwhile.
A prompt one is served by its handler; a deferred one only masks itself there, and is served later
by main code.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.kernel.clock import Clock
from emu.kernel.cpu import Cpu
from emu.kernel.interrupts import InterruptLine
from emu.kernel.signal import Signal

__all__ = ["Relayed", "SourceLine"]

_SERVING_CYCLES = 40


class SourceLine:
    """Assert one source of a controller.

    Args:
        number: of the source.
        wire: what it drives.
        cpu: what its handler runs on.
        clock: the clock of the board.

    Attributes:
        priority: what it was attached with, 0 while it is not.
        deferred: whether its handler leaves it asserted and masks it.
        masked: whether the driver was asked to mask it.
        up_ps: since when it has been asserted, None while it is not.
        calls, events: how often its handler was called, and how often it was asserted.
        spare: calls that it may get though it is down: its request was on its way already.
        on_call: told of each call before anything is done.
    """

    def __init__(self, number: int, wire: Signal, cpu: Cpu, clock: Clock) -> None:
        self.number = number
        self.priority = 0
        self.deferred = self.masked = False
        self.up_ps: int | None = None
        self.calls = self.events = self.spare = 0
        self.on_call: Callable[[SourceLine], None] = lambda _line: None
        self.mask: Callable[[int], None] = lambda _number: None
        self._wire = wire
        self._cpu = cpu
        self._clock = clock

    def assert_now(self) -> None:
        """Ask for attention, unless it does already."""
        self.events += 1
        if self.up_ps is None:
            self.up_ps = self._clock.now_ps
            self._wire.set(1)

    def serve(self) -> None:
        """Take what it asked for, so that it asks no more."""
        self.up_ps = None
        self._wire.set(0)

    def handle(self) -> None:
        """Be the handler that the driver calls."""
        self.calls += 1
        self.on_call(self)
        self._cpu.work(_SERVING_CYCLES)
        if self.up_ps is None:
            return
        if self.deferred:
            self.masked = True
            self.mask(self.number)
        else:
            self.serve()


class Relayed:
    """Follow the source of a device that has a driver of its own.

    Args:
        number: of the source.
        line: what leads there.
        wire: the source itself.
        clock: the clock of the board.
    """

    def __init__(self, number: int, line: InterruptLine, wire: Signal, clock: Clock) -> None:
        self._number = number
        self._line = line
        self._wire = wire
        self._clock = clock
        self._since_ps = 0
        wire.watch(self._follow)

    def __str__(self) -> str:
        return f"source {self._number}, {self._line.name},"

    @property
    def waiting_ps(self) -> int:
        """How long it has been up with a handler connected, 0 while it is not."""
        asking = self._wire.level and self._line.handlers
        return self._clock.now_ps - self._since_ps if asking else 0

    def connected(self) -> None:
        """Note that a handler was connected."""
        self._since_ps = self._clock.now_ps

    def _follow(self, level: int) -> None:
        if level:
            self._since_ps = self._clock.now_ps
