"""The memory map of a board and the registers of its devices, as data, text, Markdown and C.

The one idea: everything comes from the declarations that the bench runs by, so the printed map and
the header that a driver is compiled against say what the model does. Fields are written with the
words of SystemRDL 2.0. What the words mean is left to `emu.kernel.register`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TypedDict

from emu.kernel.board import Board
from emu.kernel.bus import Region
from emu.kernel.device import Device
from emu.kernel.register import Field, Register
from emu.scenario.build import build_board
from emu.scenario.model import BoardModel
from emu.units import format_frequency, format_size

__all__ = ["BoardMap", "board_map", "markdown_map", "text_map"]

_WIDTH = 100
_INDENT = "      "  # of the fields below a register
_LEAST_LAST = 20  # columns; with less room the last cell goes to a line of its own
_TIED = "\xa0"  # a space at which no line is broken


class FieldMap(TypedDict):
    """Describe some neighbouring bits."""

    name: str
    bits: str
    low: int
    width: int
    mask: int
    access: str
    reset: int | None
    meaning: str
    values: dict[str, str]


class RegisterMap(TypedDict):
    """Describe a register; `reset` is None when reset leaves every bit as it is."""

    name: str
    address: int
    offset: int
    width: int
    access: str
    bank: int | None
    shown_while: str
    reset: int | None
    meaning: str
    fields: list[FieldMap]


class DeviceMap(TypedDict):
    """Describe a device and its place on the bus; ends of ranges are inclusive."""

    name: str
    kind: str
    meaning: str
    base: int
    last: int
    size: int
    irq: int | None
    stride: int
    widths: list[int]
    clock_hz: int
    registers: list[RegisterMap]
    notes: list[str]


class BoardMap(TypedDict):
    """Describe a board, its devices in the order of their addresses."""

    name: str
    clock_hz: int
    bus_bits: int
    endian: str
    devices: list[DeviceMap]


def board_map(model: BoardModel) -> BoardMap:
    """Return the map of a board as plain data.

    >>> board_map(BoardModel("empty"))["devices"]
    []

    Raises:
        DeclarationError: the devices do not fit together.
    """
    board: Board = build_board(model, events=0)
    return {
        "name": board.name,
        "clock_hz": board.cpu.clock_hz,
        "bus_bits": board.bus.width_bits,
        "endian": "big" if board.bus.big_endian else "little",
        "devices": [_device_map(region) for region in board.bus.regions],
    }


def _device_map(region: Region) -> DeviceMap:
    device = region.device
    return {
        "name": device.name,
        "kind": device.KIND,
        "meaning": device.MEANING,
        "base": region.base,
        "last": region.last,
        "size": region.size,
        "irq": region.irq,
        "stride": region.stride,
        "widths": list(region.widths),
        "clock_hz": device.clock_hz,
        "registers": [_register_map(one, region, device) for one in device.REGISTERS],
        "notes": list(device.NOTES),
    }


def _register_map(register: Register, region: Region, device: Device) -> RegisterMap:
    offset = register.offset // device.unit_bytes * region.stride
    known = any(one.reset is not None for one in register.fields)
    return {
        "name": register.name,
        "address": region.base + offset,
        "offset": offset,
        "width": register.width,
        "access": "r" * register.readable + "w" * register.writable,
        "bank": register.bank,
        "shown_while": (
            "" if register.bank is None else f"{device.BANK_FIELD or 'bank'} = {register.bank}"
        ),
        "reset": register.reset if known else None,
        "meaning": register.meaning,
        "fields": [_field_map(one) for one in register.fields],
    }


def _field_map(one: Field) -> FieldMap:
    return {
        "name": one.name,
        "bits": one.bits,
        "low": one.low,
        "width": one.width,
        "mask": one.mask,
        "access": one.access,
        "reset": one.reset,
        "meaning": one.meaning,
        "values": {str(value): name for value, name in one.values.items()},
    }


# text


def text_map(found: BoardMap) -> str:
    """Return the map as text of at most 100 columns."""
    title = textwrap.wrap(f"{found['name']}: {_facts(found)}", _WIDTH)
    lines = [*title, "", *_region_lines(found)]
    for device in found["devices"]:
        if device["registers"]:
            lines += ["", *_device_lines(device)]
    return "\n".join(line.rstrip() for line in [*lines, "", *_LEGEND]) + "\n"


def _facts(found: BoardMap) -> str:
    """Return what holds for the whole board."""
    clock = format_frequency(found["clock_hz"])
    return f"processor at {clock}, {found['bus_bits']}-bit bus, {found['endian']}-endian"


_LEGEND = textwrap.wrap(
    "Register access: r read, w write. Field access in the words of SystemRDL 2.0: rclr cleared by "
    "a read, ruser and wuser with an effect of the device's own, singlepulse back to 0 by itself. "
    "Reset -: reset leaves the bits as they are.",
    _WIDTH,
)

Row = tuple[str, ...]


def _region_lines(found: BoardMap) -> Iterator[str]:
    """Yield the table of address ranges."""
    heads: Row = ("addresses", "size", "device", "kind", "irq", "stride", "access")
    rows = [
        (
            f"{one['base']:08x}-{one['last']:08x}",
            format_size(one["size"]),
            one["name"],
            one["kind"],
            _or_dash(one["irq"]),
            str(one["stride"]) if one["registers"] else "-",
            _widths(one),
        )
        for one in found["devices"]
    ]
    yield from _aligned([heads, *rows])


def _device_lines(device: DeviceMap) -> Iterator[str]:
    """Yield a device's heading, and each register with its fields."""
    clock = f", clock {format_frequency(device['clock_hz'])}" if device["clock_hz"] else ""
    yield f"{device['name']}: {device['meaning']}{clock}"
    for register in device["registers"]:
        yield ""
        yield _register_line(register)
        yield from _aligned([_field_row(one) for one in register["fields"]], _INDENT)
    if device["notes"]:
        yield ""
        yield "  To know"
    for note in device["notes"]:
        yield from textwrap.wrap(note, _WIDTH, initial_indent="    - ", subsequent_indent="      ")


def _register_line(one: RegisterMap) -> str:
    bank = f", while {one['shown_while']}" if one["shown_while"] else ""
    digits = one["width"] // 4
    reset = "-" if one["reset"] is None else f"{one['reset']:#0{digits + 2}x}"
    return (
        f"  {one['address']:08x}  {one['name']}: {one['meaning']} "
        f"({one['width']} bits, {one['access']}{bank}, reset {reset})"
    )


def _field_row(one: FieldMap) -> Row:
    reset = "-" if one["reset"] is None else f"{one['reset']:#x}"
    return one["bits"], one["name"], one["access"], reset, _phrase(one)


def _phrase(one: FieldMap) -> str:
    """Return a field's meaning and the names of its values."""
    pairs = (f"{value} = {name}".replace(" ", _TIED) for value, name in one["values"].items())
    names = ", ".join(pairs)
    return f"{one['meaning']}: {names}" if names else one["meaning"]


def _aligned(rows: list[Row], indent: str = "") -> Iterator[str]:
    """Yield rows with their columns under each other, the last one broken at the page width."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    hang = len(indent) + sum(width + 2 for width in widths[:-1])
    if hang > _WIDTH - _LEAST_LAST:
        hang = 2 * len(_INDENT)
    for row in rows:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        start = indent + "  ".join([*cells[:-1], ""])
        last = [one.replace(_TIED, " ") for one in textwrap.wrap(row[-1], _WIDTH - hang)]
        if last and len(start) == hang:
            start += last.pop(0)
        yield start.rstrip()
        yield from (" " * hang + one for one in last)


def _or_dash(number: int | None) -> str:
    return "-" if number is None else str(number)


def _widths(device: DeviceMap) -> str:
    return ", ".join(str(one) for one in device["widths"]) + " bit"


# Markdown


def markdown_map(found: BoardMap) -> str:
    """Return the map as Markdown with tables."""
    lines = [
        f"# {_cell(found['name'])}",
        "",
        f"A {_facts(found)}.",
        "",
        *_table(
            ("Addresses", "Size", "Device", "Kind", "Interrupt", "Stride", "Access"),
            [
                (
                    f"`{one['base']:#010x}`-`{one['last']:#010x}`",
                    format_size(one["size"]),
                    one["name"],
                    one["kind"],
                    _or_dash(one["irq"]),
                    str(one["stride"]) if one["registers"] else "-",
                    _widths(one),
                )
                for one in found["devices"]
            ],
        ),
    ]
    for device in found["devices"]:
        if device["registers"]:
            lines += ["", *_markdown_device(device)]
    return "\n".join([*lines, "", " ".join(_LEGEND)]) + "\n"


def _markdown_device(device: DeviceMap) -> Iterator[str]:
    yield f"## {device['name']}"
    yield ""
    yield f"{_cell(device['meaning'])}."
    for register in device["registers"]:
        yield ""
        yield f"### {register['name']}: {_cell(register['meaning'])}"
        yield ""
        yield _register_line(register).strip() + "."
        yield ""
        heads = ("Bits", "Field", "Access", "Reset", "Meaning")
        yield from _table(heads, [_field_row(one) for one in register["fields"]])


def _table(heads: Row, rows: list[Row]) -> Iterator[str]:
    yield "| " + " | ".join(heads) + " |"
    yield "|" + " --- |" * len(heads)
    for row in rows:
        yield "| " + " | ".join(_cell(cell) for cell in row) + " |"


def _cell(text: str) -> str:
    """Return text that means itself in a cell of a Markdown table."""
    return text.replace(_TIED, " ").replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;")
