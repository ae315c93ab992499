"""A DMA controller: four channels that move items over the bus beside the processor.

The one idea: the engine is one more master of the bus with a clock of its own, and one beat of that
clock moves one item of one channel. So there is a time in which memory belongs to the engine, a
moment at which it has stopped, which is not that of the request to stop, and a moment at which the
last item was handed over, which is not that at which it has left the board. The register map is
our own.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import ClassVar

from emu.devices.dma_channel import Channel, Pace
from emu.devices.dma_map import ABORT, CHANNELS, NOTES, REGISTERS, RING, START
from emu.devices.dma_monitor import DmaMonitor, Nobody
from emu.devices.names import parse_names
from emu.errors import DeclarationError, nearest
from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S, Clock, Timer
from emu.kernel.device import Device
from emu.kernel.master import BusMaster
from emu.kernel.parameter import Parameter
from emu.kernel.register import Register
from emu.kernel.signal import Signal
from emu.units import parse_frequency

__all__ = ["Dma"]

_FLAGS = 0x0E  # of STATUS; the interrupt enables of CONTROL lie three bits further up
_ENABLES = 3
_MOST_REQUESTS = 16
_REST = {"tx_request": "tx_idle"}  # a request wire, and the one that is up when all has landed


class Dma(Device):
    """Move items by descriptors or registers, one in each beat of its clock.

    A channel keeps the engine for a burst of items, as long as it is ready; then the next channel
    that is ready has its turn. Reading a descriptor takes a beat. A paced channel is ready while
    its request wire is up, so it moves no item that nobody asked for.

    Attributes:
        monitor: who is told what the engine owns and does.
    """

    KIND = "dma"
    MEANING = "DMA controller with four channels and chained descriptors"
    REGISTERS: ClassVar[tuple[Register, ...]] = REGISTERS
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 10_000_000, "beats in a second, an item each"),
        Parameter("burst", int, 4, "items moved before another channel or an abort has its turn",
                  (1, 2, 4, 8, 16), ("integer",)),
        Parameter("requests", parse_names, (), "request wires in order, as telemetry.rx_request",
                  None, ("string",)),
        Parameter("done", str, "handed", "DONE once the last item is handed over, or has landed",
                  ("handed", "landed"), ("string",)),
    )  # fmt: skip
    NOTES = NOTES

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self.monitor: DmaMonitor = Nobody()
        self._pending = self.registers["PENDING"]
        self._controls = [self.registers[f"CONTROL{one}"] for one in range(CHANNELS)]
        self._statuses = [self.registers[f"STATUS{one}"] for one in range(CHANNELS)]
        self._channels = [
            Channel(one, self.registers, self._update, lambda: self.monitor)
            for one in range(CHANNELS)
        ]
        self._timer = Timer(clock, self._beat)
        self._current = 0  # the channel whose burst it is or was
        self._burst_left = 0
        for channel in self._channels:
            self._bind(channel)

    def _bind(self, channel: Channel) -> None:
        """Bind the registers of a channel."""
        number = channel.number
        setattr(self, f"after_write_CONTROL{number}", partial(self._control, channel))
        setattr(self, f"after_write_STATUS{number}", lambda _old, _new: self._update())
        setattr(self, f"after_write_DOORBELL{number}", partial(self._ring, channel))

    def join(self, board: Board) -> None:
        """Master the bus, and follow the request wires."""
        master = BusMaster(board.bus, self.name)
        paces = [self._find_pace(board, path) for path in self.settings["requests"]]
        if len(paces) > _MOST_REQUESTS:
            raise DeclarationError(
                f"requests: {len(paces)} wires", where=f"device {self.name}",
                allowed=f"at most {_MOST_REQUESTS}",
            )  # fmt: skip
        for channel in self._channels:
            channel.bus, channel.paces = master, paces

    def _find_pace(self, board: Board, path: str) -> Pace:
        """Return the wires behind a path such as ``telemetry.rx_request``, and follow them."""
        owner, _, wire = path.partition(".")
        if owner not in board.devices:
            raise self._no_request(path, nearest(owner, board.devices))
        signals = _wires_of(board.devices[owner])
        if wire not in signals:
            raise self._no_request(path, nearest(wire, signals))
        rest = signals.get(_REST.get(wire, "")) if self.settings["done"] == "landed" else None
        signals[wire].watch(self._asked)
        if rest is not None:
            rest.watch(self._landed)
        return Pace(signals[wire], rest)

    def _no_request(self, path: str, fix: str) -> DeclarationError:
        return DeclarationError(
            f"requests: no wire {path!r}",
            where=f"device {self.name}",
            allowed="device.wire, such as telemetry.rx_request",
            fix=fix,
        )

    # the engine

    def _asked(self, level: int) -> None:
        if level:
            self._plan()

    def _landed(self, level: int) -> None:
        if level and not self.halted:
            for channel in self._channels:
                channel.landed()
            self._plan()

    def _plan(self) -> None:
        """Have a beat at the next tick of the clock, if there is anything to do then."""
        wanted = any(one.ready or one.aborting for one in self._channels)
        if wanted and not self.halted and not self._timer.running:
            tick = self.clock.now_ps * self.clock_hz // PS_PER_S + 1
            self._timer.start(-(-tick * PS_PER_S // self.clock_hz))

    def _beat(self) -> None:
        """Give a turn to the channel whose burst it is, or let the next one begin a burst."""
        current = self._channels[self._current]
        if not self._burst_left or not current.ready:
            self._begin_burst()
            current = self._channels[self._current]
        if self._burst_left:
            self._burst_left -= 1
            current.turn()
        self._plan()

    def _begin_burst(self) -> None:
        """Stop what is to be stopped, then choose the next channel in turn that is ready."""
        for channel in self._channels:
            if channel.aborting:
                channel.abort()
        self._burst_left = 0
        for step in range(1, CHANNELS + 1):
            number = (self._current + step) % CHANNELS
            if self._channels[number].ready:
                self._current, self._burst_left = number, self.settings["burst"]
                return

    def on_reset(self) -> None:
        """Stop at once, in the middle of a burst if need be."""
        self._timer.stop()
        self._current = self._burst_left = 0
        for channel in self._channels:
            channel.reset()
        self._update()

    def on_halt(self) -> None:
        """Stand still in the middle of a transfer, or go on with it."""
        if self.halted:
            self._timer.stop()
        else:
            self._landed(1)
        self._update()

    # registers

    def _control(self, channel: Channel, _old: int, new: int) -> None:
        """Start or abort, and follow the interrupt enables."""
        if new & START:
            channel.start()
        if new & ABORT and channel.busy:
            channel.aborting = True
        self._update()
        self._plan()

    def _ring(self, channel: Channel, _old: int, new: int) -> None:
        if new & RING:
            channel.ring()
            self._plan()

    def _update(self) -> None:
        """Show which channels interrupt, and drive the interrupt line."""
        self._pending.value = sum(
            bool(status.value & control.value >> _ENABLES & _FLAGS) << number
            for number, (control, status) in enumerate(
                zip(self._controls, self._statuses, strict=True)
            )
        )
        self.irq.set(int(bool(self._pending.value) and not self.halted))


def _wires_of(device: Device) -> Mapping[str, Signal]:
    """Return the wires of a device, with those that are made only when somebody asks."""
    if device.KIND == "uart16550":
        from emu.devices.uart16550 import Uart16550
        from emu.devices.uart16550_requests import add_requests

        assert isinstance(device, Uart16550)
        add_requests(device)
    return device.signals
