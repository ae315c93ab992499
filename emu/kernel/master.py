"""How a device masters the bus: accesses of its own, in no time of the processor and on no tape.

The one idea: an access of a device ends in the same functions as one of the driver, wrapped by the
same faults, but not by what watches the driver, and nothing is accounted to the driver.
`Bus.master` names the device meanwhile. How long an access takes is for the device to say, by its
own clock; that master and processor may have to wait for each other is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, NoReturn

from emu.kernel.bus import Bus, BusError
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.memory import memory_tables
from emu.kernel.misuse import why_refused
from emu.kernel.region import Region
from emu.kernel.view import View

__all__ = ["BusMaster"]

# What answers reads, and what takes writes: by width in bits, then by offset.
Tables = tuple[dict[int, dict[int, ReadPort]], dict[int, dict[int, WritePort]]]


class BusMaster:
    """Access whatever is on a bus by its address.

    Args:
        bus: the bus.
        name: the device that masters it.
    """

    def __init__(self, bus: Bus, name: str) -> None:
        self._bus = bus
        self._name = name
        self._tables: dict[str, Tables] = {}  # by device, made when it is accessed first
        bus.masters = True

    def read(self, address: int, width_bits: int) -> int:
        """Return what is read at `address`, with the side effects of reading.

        Args:
            address: bus address in bytes.
            width_bits: 8, 16, 32 or 64.

        Raises:
            BusError: nothing answers there in this width.
        """
        handler = self._find(address, width_bits, "read")
        with self._mastering():
            value: int = handler()
        return value

    def write(self, address: int, width_bits: int, value: int) -> None:
        """Write `value`, which fits the width, at `address`; otherwise as `read`.

        Raises:
            BusError: nothing answers there in this width.
        """
        handler = self._find(address, width_bits, "write")
        with self._mastering():
            handler(value)

    @contextmanager
    def _mastering(self) -> Iterator[None]:
        """Say on the bus whose access this is."""
        before, self._bus.master = self._bus.master, self._name
        try:
            yield
        finally:
            self._bus.master = before

    def _find(self, address: int, width_bits: int, direction: str) -> Callable[..., Any]:
        """Return what answers there."""
        region = self._bus.find(address)
        if region is None:
            self._refuse(address, width_bits, direction, "nothing answers at this address")
        reads, writes = self._tables.get(region.device.name) or self._lay_out(region)
        offset = address - region.base
        try:
            return (reads if direction == "read" else writes)[width_bits][offset]
        except KeyError:  # memory makes handlers when it is asked, so only a look-up tells
            self._refuse(address, width_bits, direction, why_refused(region, offset, width_bits)[0])

    def _lay_out(self, region: Region) -> Tables:
        """Return what answers in a region, from now on too."""
        device, widths, big_endian = region.device, region.widths, self._bus.big_endian
        if device.memory is not None:
            tables = memory_tables(device.memory, widths, big_endian)
        else:
            view = View(
                device, stride=region.stride, widths=widths, big_endian=big_endian, master=True
            )
            tables = (view.readers, view.writers)
        self._tables[device.name] = tables
        return tables

    def _refuse(self, address: int, width_bits: int, direction: str, why: str) -> NoReturn:
        raise BusError(
            why,
            where=f"{self._name}: {direction}{width_bits}({address:#x})",
            address=address,
            direction=direction,
            width_bits=width_bits,
        ) from None
