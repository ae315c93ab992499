"""Which lines touched a clock gate in which call, and who changed a block before.

The one idea: what a write does to a block that nobody meant is a race if another call has changed
that block since the call of the write began, and carelessness if none has.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

from emu.devices.clock_gate import ClockGate
from emu.kernel.callers import Stack, asking_place, driver_stack
from emu.kernel.cpu import Cpu
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import Place

__all__ = ["ClockBlame"]

_NOWHERE: Place = ("", 0)


class ClockBlame:
    """Follow the accesses of a driver of one clock gate.

    Args:
        gate: the gate, before it is driven.
        cpu: the processor.
    """

    def __init__(self, gate: ClockGate, cpu: Cpu) -> None:
        self.register = ""  # written last
        self.place: Place = _NOWHERE  # where
        self._calls = self._call = self._ended = 0  # made; under way; that ended last
        self._last: dict[
            int, Stack
        ] = {}  # by which functions it was last touched, or looked after, by call
        self._looked: dict[int, Place] = {}  # where READY was read last, by call
        self._changed: dict[int, int] = {}  # the call that changed a block last, by block
        for name in ("CLOCK", "RELEASE", "READY"):
            gate.ports[name].wrap_read(partial(self._noting_read, name))
        for name in ("CLOCK", "RELEASE"):
            gate.ports[name].wrap_write(partial(self._noting_write, name))
        cpu.on_mask.append(self._note)
        cpu.on_unmask.append(self._note)

    @contextmanager
    def asking(self) -> Iterator[None]:
        """Make a call."""
        outer, self._calls = self._call, self._calls + 1
        self._call = self._calls
        try:
            yield
        finally:
            self._ended, self._call = self._call, outer

    def note_change(self, block: int) -> None:
        """Note that the write under way changed a block."""
        self._changed[block] = self._call

    def disturbed(self, block: int) -> tuple[str, Place]:
        """Return rule and place of the write under way, which changes a block that nobody meant."""
        raced = self._changed.get(block, 0) > self._call
        return "gate-rmw-race" if raced else "gate-overwritten", self.place

    def under_way(self) -> Place:
        """Return the line of the call under way that led to its last access."""
        return _outermost(self._last.get(self._call, ()))

    def last(self) -> Place:
        """Return the line of the call that ended last that led to its last access."""
        return _outermost(self._last.get(self._ended, ()))

    def looking(self) -> Place:
        """Return where the call under way has read READY last."""
        return self._looked.get(self._call, _NOWHERE)

    def looked(self) -> Place:
        """Return where the call that ended last has read READY last."""
        return self._looked.get(self._ended, _NOWHERE)

    def _note(self) -> None:
        """Note the functions that lead to an access, or to where interrupts are masked."""
        self._last[self._call] = driver_stack()

    def _noting_read(self, name: str, read: ReadPort) -> ReadPort:
        def reading() -> int:
            self._note()
            if name == "READY":
                self._looked[self._call] = asking_place()
            return read()

        return reading

    def _noting_write(self, name: str, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            self.register, self.place = name, asking_place()
            self._note()
            write(value)

        return writing


def _outermost(stack: Stack) -> Place:
    return (stack[0][0].co_filename, stack[0][1]) if stack else _NOWHERE
