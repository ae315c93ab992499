"""What an engine that copies does, and which accesses of its driver bring that about.

The one idea: what the engine owns is known at every moment, and each thing that a driver may get
wrong has one access that decides it; its place is kept until it is known whether anything came of
it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

from emu.devices.dma import Dma
from emu.devices.dma_map import (
    ABORT,
    BUSY,
    CHANNELS,
    CONFIG_ERROR,
    DESCRIPTOR_BYTES,
    DONE,
    ERROR,
    OWN,
    RING,
    START,
)
from emu.devices.dma_monitor import Span
from emu.kernel.board import Board
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place

__all__ = ["NOWHERE", "Begun", "CopyWatch"]

NOWHERE: Place = ("", 0)
_LOCKED = ("CONFIG", "SOURCE", "DESTINATION", "COUNT", "NEXT")
_ERROR_IRQ = 0x40


class Begun(NamedTuple):
    """What the engine began to move: from where to where, and the line that made it so.

    Args:
        source: what is read.
        destination: what is written.
        place: the write of COUNT, or where a descriptor said so the last ring of the doorbell.
    """

    source: Span
    destination: Span
    place: Place


class _Taken(NamedTuple):
    """A descriptor as the engine took it: where it lies, what it held, where the driver was."""

    address: int
    words: bytes
    place: Place


class CopyWatch:
    """Follow one engine and its driver.

    Args:
        engine: the engine, whose monitor this becomes.
        board: what it is on.
        calling: tells whether the driver is in a call.

    Attributes:
        owned: what each channel owns, while it does.
        begun: what was begun since `fresh`.
        ended_ps: when something ended last.
        failed: whether the engine met an error since `fresh`.
        impossible: where COUNT was written as 0 for a start since `fresh`.
        ignored: where a channel at work was written to since `fresh`, to no effect.
        rung_early: where the doorbell was rung for a descriptor without OWN since `fresh`.
        saw_error: where ERROR was first seen since `fresh`.
        saw_busy: where the status of a channel at work was last read or cleared, since `fresh`.
        unseen: where DONE or ERROR was cleared before any look had shown it, since `fresh`.
        counted_early: where `saw_busy` was when LEFT was read of a channel at work, since `fresh`.
        deaf: where something was begun since `fresh` that does not interrupt when it fails.
        aborting: where a channel at work was told to stop, until something is begun.
        interrupted: where main code was when the handler came last.
    """

    def __init__(self, engine: Dma, board: Board, calling: Callable[[], bool]) -> None:
        self._engine = engine
        self._board = board
        self._calling = calling
        self._line = board.cpu.interrupts.lines.get(board.window(engine.name).irq)
        self.owned: dict[int, tuple[Span, Span]] = {}
        self.ended_ps = 0
        self._counts = [NOWHERE] * CHANNELS
        self._rings = [NOWHERE] * CHANNELS
        self._following = [0] * CHANNELS  # the next descriptor of each; 0 for one without
        self._shown = [0] * CHANNELS  # what the last look at each STATUS has shown
        self.aborting = NOWHERE
        self.fresh()
        engine.monitor = self
        board.cpu.on_enter.append(self._note_handler)
        with engine.rewiring:
            for number in range(CHANNELS):
                self._wrap(number)

    def fresh(self) -> None:
        """Forget what went before: something new is asked for."""
        self.begun: list[Begun] = []
        self._taken: list[_Taken] = []
        self.failed = False
        self.impossible = self.ignored = self.rung_early = NOWHERE
        self.saw_error = self.deaf = self.unseen = self.interrupted = NOWHERE
        self.counted_early = self.saw_busy = NOWHERE

    @property
    def unheard(self) -> Place:
        """Where an error was kept from the handler, or was seen if there is no handler."""
        by_handler = self._line is not None and self._line.handlers
        return self.deaf if by_handler else self.saw_error

    @property
    def busy(self) -> bool:
        """Whether any channel is at work."""
        return any(self._engine.peek(f"STATUS{one}") & BUSY for one in range(CHANNELS))

    def taken_early(self) -> Place:
        """Return where the driver was when a descriptor was taken whose fields changed later."""
        changed = (one for one in self._taken if self._words(one.address)[4:] != one.words[4:])
        return next((one.place for one in changed), NOWHERE)

    # what the engine tells

    def began(self, channel: int, spans: tuple[Span, Span]) -> None:
        """Note that a channel begins to move items."""
        self.owned[channel] = spans
        self._shown[channel] = 0
        descriptor = self._following[channel]
        if not descriptor:
            self.begun.append(Begun(*spans, self._counts[channel]))
            return
        self._take(descriptor)
        self.begun.append(Begun(*spans, self._rings[channel]))
        self._following[channel] = self._engine.peek(f"NEXT{channel}")

    def _take(self, descriptor: int) -> None:
        """Note that the engine has taken a descriptor."""
        place = driver_place() if self._calling() else NOWHERE
        self._taken.append(_Taken(descriptor, self._words(descriptor), place))

    def moved(self, channel: int, address: int, size_bytes: int) -> None:
        """Ignore it."""

    def handed_back(self, channel: int, address: int) -> None:  # noqa: ARG002 - as it is told
        """Note a descriptor that was given back without having been begun: it made no sense."""
        if not self._taken or self._taken[-1].address != address:
            self._take(address)
            self.failed = True

    def went_round(self, channel: int) -> None:
        """Ignore it."""

    def ended(self, channel: int, how: str) -> None:
        """Note that a channel has let go."""
        self.owned.pop(channel, None)
        self.ended_ps = self._board.clock.now_ps
        self.failed |= how == "error"

    # what the driver does

    def _wrap(self, number: int) -> None:
        ports = self._engine.ports
        for name in _LOCKED:
            ports[f"{name}{number}"].wrap_write(partial(self._noting_write, name, number))
        ports[f"CONTROL{number}"].wrap_write(partial(self._noting_control, number))
        ports[f"DOORBELL{number}"].wrap_write(partial(self._noting_ring, number))
        ports[f"STATUS{number}"].wrap_read(partial(self._noting_look, number))
        ports[f"STATUS{number}"].wrap_write(partial(self._noting_clear, number))
        ports[f"LEFT{number}"].wrap_read(partial(self._noting_count, number))

    def _at_work(self, number: int) -> int:
        return self._engine.peek(f"STATUS{number}") & BUSY

    def _noting_write(self, name: str, number: int, write: WritePort) -> WritePort:
        engine = self._engine

        def writing(value: int) -> None:
            if self._at_work(number):
                if engine.peek(f"{name}{number}") != value:
                    self.ignored = driver_place()
            elif name == "COUNT":
                self._counts[number] = driver_place()
            write(value)

        return writing

    def _noting_control(self, number: int, write: WritePort) -> WritePort:
        engine = self._engine

        def writing(value: int) -> None:
            busy, place = self._at_work(number), driver_place()
            if busy and value & START:
                self.ignored = place
            elif value & START:
                self._following[number] = 0
                self._note_start(value, place)
            if busy and value & ABORT:
                self.aborting = place
            write(value)
            status = engine.peek(f"STATUS{number}")
            if value & START and not busy and status & CONFIG_ERROR:
                self.failed = True
                if not engine.peek(f"COUNT{number}"):
                    self.impossible = self._counts[number]

        return writing

    def _noting_ring(self, number: int, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            place = self._rings[number] = driver_place()
            if value & RING and not self._at_work(number):
                address = self._following[number] = self._engine.peek(f"NEXT{number}")
                self._note_start(self._engine.peek(f"CONTROL{number}"), place)
                words = self._words(address)
                if words and not self._order(words[:4]) & OWN:
                    self.rung_early = place
            write(value)

        return writing

    def _note_start(self, control: int, place: Place) -> None:
        self.aborting = NOWHERE
        if not control & _ERROR_IRQ:
            self.deaf = place

    def _words(self, address: int) -> bytes:
        """Return what a descriptor holds; nothing where no memory is."""
        region = self._board.bus.find(address)
        if region is None or region.device.memory is None:
            return b""
        at = address - region.base
        return bytes(region.device.memory[at : at + DESCRIPTOR_BYTES])

    def _order(self, word: bytes) -> int:
        return int.from_bytes(word, "big" if self._board.bus.big_endian else "little")

    def _noting_look(self, number: int, read: ReadPort) -> ReadPort:
        def reading() -> int:
            value = self._shown[number] = read()
            if self._at_work(number):
                self.saw_busy = driver_place()
            if value & ERROR and not value & DONE:
                self.saw_error = self.saw_error if self.saw_error[1] else driver_place()
            return value

        return reading

    def _noting_clear(self, number: int, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            ends = self._engine.peek(f"STATUS{number}") & value & (DONE | ERROR)
            if self._at_work(number):
                self.saw_busy = driver_place()
            elif ends & ~self._shown[number]:
                self.unseen = driver_place()
            self._shown[number] &= ~value
            write(value)

        return writing

    def _noting_count(self, number: int, read: ReadPort) -> ReadPort:
        def reading() -> int:
            if self._at_work(number):
                self.counted_early = self.saw_busy
            return read()

        return reading

    def _note_handler(self, line: InterruptLine) -> None:
        if line is self._line and self._board.cpu.depth == 1:
            self.interrupted = driver_place()
