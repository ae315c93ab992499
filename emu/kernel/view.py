"""How the registers of a device appear on a bus: at which offset and in which access width.

A board may put registers some bytes apart (the stride) and demand one access width, since many
systems map byte registers on words. A view lays the ports of a device out in tables, one for each
width, that the hot path looks into. Where an access is narrower than a register the view picks the
byte lane, where it is wider than the stride it puts neighbours together; which lane is which is a
matter of the bus's endianness.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from emu.kernel.device import BurstPort, Device, Port, ReadPort, WritePort
from emu.kernel.live import LiveRegister

__all__ = ["View"]

Place = tuple[int, int]  # offset on the bus, bit shift within the access


class View:
    """Lay out the registers of `device`.

    Args:
        device: what is shown; its ports are connected.
        stride: bytes on the bus between neighbouring registers, at least their width.
        widths: the access widths in bits that the region accepts.
        big_endian: whether the most significant byte lies at the lowest address.
        master: whether it is shown to a device that masters the bus, not to the processor.

    Attributes:
        readers: for each width, the function that answers at each offset.
        writers: likewise for writing.
        bursts: for each width, what answers several reads at once, where something does.
    """

    def __init__(
        self,
        device: Device,
        *,
        stride: int,
        widths: Iterable[int],
        big_endian: bool,
        master: bool = False,
    ) -> None:
        self._device = device
        self._stride = stride
        self._unit_bytes = device.unit_bytes
        self._big_endian = big_endian
        self._master = master
        self.readers: dict[int, dict[int, ReadPort]] = {width: {} for width in widths}
        self.writers: dict[int, dict[int, WritePort]] = {width: {} for width in self.readers}
        self.bursts: dict[int, dict[int, BurstPort]] = {width: {} for width in self.readers}
        self._banks: dict[int, list[dict[int, Any]]] = {}  # copies of the tables, by bank
        device.rewiring.listeners.append(self._rewired)
        device.bank_listeners.append(lambda _bank: self._show_bank())
        self._show_bank()

    def offset_of(self, port: Port) -> int:
        """Return where a register lies on the bus, in bytes from the start of the region."""
        return port.register.declaration.offset // self._unit_bytes * self._stride

    def _answering(self, port: Port) -> tuple[ReadPort, WritePort]:
        """Return what answers whom this is shown to."""
        return port.masters if self._master else (port.read, port.write)

    def _taken(self, port: Port) -> int:
        """Return how many bytes of the bus a register takes, with the gap that follows it."""
        width_bytes = port.register.declaration.width // 8
        return width_bytes // self._unit_bytes * self._stride

    def _rewired(self) -> None:
        """Follow ports that were wrapped, in every bank."""
        self._banks.clear()
        self._show_bank()

    def _show_bank(self) -> None:
        """Show the registers of the bank that is selected, in place: the hot path holds the tables.

        A bank that was shown before is laid out already.
        """
        tables: list[dict[int, Any]] = []
        for by_width in (self.readers, self.writers, self.bursts):
            tables += by_width.values()
        kept = self._banks.get(self._device.bank)
        if kept is None:
            self._lay_out()
            self._banks[self._device.bank] = [dict(table) for table in tables]
            return
        for table, copy in zip(tables, kept, strict=True):
            table.clear()
            table.update(copy)

    def _lay_out(self) -> None:
        """Fill the tables afresh."""
        reads, writes = self._visible()
        for width, read_table in self.readers.items():
            read_table.clear()
            for offset, port in reads.items():
                read_table.update(self._reads(port, offset, width))
            if width // 8 > self._stride:
                self._join_reads(read_table, reads, width)
            self._lay_out_bursts(reads, width)
        for width, write_table in self.writers.items():
            write_table.clear()
            for offset, port in writes.items():
                write_table.update(self._writes(port, offset, width))
            if width // 8 > self._stride:
                self._join_writes(write_table, writes, width)

    def _lay_out_bursts(self, reads: dict[int, Port], width: int) -> None:
        """Offer bursts where an access of `width` reads one whole register and nothing else."""
        bursts = self.bursts[width]
        bursts.clear()
        for offset, port in reads.items():
            whole = port.register.declaration.width <= width <= 8 * self._taken(port)
            if whole and port.burst is not None and port.beyond is None:
                bursts[offset] = port.burst

    def _visible(self) -> tuple[dict[int, Port], dict[int, Port]]:
        """Return which register answers reads and which takes writes at each offset.

        A register declared for one direction leaves the other to the one that shares its offset;
        alone, it answers both, and its declaration says what then happens.
        """
        reads: dict[int, Port] = {}
        writes: dict[int, Port] = {}
        for port in self._device.ports.values():
            declaration = port.register.declaration
            if declaration.bank not in (None, self._device.bank):
                continue
            offset = self.offset_of(port)
            if declaration.only != "w" or offset not in reads:
                reads[offset] = port
            if declaration.only != "r" or offset not in writes:
                writes[offset] = port
        return reads, writes

    # narrower and equal

    def _reads(self, port: Port, offset: int, width: int) -> dict[int, ReadPort]:
        register_width = port.register.declaration.width
        read, _ = self._answering(port)
        if width > register_width and port.beyond is not None:
            shown = min(width, 8 * self._taken(port))
            return {offset: _wide_reader(read, port.beyond, register_width, shown)}
        if width >= register_width:
            return {offset: read}
        mask = (1 << width) - 1
        return {
            offset + lane: _lane_reader(read, shift, mask)
            for lane, shift in self._lanes(register_width, width)
        }

    def _writes(self, port: Port, offset: int, width: int) -> dict[int, WritePort]:
        live = port.register
        register_width = live.declaration.width
        _, write = self._answering(port)
        if width == register_width:
            return {offset: write}
        if width > register_width:
            return {offset: _masked_writer(write, live.full)}
        mask = (1 << width) - 1
        return {
            offset + lane: _lane_writer(live, write, shift, mask)
            for lane, shift in self._lanes(register_width, width)
        }

    def _lanes(self, register_width: int, width: int) -> list[Place]:
        """Return (byte offset, bit shift) of each part of a register wider than the access."""
        count = register_width // width
        return [
            (part * width // 8, (count - 1 - part if self._big_endian else part) * width)
            for part in range(count)
        ]

    # wider than the stride: several registers at once

    def _join_reads(self, table: dict[int, ReadPort], ports: dict[int, Port], width: int) -> None:
        for start, places in self._words(ports, width).items():
            parts = [(table.pop(offset), shift) for offset, shift in places]
            table[start] = _joined_reader(parts)

    def _join_writes(self, table: dict[int, WritePort], ports: dict[int, Port], width: int) -> None:
        for start, places in self._words(ports, width).items():
            parts = [
                (table.pop(offset), shift, ports[offset].register.full) for offset, shift in places
            ]
            table[start] = _joined_writer(parts)

    def _words(self, ports: dict[int, Port], width: int) -> dict[int, list[Place]]:
        """Return for each word of `width` bits (offset, bit shift) of the narrower registers in it.

        Registers as wide as the access, or wider, stand alone and are left out.
        """
        words: dict[int, list[Place]] = {}
        word_bytes = width // 8
        for offset, port in sorted(ports.items()):
            register_bytes = port.register.declaration.width // 8
            if register_bytes >= word_bytes:
                continue
            before = offset % word_bytes
            after = max(0, word_bytes - before - self._taken(port))
            shift = 8 * (after if self._big_endian else before)
            words.setdefault(offset - before, []).append((offset, shift))
        return words


def _wide_reader(read: ReadPort, beyond: ReadPort, register_width: int, width: int) -> ReadPort:
    """Return a reader whose bits above the register show what ``beyond()`` says after the read."""
    above = (1 << width) - (1 << register_width)
    return lambda: read() | (beyond() & above)


def _lane_reader(read: ReadPort, shift: int, mask: int) -> ReadPort:
    return lambda: (read() >> shift) & mask


def _masked_writer(write: WritePort, mask: int) -> WritePort:
    return lambda data: write(data & mask)


def _lane_writer(live: LiveRegister, write: WritePort, shift: int, mask: int) -> WritePort:
    """Return a writer of one lane; other lanes keep what they hold, without side effects."""

    def write_lane(data: int) -> None:
        live.enable = mask << shift
        try:
            write((data & mask) << shift)
        finally:
            live.enable = -1

    return write_lane


def _joined_reader(parts: list[tuple[ReadPort, int]]) -> ReadPort:
    return lambda: sum(read() << shift for read, shift in parts)


def _joined_writer(parts: list[tuple[WritePort, int, int]]) -> WritePort:
    def write_joined(data: int) -> None:
        for write, shift, mask in parts:
            write((data >> shift) & mask)

    return write_joined
