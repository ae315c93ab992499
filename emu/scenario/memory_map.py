"""The memory map of a board and the registers of its devices, as data, text and Markdown.

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
    """Describe a device and its place on the bus; ends of ranges are inclusive.

    `irq` is a source of the interrupt controller `through`, where one is named.
    """

    name: str
    kind: str
    meaning: str
    base: int
    last: int
    size: int
    irq: int | None
    through: str
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
        "devices": [_device_map(region, board) for region in board.bus.regions],
    }


def _device_map(region: Region, board: Board) -> DeviceMap:
    device = region.device
    source = board.sources.wired.get(device.name)
    return {
        "name": device.name,
        "kind": device.KIND,
        "meaning": device.MEANING,
        "base": region.base,
        "last": region.last,
        "size": region.size,
        "irq": region.irq if source is None else source.number,
        "through": "" if source is None else source.controller,
        "stride": region.stride,
        "widths": list(region.widths),
        "clock_hz": device.clock_hz,
        "registers": [_register_map(one, region, device) for one in device.REGISTERS],
        "notes": list(device.NOTES),
    }


def _register_map(register: Register, region: Region, device: Device) -> RegisterMap:
    offset = region.offset_of(register)
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


def _alike(devices: list[DeviceMap]) -> list[list[DeviceMap]]:
    """Return devices with registers, those together whose registers are the same but for the base.

    >>> _alike([])
    []
    """
    groups: list[tuple[object, list[DeviceMap]]] = []
    for device in devices:
        if not device["registers"]:
            continue
        registers = [{**one, "address": 0} for one in device["registers"]]
        key = (device["kind"], device["meaning"], registers, device["notes"])
        known = next((found for one, found in groups if one == key), None)
        if known is None:
            groups.append((key, [device]))
        else:
            known.append(device)
    return [found for _, found in groups]


Row = tuple[str, ...]
_HEADS: Row = ("addresses", "size", "device", "kind", "irq", "stride", "access")
_FIELD_HEADS: Row = ("bits", "field", "access", "reset", "meaning")


def _facts(found: BoardMap) -> str:
    """Return what holds for the whole board."""
    clock = format_frequency(found["clock_hz"])
    return f"processor at {clock}, {found['bus_bits']}-bit bus, {found['endian']}-endian"


def _heading(devices: list[DeviceMap]) -> str:
    """Return the names of alike devices, what they are, and their clock, or each one's clock."""
    clocks = [format_frequency(one["clock_hz"]) for one in devices if one["clock_hz"]]
    if len(set(clocks)) <= 1:
        clock = f", clock {clocks[0]}" if clocks else ""
    else:
        clock = f", clocks {', '.join(clocks)}"
    return f"{', '.join(one['name'] for one in devices)}: {devices[0]['meaning']}{clock}"


def _device_row(one: DeviceMap) -> Row:
    """Return a device's row of the table of addresses; a dash stands for what it has none of."""
    return (
        f"{one['base']:08x}-{one['last']:08x}",
        format_size(one["size"]),
        one["name"],
        one["kind"],
        _interrupt(one),
        str(one["stride"]) if one["registers"] else "-",
        ", ".join(str(width) for width in one["widths"]) + " bit",
    )


def _interrupt(one: DeviceMap) -> str:
    """Return the number of a device's interrupt, and of which controller that is a source."""
    if one["irq"] is None:
        return "-"
    return f"{one['irq']} of {one['through']}" if one["through"] else str(one["irq"])


def _register_facts(one: RegisterMap) -> str:
    """Return what there is to know of a register besides its name and its fields."""
    bank = f", while {one['shown_while']}" if one["shown_while"] else ""
    digits = one["width"] // 4
    reset = "-" if one["reset"] is None else f"{one['reset']:#0{digits + 2}x}"
    return f"{one['width']} bits, {one['access']}{bank}, reset {reset}"


def _field_row(one: FieldMap) -> Row:
    reset = "-" if one["reset"] is None else f"{one['reset']:#x}"
    return one["bits"], one["name"], one["access"], reset, _phrase(one)


def _phrase(one: FieldMap) -> str:
    """Return a field's meaning and the names of its values."""
    pairs = (f"{value} = {name}".replace(" ", _TIED) for value, name in one["values"].items())
    names = ", ".join(pairs)
    return f"{one['meaning']}: {names}" if names else one["meaning"]


_LEGEND = (
    "Register access: r read, w write. Field access in the words of SystemRDL 2.0: rclr cleared by "
    "a read, ruser and wuser with an effect of the device's own, singlepulse back to 0 by itself. "
    "Reset -: reset leaves the bits as they are."
)
_OFFSETS = (
    "A register stands at the base of its device plus its offset; "
    "io.read8(offset) takes the offset."
)


# text


def text_map(found: BoardMap) -> str:
    """Return the map as text of at most 100 columns; alike devices share a table of registers."""
    lines = [
        *textwrap.wrap(f"{found['name']}: {_facts(found)}", _WIDTH),
        "",
        *_aligned([_HEADS, *(_device_row(one) for one in found["devices"])]),
    ]
    groups = _alike(found["devices"])
    if groups:
        lines += ["", *textwrap.wrap(_OFFSETS, _WIDTH)]
    for devices in groups:
        lines += ["", *_device_lines(devices)]
    return "\n".join(line.rstrip() for line in [*lines, "", *textwrap.wrap(_LEGEND, _WIDTH)]) + "\n"


def _device_lines(devices: list[DeviceMap]) -> Iterator[str]:
    """Yield the heading of alike devices, and each register with its fields."""
    first = devices[0]
    yield from textwrap.wrap(_heading(devices), _WIDTH)
    for register in first["registers"]:
        yield ""
        yield from textwrap.wrap(
            f"{register['offset']:#04x}  {register['name']}: {register['meaning']} "
            f"({_register_facts(register)})",
            _WIDTH, initial_indent="  ", subsequent_indent="  " + _INDENT,
        )  # fmt: skip
        yield from _aligned([_field_row(one) for one in register["fields"]], _INDENT)
    if first["notes"]:
        yield ""
        yield "  To know"
    for note in first["notes"]:
        yield from textwrap.wrap(note, _WIDTH, initial_indent="    - ", subsequent_indent="      ")


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


# Markdown


def markdown_map(found: BoardMap) -> str:
    """Return the map as Markdown with tables; alike devices share a section."""
    lines = [
        f"# {_cell(found['name'])}",
        "",
        f"A {_facts(found)}.",
        "",
        *_table(_HEADS, [_device_row(one) for one in found["devices"]]),
    ]
    groups = _alike(found["devices"])
    if groups:
        lines += ["", _OFFSETS]
    for devices in groups:
        lines += ["", *_markdown_devices(devices)]
    return "\n".join([*lines, "", _LEGEND]) + "\n"


def _markdown_devices(devices: list[DeviceMap]) -> Iterator[str]:
    first = devices[0]
    yield f"## {_cell(_heading(devices))}"
    for register in first["registers"]:
        yield ""
        yield f"### `{register['offset']:#04x}` {register['name']}: {_cell(register['meaning'])}"
        yield ""
        yield f"{_register_facts(register)}."
        yield ""
        yield from _table(_FIELD_HEADS, [_field_row(one) for one in register["fields"]])
    if first["notes"]:
        yield ""
        yield "### To know"
        yield ""
    yield from (f"- {_cell(note)}" for note in first["notes"])


def _table(heads: Row, rows: list[Row]) -> Iterator[str]:
    yield "| " + " | ".join(heads) + " |"
    yield "|" + " --- |" * len(heads)
    for row in rows:
        yield "| " + " | ".join(_cell(cell) for cell in row) + " |"


def _cell(text: str) -> str:
    """Return text that means itself in a cell of a Markdown table."""
    return text.replace(_TIED, " ").replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;")
