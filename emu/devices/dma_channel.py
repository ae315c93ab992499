"""One channel of the DMA controller: what it moves, how far it is, and why it stopped.

The one idea: a channel is in one of four phases, and each turn that the engine gives it moves one
item or reads one descriptor. Whose turn it is, and when, is for `emu.devices.dma`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum

from emu.devices.dma_map import (
    ABORTED,
    CIRCULAR,
    CONFIG_ERROR,
    DESCRIPTOR_BYTES,
    DESCRIPTOR_ERROR,
    DONE,
    ERROR,
    HALF,
    OWN,
    PACED,
    READ_ERROR,
    STARVED,
    STEP_DESTINATION,
    STEP_SOURCE,
    WRITE_ERROR,
)
from emu.devices.dma_monitor import DmaMonitor, Span
from emu.kernel.bus import BusError
from emu.kernel.live import LiveRegister
from emu.kernel.master import BusMaster
from emu.kernel.signal import Signal

__all__ = ["Channel", "Pace"]

_WORD = 0xFFFF_FFFF


class Pace:
    """Hold what paces a channel: when an item may move, and when the last one has landed.

    Args:
        request: up while an item may move.
        rest: up once what was handed over is done with; None where that is at once.
    """

    __slots__ = ("request", "rest")

    def __init__(self, request: Signal, rest: Signal | None = None) -> None:
        self.request = request
        self.rest = rest


class _Phase(Enum):
    """What a channel does next."""

    IDLE = "nothing"
    FETCH = "reads a descriptor"
    MOVE = "moves an item"
    LAND = "waits for what it has handed over"


class Channel:
    """Move items for one set of registers.

    Args:
        number: which channel it is.
        registers: those of the controller, by name.
        changed: called after a change of status.
        monitor: returns who is told what happens.

    Attributes:
        bus: where items are moved; set before the first turn.
        paces: by number of the request wire.
        aborting: whether it is to stop when the burst is over.
    """

    bus: BusMaster

    def __init__(
        self,
        number: int,
        registers: Mapping[str, LiveRegister],
        changed: Callable[[], None],
        monitor: Callable[[], DmaMonitor],
    ) -> None:
        self.number = number
        self._changed = changed
        self._monitor = monitor
        self._config, self._source, self._destination, self._count, self._status = (
            registers[f"{name}{number}"]
            for name in ("CONFIG", "SOURCE", "DESTINATION", "COUNT", "STATUS")
        )
        self._left, self._fault, self._next = (
            registers[f"{name}{number}"] for name in ("LEFT", "FAULT", "NEXT")
        )
        self.paces: list[Pace] = []
        self.aborting = False
        self._phase = _Phase.IDLE
        self._descriptor: int | None = None  # address of the one that is worked on

    @property
    def busy(self) -> bool:
        """Whether it has not stopped."""
        return self._phase is not _Phase.IDLE

    @property
    def ready(self) -> bool:
        """Whether it could use a turn."""
        if self._phase is _Phase.MOVE:
            pace = self._pace
            return pace is None or bool(pace.request.level)
        return self._phase is _Phase.FETCH

    @property
    def _width_bytes(self) -> int:
        return 1 << (self._config.value & 3)

    @property
    def _pace(self) -> Pace | None:
        config = self._config.value
        return self.paces[config >> 8 & 15] if config & PACED else None

    # what software and the engine ask for

    def start(self) -> None:
        """Begin with what the registers say, unless it is busy."""
        if not self.busy:
            self._begin()

    def ring(self) -> None:
        """Look at the descriptor at NEXT, which a busy channel comes to by itself."""
        if not self.busy and self._next.value:
            self._enter(_Phase.FETCH)

    def reset(self) -> None:
        """Stop at once."""
        if self._phase in (_Phase.MOVE, _Phase.LAND):
            self._monitor().ended(self.number, "reset")
        self._phase, self._descriptor = _Phase.IDLE, None
        self.aborting = False

    def abort(self) -> None:
        """Stop now, between bursts."""
        self._give_back()
        self._stop(ABORTED, "aborted")

    def turn(self) -> None:
        """Move one item, or read one descriptor."""
        if self._phase is _Phase.FETCH:
            self._fetch()
        else:
            self._move()

    def landed(self) -> None:
        """Finish if that only waited for what was handed over, and nothing is left of it."""
        pace = self._pace
        if self._phase is _Phase.LAND and (pace is None or pace.rest is None or pace.rest.level):
            self._finish()

    # a transfer

    def _begin(self) -> None:
        """Begin to move what the registers say."""
        if not self._is_possible():
            self._give_back()
            self._stop(ERROR | CONFIG_ERROR, "error")
            return
        self._left.value = self._count.value
        self._monitor().began(self.number, self._spans())
        self._enter(_Phase.MOVE)

    def _is_possible(self) -> bool:
        config, width_bytes = self._config.value, self._width_bytes
        aligned = not (self._source.value | self._destination.value) % width_bytes
        wired = not config & PACED or config >> 8 & 15 < len(self.paces)
        return bool(self._count.value) and width_bytes <= 4 and aligned and wired

    def _spans(self) -> tuple[Span, Span]:
        """Return what the engine owns meanwhile: where it reads and where it writes."""
        width_bytes, config = self._width_bytes, self._config.value
        whole = width_bytes * self._count.value
        source, destination = self._source.value, self._destination.value
        return (
            Span(source, source + (whole if config & STEP_SOURCE else width_bytes), False),
            Span(destination,
                 destination + (whole if config & STEP_DESTINATION else width_bytes), True),
        )  # fmt: skip

    def _place(self, first: LiveRegister, step: int) -> int:
        """Return where the next item is, given the register of the first."""
        moved = self._count.value - self._left.value if self._config.value & step else 0
        return (first.value + moved * self._width_bytes) & _WORD

    def _move(self) -> None:
        """Move one item."""
        width_bytes = self._width_bytes
        source = self._place(self._source, STEP_SOURCE)
        destination = self._place(self._destination, STEP_DESTINATION)
        try:
            item = self.bus.read(source, 8 * width_bytes)
        except BusError:
            self._fail(READ_ERROR, source)
            return
        try:
            self.bus.write(destination, 8 * width_bytes, item)
        except BusError:
            self._fail(WRITE_ERROR, destination)
            return
        if self._phase is _Phase.MOVE:  # what was written may have been a reset
            self._monitor().moved(self.number, destination, width_bytes)
            self._count_down()

    def _count_down(self) -> None:
        left = self._left.value = self._left.value - 1
        if left == self._count.value // 2:
            self._status.hw_set(HALF)
            self._changed()
        if not left:
            self._enter(_Phase.LAND)
            self.landed()

    def _finish(self) -> None:
        """Say that all items were moved, and go on with what comes next."""
        if self._descriptor is None and self._config.value & CIRCULAR:
            self._left.value = self._count.value
            self._status.hw_set(DONE)
            self._monitor().went_round(self.number)
            self._enter(_Phase.MOVE)
        elif self._descriptor is None or not self._next.value:
            if self._give_back():
                self._stop(DONE, "done")
        elif self._give_back():
            self._status.hw_set(DONE)
            self._monitor().ended(self.number, "done")
            self._enter(_Phase.FETCH)

    # descriptors

    def _fetch(self) -> None:
        """Take over what the next descriptor says, if it is the engine's."""
        address = self._next.value
        try:
            words = [
                self.bus.read(address + offset, 32) for offset in range(0, DESCRIPTOR_BYTES, 4)
            ]
        except BusError as error:
            self._fail(DESCRIPTOR_ERROR, error.address)
            return
        if not words[0] & OWN:
            self._stop(STARVED, "")
            return
        self._descriptor = address
        self._config.value = words[0] >> 16 & self._config.declaration.mask_of(bool)
        self._count.value = words[0] & 0xFFFF
        self._source.value, self._destination.value, self._next.value = words[1:]
        self._begin()

    def _give_back(self) -> bool:
        """Give the descriptor that is worked on back to software; False if the bus fails."""
        address, self._descriptor = self._descriptor, None
        if address is None:
            return True
        word = self._config.value << 16 | self._left.value
        try:
            self.bus.write(address, 32, word)
        except BusError:
            self._fail(DESCRIPTOR_ERROR, address)
            return False
        self._monitor().handed_back(self.number, address)
        return True

    # status

    def _enter(self, phase: _Phase) -> None:
        self._phase = phase
        self._status.put("BUSY", int(self.busy))
        self._changed()

    def _fail(self, cause: int, address: int) -> None:
        """Stop because of a bus error."""
        self._fault.value = address & _WORD
        if cause == DESCRIPTOR_ERROR or self._give_back():
            self._stop(ERROR | cause, "error")

    def _stop(self, flags: int, how: str) -> None:
        if self._phase in (_Phase.MOVE, _Phase.LAND):
            self._monitor().ended(self.number, how)
        self.aborting = False
        self._status.hw_set(flags)
        self._enter(_Phase.IDLE)
