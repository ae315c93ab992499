"""Which registers an access means: from window, offset, width and bank to names and fields.

The one idea: the same arithmetic as in `emu.kernel.view`, on declarations instead of functions, so
that an access on the tape can be named afterwards and costs nothing while the driver runs.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from emu.kernel.bus import Region
from emu.kernel.device import Device
from emu.kernel.register import Register

__all__ = ["Naming", "Part"]


class Part(NamedTuple):
    """Say what an access takes of one register.

    Args:
        register: the register.
        shift: position in the access of the first bit that belongs to the register.
        low: position in the register of that bit.
        bits: how many bits of the register take part.
    """

    register: Register
    shift: int
    low: int
    bits: int

    def value(self, word: int) -> int:
        """Return the bits of an access's `word` in their places in the register."""
        return (word >> self.shift & (1 << self.bits) - 1) << self.low

    @property
    def name(self) -> str:
        """The register's name, with a bit range where only a part is meant."""
        if self.bits == self.register.width:
            return self.register.name
        return f"{self.register.name}[{self.low + self.bits - 1}:{self.low}]"

    @property
    def stream(self) -> bool:
        """Whether each access moves a value on: one field, and the device acts on every access."""
        fields = self.register.fields
        return len(fields) == 1 and "user" in f"{fields[0].onread} {fields[0].onwrite}"


class Naming:
    """Name the registers of one region.

    Args:
        region: how the device lies on the bus.
        big_endian: whether the most significant byte lies at the lowest address.
    """

    def __init__(self, region: Region, *, big_endian: bool) -> None:
        self._device: Device = region.device
        self._stride = region.stride
        self._big_endian = big_endian
        self._known: dict[tuple[str, int, int, int], tuple[Part, ...]] = {}

    def parts(self, direction: str, offset: int, width_bits: int, bank: int) -> tuple[Part, ...]:
        """Return what an access took, lowest offset first; empty for memory and for nothing."""
        key = (direction, offset, width_bits, bank)
        if key not in self._known:
            self._known[key] = tuple(self._find(*key))
        return self._known[key]

    def _find(self, direction: str, offset: int, width: int, bank: int) -> Iterator[Part]:
        for start, register in sorted(self._visible(direction, bank).items()):
            if width >= register.width:
                if offset <= start < offset + width // 8:
                    yield Part(register, self._shift(register, start, width), 0, register.width)
            elif start <= offset < start + register.width // 8:
                yield Part(register, 0, self._lane(register, offset - start, width), width)

    def _visible(self, direction: str, bank: int) -> dict[int, Register]:
        """Return the register at each offset; one for the other direction gives way."""
        other = "w" if direction == "read" else "r"
        unit = self._device.unit_bytes
        shown: dict[int, Register] = {}
        for register in self._device.REGISTERS:
            start = register.offset // unit * self._stride
            if register.bank in (None, bank) and (register.only != other or start not in shown):
                shown[start] = register
        return shown

    def _shift(self, register: Register, start: int, width: int) -> int:
        """Return where a register lies in an access at least as wide as itself."""
        word_bytes = width // 8
        if width == register.width or word_bytes <= self._stride:
            return 0
        before = start % word_bytes
        taken = register.width // 8 // self._device.unit_bytes * self._stride
        return 8 * (max(0, word_bytes - before - taken) if self._big_endian else before)

    def _lane(self, register: Register, byte: int, width: int) -> int:
        """Return the lowest bit that a narrow access `byte` bytes into a register takes."""
        part = byte * 8 // width
        return (register.width // width - 1 - part if self._big_endian else part) * width
