"""A block behind a clock gate: its clock, its reset line, its interrupt line, and who may touch it.

The one idea: a block that is not ready is hidden by what stands in front of its ports, and stands
still by the same means by which a fault halts a device; its interrupt line leaves through a wire
that follows the block only while its clock runs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from emu.kernel.board import Board
from emu.kernel.bus import Bus
from emu.kernel.clock import Timer
from emu.kernel.device import BurstPort, Device, Port, ReadPort, WritePort
from emu.kernel.region import Region

__all__ = ["GatedBlock", "Lost"]


@dataclass(frozen=True, slots=True)
class Lost:
    """Describe an access to a block that was not ready.

    Args:
        bus: where it was made.
        region: where the block lies on the bus.
        register: name of the register.
        direction: ``"read"`` or ``"write"``.
        why: what the block lacks, in words.
    """

    bus: Bus
    region: Region
    register: str
    direction: str
    why: str

    def fail(self) -> None:
        """End the access with a bus error.

        Raises:
            BusError: always.
        """
        region, declaration = self.region, self.region.device.registers[self.register].declaration
        width = declaration.width if declaration.width in region.widths else region.widths[0]
        self.bus.fail(region, self.direction, region.offset_of(declaration), width, self.why)


class GatedBlock:
    """Hold one block, at first without a clock and in reset.

    Args:
        board: what it is on; its interrupt lines are not wired yet.
        device: the block.
        settle_ps: how long it takes to answer, in ps, 0 for at once.
        changed: called when it has become ready by itself.

    Attributes:
        ready: whether it answers.
        pulls: how often its reset line was pulled.
    """

    def __init__(
        self, board: Board, device: Device, settle_ps: int, changed: Callable[[], None]
    ) -> None:
        self.ready = False
        self.pulls = 0
        self._board = board
        self._device = device
        self._settle_ps = settle_ps
        self._changed = changed
        self._settled = Timer(board.clock, self._settle)
        self._clocked = self._released = False
        self._outside = board.interpose(device.name)
        device.irq.watch(self._follow)

    @property
    def name(self) -> str:
        """The name of the device."""
        return self._device.name

    @property
    def runs(self) -> bool:
        """Whether it has a clock and is out of reset, settled or not."""
        return self._clocked and self._released

    def stand_in_front(self, answer: Callable[[Lost], int]) -> None:
        """Let ``answer(access)`` answer for the block whenever it is not ready."""
        board, device = self._board, self._device
        region = next(one for one in board.bus.regions if one.device is device)
        with device.rewiring:
            for port in device.ports.values():
                self._guard(port, region, answer)

    def drive(self, *, clocked: bool, released: bool) -> None:
        """Let it have a clock or not, and hold its reset line or not."""
        runs = clocked and released
        self._clocked = self._clocked and clocked  # the interrupt line must not see it stop
        self._device.halt(not runs)
        if self._released != released:  # as it is while it is held, whatever came over it then
            self._device.reset()
            self.pulls += not released
        self._released = released
        if clocked and not self._clocked:
            self._clocked = True
            self._outside.set(self._device.irq.level)
        if not runs:
            self.ready = False
            self._settled.stop()
        elif not self.ready and not self._settled.running:
            self._begin_to_settle()

    def _begin_to_settle(self) -> None:
        if self._settle_ps:
            self._settled.start(self._board.clock.now_ps + self._settle_ps)
        else:
            self.ready = True

    def _settle(self) -> None:
        self.ready = True
        self._changed()

    def _follow(self, level: int) -> None:
        """Hand the interrupt line on while the clock runs."""
        if self._clocked:
            self._outside.set(level)

    def _lack(self) -> str:
        """Return what it lacks."""
        if not self._clocked:
            return "its clock is stopped"
        return "it has not settled yet" if self._released else "it is held in reset"

    def _guard(self, port: Port, region: Region, answer: Callable[[Lost], int]) -> None:
        """Stand in front of one register."""
        name, full = port.register.declaration.name, port.register.full

        def ask(direction: str) -> int:
            return answer(Lost(self._board.bus, region, name, direction, self._lack()))

        def wrap_read(read: ReadPort) -> ReadPort:
            return lambda: read() if self.ready else ask("read") & full

        def wrap_burst(burst: BurstPort) -> BurstPort:
            return lambda most, step_ps: burst(most, step_ps) if self.ready else []

        def wrap_write(write: WritePort) -> WritePort:
            def write_if_ready(data: int) -> None:
                if self.ready:
                    write(data)
                else:
                    ask("write")

            return write_if_ready

        port.wrap_read(wrap_read, wrap_burst)
        port.wrap_write(wrap_write)
