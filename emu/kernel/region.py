"""Where a device lies on the bus: plain facts, from which windows, maps and messages are made."""

from __future__ import annotations

from dataclasses import dataclass

from emu.kernel.device import Device
from emu.kernel.register import Register

__all__ = ["Region"]


@dataclass(frozen=True, slots=True)
class Region:
    """Say how a device lies on the bus.

    Args:
        device: what answers.
        base: first address in bytes.
        stride: bytes between neighbouring registers.
        widths: access widths in bits that are answered.
        wait_ps: wait states, added to every access, in ps.
        irq: number of the interrupt line, None when it has none; see `emu.kernel.sources`.
        size: bytes taken.
    """

    device: Device
    base: int
    stride: int
    widths: tuple[int, ...]
    wait_ps: int
    irq: int | None
    size: int

    @property
    def last(self) -> int:
        """The last address that belongs to the region."""
        return self.base + self.size - 1

    @property
    def span(self) -> str:
        """The inclusive address range as printed everywhere."""
        return f"{self.base:#010x}-{self.last:#010x}"

    def offset_of(self, register: Register) -> int:
        """Return how many bytes from its start one of the device's registers lies."""
        return register.offset // self.device.unit_bytes * self.stride
