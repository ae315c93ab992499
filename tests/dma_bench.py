"""A board with a DMA controller and memory, looked at and told things in no time, for tests."""

from __future__ import annotations

from emu.devices.dma import Dma
from emu.devices.ram import Ram
from emu.kernel.board import Board

CONTROL, CONFIG, SOURCE, DESTINATION, COUNT = 0x00, 0x04, 0x08, 0x0C, 0x10
STATUS, LEFT, FAULT, NEXT, DOORBELL, PENDING = 0x14, 0x18, 0x1C, 0x20, 0x24, 0x100
START, ABORT, HALF_IRQ, DONE_IRQ, ERROR_IRQ = 0x01, 0x02, 0x10, 0x20, 0x40
STEP_SOURCE, STEP_DESTINATION, STEP_BOTH, PACED, CIRCULAR = 0x04, 0x08, 0x0C, 0x10, 0x20
BUSY, HALF, DONE, ERROR, ABORTED, STARVED = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20
READ_ERROR, WRITE_ERROR, DESCRIPTOR_ERROR, CONFIG_ERROR = 0x100, 0x200, 0x400, 0x800
OWN = 0x8000_0000
LOG, LOG_BYTES = 0x2000_0000, 0x400
_US_PS = 10**6


class Bench:
    """A board with memory at `LOG` and an engine whose beat is a microsecond.

    Args:
        board: one with other devices on it, not yet switched on; an empty one when None.
        parameters: of the engine.
    """

    def __init__(self, board: Board | None = None, **parameters: object) -> None:
        self.board = board or Board("harbour")
        self.board.attach(Ram, "tide_log", LOG, settings={"size": LOG_BYTES})
        given = {"clock": 1_000_000, **parameters}
        self.io = self.board.attach(Dma, "mover", 0x4000_0000, irq=6, settings=given)
        self.board.power_on()
        device = self.board.devices["mover"]
        assert isinstance(device, Dma)
        self.dma = device
        memory = self.board.devices["tide_log"].memory
        assert memory is not None
        self.ram = memory
        self.clock = self.board.clock

    def write(self, offset: int, value: int, *, channel: int = 0) -> None:
        """Write a register of a channel."""
        self.dma.ports[_name(offset, channel)].write(value)

    def read(self, offset: int, *, channel: int = 0) -> int:
        """Read a register of a channel."""
        return self.dma.ports[_name(offset, channel)].read()

    def start(
        self, source: int, destination: int, count: int, config: int, *,
        channel: int = 0, control: int = 0,
    ) -> None:  # fmt: skip
        """Program a channel and start it."""
        for offset, value in ((SOURCE, source), (DESTINATION, destination), (COUNT, count),
                              (CONFIG, config), (CONTROL, START | control)):  # fmt: skip
            self.write(offset, value, channel=channel)

    def descriptor(
        self, place: int, source: int, destination: int, count: int, config: int, *,
        following: int = 0, own: int = OWN,
    ) -> None:  # fmt: skip
        """Put a descriptor into memory, at so many bytes from its start."""
        words = (own | config << 16 | count, source, destination, following)
        self.ram[place : place + 16] = b"".join(one.to_bytes(4, "little") for one in words)

    def word(self, place: int) -> int:
        """Return a word of memory, so many bytes from its start."""
        return int.from_bytes(self.ram[place : place + 4], "little")

    def ring(self, address: int) -> None:
        """Let channel 0 look at a descriptor."""
        self.write(NEXT, address)
        self.write(DOORBELL, 1)

    def run(self, *, us: int) -> None:
        """Let time pass."""
        self.clock.run_until(self.clock.now_ps + us * _US_PS)

    def left_after(self, *, us: int) -> int:
        """Let time pass and return the items left."""
        self.run(us=us)
        return self.read(LEFT)

    def level_after(self, *, us: int) -> int:
        """Let time pass and return the level of the interrupt line."""
        self.run(us=us)
        return self.dma.irq.level


def _name(offset: int, channel: int) -> str:
    at = offset + 0x40 * channel
    return next(one.name for one in Dma.REGISTERS if one.offset == at)
