"""What a driver is told that makes an access which cannot be made.

The one idea: a message shows what was passed with its type, what is allowed here, and the register
that was probably meant with its offset, so that the line can be mended without looking anything up.
Nothing here is on the hot path.
"""

from __future__ import annotations

from emu.errors import AccessError, nearest
from emu.kernel.region import Region

__all__ = ["allowed_offsets", "nearest_register", "why_refused", "wrong_argument"]

_MOST_SHOWN = 40


def wrong_argument(
    region: Region, direction: str, offset: object, width: int, value: object = 0
) -> AccessError | None:
    """Return what to raise for an argument that no access takes, None when both are of their kind.

    Args:
        region: where the access goes.
        direction: ``"read"`` or ``"write"``.
        offset: as the driver gave it.
        width: of the access in bits.
        value: as the driver gave it; for a read 0.
    """
    shown = f"{offset:#x}" if isinstance(offset, int) else _shown(offset)
    where = f"{region.device.name}: {direction}{width}({shown})"
    if not isinstance(offset, int):
        return AccessError(
            f"offset {_with_type(offset)} is no whole number", where=where,
            allowed=allowed_offsets(region), fix=_offset_fix(region, offset),
        )  # fmt: skip
    mask = (1 << width) - 1
    if not isinstance(value, int):
        what, fix = f"value {_with_type(value)} is no whole number", _value_fix(value, width)
    elif 0 <= value <= mask:
        return None
    else:
        problem = "is negative" if value < 0 else f"does not fit {width} bits"
        what, fix = (
            f"value {_with_type(value)} {problem}",
            f"value & {mask:#x} is {value & mask:#x}",
        )
    return AccessError(what, where=where, allowed=f"0x0 to {mask:#x}", fix=fix)


def why_refused(region: Region, offset: int, width: int) -> tuple[str, str]:
    """Return why nothing answers an access, and what would help."""
    near = nearest_register(region, offset)
    if region.base <= offset <= region.last and offset >= region.size:
        near = nearest_register(region, offset - region.base)
        return f"{offset:#x} is an address, not an offset", near
    if not 0 <= offset < region.size:
        return f"offset {offset:#x} lies outside 0x0 to {region.size - 1:#x}", near
    if width not in region.widths:
        taken = " and ".join(str(one) for one in region.widths)
        return f"{width}-bit access, and {region.device.name} takes {taken} bits", ""
    if offset % (width // 8):
        return f"offset {offset:#x} is not aligned to {width // 8} bytes", near
    return f"no register at offset {offset:#x} (stride {region.stride})", near


def allowed_offsets(region: Region) -> str:
    """Return which offsets a region has something at."""
    last = max((region.offset_of(one) for one in region.device.REGISTERS), default=None)
    if last is None:
        return f"0x0 to {region.size - 1:#x}"
    return f"0x0 to {last:#x} in steps of {region.stride}"


def nearest_register(region: Region, offset: float) -> str:
    """Return the register whose offset is nearest, as ``LSR is at 0x14``; ``""`` without any."""
    names: dict[int, list[str]] = {}
    for one in region.device.REGISTERS:
        names.setdefault(region.offset_of(one), []).append(one.name)
    if not names:
        return ""
    near = min(names, key=lambda one: (abs(one - offset), one))
    return f"{'/'.join(names[near])} is at {near:#x}"


def _offset_fix(region: Region, offset: object) -> str:
    """Return what may be meant by an offset that is no whole number."""
    if isinstance(offset, float) and abs(offset) < 2**64:
        return nearest_register(region, offset)
    if not isinstance(offset, str):
        return ""
    places = {one.name: region.offset_of(one) for one in region.device.REGISTERS}
    name = next((one for one in places if one.casefold() == offset.strip().casefold()), "")
    if name:
        return f"{name} is at {places[name]:#x}"
    hint = nearest(offset, places)
    if hint.startswith("did"):
        name = hint.split("'")[1]
        return f"did you mean {name}, at {places[name]:#x}?"
    return "write a number without quotes" if offset[:1].isdigit() else ""


def _value_fix(value: object, width: int) -> str:
    """Return the whole number that may be meant by a value of another type."""
    if isinstance(value, float) and value.is_integer():
        return f"write int({value!r})"
    if isinstance(value, str) and len(value) == 1:
        return f"ord({value!r}) is {ord(value):#x}"
    if isinstance(value, bytes | bytearray) and len(value) == 1:
        return f"{bytes(value)!r}[0] is {value[0]:#x}"
    if isinstance(value, bytes | bytearray):
        return f"write{width}_rep takes several"
    return ""


def _with_type(value: object) -> str:
    return f"{_shown(value)} ({type(value).__name__})"


def _shown(value: object) -> str:
    try:
        text = repr(value)
    except Exception:  # noqa: BLE001 - it is the driver's object and may do anything
        text = "(its text cannot be had)"
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}..."
