"""The memory map of a board as a C header: addresses, offsets, masks, shifts and reset values.

The one idea: a header for the real driver, made from the declarations that the bench runs by.
Names are made of the device, its kind, the register and the field; what is the same for all
devices of a kind carries the name of the kind. Source: ISO/IEC 9899:1999 (C99).
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator

from emu.scenario.memory_map import BoardMap, DeviceMap, FieldMap, RegisterMap

__all__ = ["c_header"]

_NAME_WIDTH = 44


def c_header(found: BoardMap) -> str:
    """Return the map as a C99 header."""
    guard = f"{_identifier(found['name'])}_MAP_H"
    lines = [
        f"/* Memory map of: {_comment(found['name'])} */",
        f"#ifndef {guard}",
        f"#define {guard}",
    ]
    for device in found["devices"]:
        lines += ["", *_device(device, _prefix(device, found))]
    for device in _one_of_each_kind(found):
        lines += ["", *_kind(device)]
    return "\n".join([*lines, "", f"#endif /* {guard} */"]) + "\n"


def _device(device: DeviceMap, prefix: str) -> Iterator[str]:
    """Yield where a device is, and where each register is from its base."""
    yield from _remark(f"{device['name']}: {device['meaning']}")
    yield _define(f"{prefix}_BASE", _unsigned(device["base"], 8))
    yield _define(f"{prefix}_SIZE", _unsigned(device["size"]))
    if device["irq"] is not None:
        source = f" /* source of {device['through']} */" if device["through"] else ""
        yield _define(f"{prefix}_IRQ", f"{device['irq']}{source}")
    if device["clock_hz"]:
        yield _define(f"{prefix}_CLOCK_HZ", f"{device['clock_hz']}UL")
    if device["registers"]:
        yield _define(f"{prefix}_STRIDE", str(device["stride"]))
    for one in device["registers"]:
        yield _define(f"{prefix}_{one['name']}_OFFSET", f"0x{one['offset']:02x}")


def _kind(device: DeviceMap) -> Iterator[str]:
    """Yield the bits and reset values of all registers of a kind of device."""
    yield from _remark(f"{device['kind']}: bits and reset values")
    kind = _identifier(device["kind"])
    for register in device["registers"]:
        yield ""
        yield from _register(register, f"{kind}_{register['name']}")


def _register(register: RegisterMap, prefix: str) -> Iterator[str]:
    digits = register["width"] // 4
    yield from _remark(f"{register['name']}: {register['meaning']}")
    if register["reset"] is not None:
        yield _define(f"{prefix}_RESET", _unsigned(register["reset"], digits))
    for one in register["fields"]:
        yield from _field(one, f"{prefix}_{one['name']}", digits)


def _field(one: FieldMap, prefix: str, digits: int) -> Iterator[str]:
    yield from _remark(f"{one['bits']} {one['name']}: {one['meaning']}")
    yield _define(f"{prefix}_MASK", _unsigned(one["mask"], digits))
    yield _define(f"{prefix}_SHIFT", str(one["low"]))


def _one_of_each_kind(found: BoardMap) -> list[DeviceMap]:
    kinds = {one["kind"]: one for one in reversed(found["devices"]) if one["registers"]}
    return [kinds[kind] for kind in sorted(kinds)]


def _prefix(device: DeviceMap, found: BoardMap) -> str:
    """Return the name of a device in C; names that differ in case only keep their case."""
    name = device["name"]
    same = [one for one in found["devices"] if one["name"].upper() == name.upper()]
    return name if len(same) > 1 else _identifier(name)


def _identifier(text: str) -> str:
    """Return upper-case letters, digits and underscores that begin with a letter."""
    name = re.sub(r"[^A-Z0-9]+", "_", text.upper()).strip("_")
    return name if name[:1].isalpha() else f"BOARD_{name}".rstrip("_")


def _define(name: str, value: str) -> str:
    return f"#define {name.ljust(_NAME_WIDTH)} {value}"


def _remark(text: str) -> Iterator[str]:
    """Yield a comment, in as many lines as it takes."""
    for line in textwrap.wrap(_comment(text), 94):
        yield f"/* {line} */"


def _unsigned(number: int, digits: int = 1) -> str:
    suffix = "ULL" if number >> 32 else "UL"
    return f"0x{number:0{digits}x}{suffix}"


def _comment(text: str) -> str:
    """Return text that cannot end or open a comment, nor join the next line to it."""
    return text.replace("*/", "* /").replace("/*", "/ *").replace("\\", "/")
