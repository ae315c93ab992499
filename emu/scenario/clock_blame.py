"""Which lines touched a clock gate in which call, and who changed a block before.

The one idea: what a write does to a block that nobody meant is a race if another call has changed
that block since the call of the write began, and carelessness if none has.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

from emu.devices.clock_gate import ClockGate
from emu.kernel.callers import asking_place
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import Place

__all__ = ["ClockBlame"]

_NOWHERE: Place = ("", 0)


class ClockBlame:
    """Follow the accesses of a driver of one clock gate.

    Args:
        gate: the gate, before it is driven.
    """

    def __init__(self, gate: ClockGate) -> None:
        self.register = ""  # written last
        self.place: Place = _NOWHERE  # where
        self._calls = self._call = self._ended = 0  # made; under way; that ended last
        self._last: dict[int, Place] = {}  # the last access, by call
        self._changed: dict[int, int] = {}  # the call that changed a block last, by block
        for name in ("CLOCK", "RELEASE", "READY"):
            gate.ports[name].wrap_read(self._noting_read)
        for name in ("CLOCK", "RELEASE"):
            gate.ports[name].wrap_write(partial(self._noting_write, name))

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

    def last(self) -> Place:
        """Return where the call that ended last touched the gate last, no place if it did not."""
        return self._last.get(self._ended, _NOWHERE)

    def _noting_read(self, read: ReadPort) -> ReadPort:
        def reading() -> int:
            self._last[self._call] = asking_place()
            return read()

        return reading

    def _noting_write(self, name: str, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            self.register, self.place = name, asking_place()
            self._last[self._call] = self.place
            write(value)

        return writing
