"""Plain read-write memory on the bus."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from emu.errors import DeclarationError
from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.units import parse_size

__all__ = ["Ram"]

MOST_BYTES = 256 << 20


class Ram(Device):
    """Answer every aligned access of any width; holds zeros after power-on, keeps them on reset."""

    KIND = "ram"
    MEANING = "plain read-write memory"
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("size", parse_size, 64 << 10, "bytes of memory"),
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        size_bytes: int = self.settings["size"]
        if not 8 <= size_bytes <= MOST_BYTES or size_bytes % 8:
            raise DeclarationError(
                f"size={size_bytes} bytes",
                where=f"device {name}",
                allowed=f"8 to {MOST_BYTES}, a multiple of 8",
            )
        self.memory = bytearray(size_bytes)
