"""The processor as it is given to drivers of devices behind an interrupt controller.

The one idea: a driver connects its handler to the number of its interrupt and need not know where
that comes from; whoever hands out the processor knows who drives the controller, and hands handlers
of sources on to it, as an operating system does. Everything else is the processor itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol, cast

from emu.kernel.cpu import Cpu
from emu.kernel.interrupts import Handler, InterruptLine
from emu.kernel.sources import source_of

__all__ = ["routed"]


class _Dispatcher(Protocol):
    """What is needed of the driver of a controller, see `emu.DispatchDriver`."""

    def attach(self, source: int, handler: Callable[[], None], priority: int = 1) -> None:
        """Call `handler` whenever a source is asserted."""

    def detach(self, source: int) -> None:
        """Let a source through no more, and forget its handler."""


def routed(cpu: Cpu, dispatchers: Mapping[str, _Dispatcher], *, priority: int = 1) -> Cpu:
    """Return the processor for drivers of devices that are wired to an interrupt controller.

    Their ``connect`` and ``disconnect`` become ``attach`` and ``detach`` of the driver of the
    controller, which must be open by then. Lines of the processor itself are connected as ever.

    Args:
        cpu: the processor, or what stands in for it.
        dispatchers: the driver of each controller, by name of the controller.
        priority: of the sources that are connected by way of what is returned.
    """
    return cast("Cpu", _RoutedCpu(cpu, dispatchers, priority))


class _RoutedCpu:
    """Stand in for the processor: handlers of sources go to the driver of their controller."""

    def __init__(self, cpu: Cpu, dispatchers: Mapping[str, _Dispatcher], priority: int) -> None:
        self._cpu = cpu
        self._dispatchers = dispatchers
        self._priority = priority

    __class__ = Cpu  # type: ignore[assignment]  # what a driver that asks is to see

    def connect(self, irq: int, handler: Handler) -> None:
        """Let `handler` serve an interrupt from now on; see `Cpu.connect`."""
        line = self._cpu.interrupts.line(irq)
        dispatcher = self._dispatchers.get(line.through)
        if dispatcher is None:
            self._cpu.connect(irq, handler)
            return
        line.check(handler)
        line.handlers = [handler]  # which may run, and be disconnected, before attach returns
        self._cpu.note_connected(line, connected=True)
        try:
            dispatcher.attach(source_of(irq), _counted(line, handler), self._priority)
        except BaseException:
            line.handlers = []
            raise

    def disconnect(self, irq: int, handler: Handler | None = None) -> None:
        """Take the handler off an interrupt; see `Cpu.disconnect`."""
        line = self._cpu.interrupts.line(irq)
        dispatcher = self._dispatchers.get(line.through)
        if dispatcher is None:
            self._cpu.disconnect(irq, handler)
            return
        line.leaving(handler)
        dispatcher.detach(source_of(irq))
        line.handlers = []
        self._cpu.note_connected(line, connected=False)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the real one has
        return getattr(self._cpu, name)


def _counted(line: InterruptLine, handler: Handler) -> Callable[[], None]:
    """Return a handler whose calls are counted as deliveries of its line."""

    def serve() -> None:
        line.deliveries += 1
        handler()

    return serve
