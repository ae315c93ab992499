"""Where a driver asks how far a DMA engine has come, on which depends what it returns."""

from __future__ import annotations

from emu.devices.dma import Dma
from emu.kernel.board import Board
from emu.kernel.callers import asking_place
from emu.kernel.device import ReadPort
from emu.kernel.where import Place

__all__ = ["EngineLook"]


class EngineLook:
    """Note the last such line.

    Args:
        board: the board.
        device: the device that is driven; the engines beside it count.

    Attributes:
        place: the line, None while there was no such look.
    """

    def __init__(self, board: Board, device: str) -> None:
        self.place: Place | None = None
        for name in board.window(device).beside:
            engine = board.device(name)
            if isinstance(engine, Dma):
                for register, port in engine.ports.items():
                    if register.startswith("LEFT"):
                        port.wrap_read(self._noting)

    def _noting(self, read: ReadPort) -> ReadPort:
        def reading() -> int:
            self.place = asking_place()
            return read()

        return reading
