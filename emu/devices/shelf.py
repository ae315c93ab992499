"""Which kinds of devices there are: those of the bench, and those that other packages bring.

The one idea: a package adds a device by an entry point in the group ``emu.devices``, named like the
device's kind, and nobody imports it until a board asks for that kind. A kind of the bench cannot be
replaced. What a device is, `emu.kernel.device` says.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from emu.errors import DeclarationError, nearest
from emu.kernel.device import Device

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

__all__ = ["GROUP", "device_kinds", "find_device"]

GROUP = "emu.devices"

_BUILT_IN = {
    "checksum_engine": "ChecksumEngine",
    "clock_gate": "ClockGate",
    "dma": "Dma",
    "gpio": "Gpio",
    "interrupt_controller": "InterruptController",
    "mtimer": "MachineTimer",
    "ram": "Ram",
    "serial_basic": "SerialBasic",
    "timer": "IntervalTimer",
    "uart16550": "Uart16550",
    "watchdog": "Watchdog",
}  # kind, which names the module too, and class


def device_kinds() -> dict[str, type[Device]]:
    """Return every device class by its kind: the bench's own, then those of other packages.

    Raises:
        DeclarationError: a device of another package cannot be loaded, or two claim one kind.

    Side effects: imports the modules of other packages' devices.
    """
    own = {kind: _own(kind) for kind in _BUILT_IN}
    return own | {kind: _load(point) for kind, point in _plugged_in().items()}


def find_device(kind: str) -> type[Device]:
    """Return the device class of `kind`, and import nothing that another kind would need.

    Raises:
        DeclarationError: there is none, and the message names the nearest; or it cannot be loaded.
    """
    if kind in _BUILT_IN:
        return _own(kind)
    points = _plugged_in()
    if kind not in points:
        raise DeclarationError(f"no device kind {kind!r}", fix=nearest(kind, [*_BUILT_IN, *points]))
    return _load(points[kind])


def _own(kind: str) -> type[Device]:
    """Import a device of the bench."""
    loaded: type[Device] = getattr(import_module(f"emu.devices.{kind}"), _BUILT_IN[kind])
    return loaded


def _plugged_in() -> dict[str, EntryPoint]:
    """Return the entry points of other packages by kind, in the order of their names."""
    from importlib.metadata import entry_points

    points: dict[str, EntryPoint] = {}
    for point in sorted(entry_points(group=GROUP), key=lambda one: (one.name, _origin(one))):
        if point.name in _BUILT_IN:
            raise DeclarationError(
                f"device kind {point.name!r} is the bench's own",
                where=_origin(point),
                fix="give the entry point another name",
            )
        if point.name in points and points[point.name].value != point.value:
            raise DeclarationError(
                f"device kind {point.name!r} comes from {_origin(points[point.name])} too",
                where=_origin(point),
                fix="uninstall one of the two",
            )
        points[point.name] = point
    return points


def _load(point: EntryPoint) -> type[Device]:
    """Import a device class and check that it is one, of the kind its entry point names."""
    try:
        loaded = point.load()
    except Exception as error:  # whatever a foreign module does wrong when it is imported
        raise DeclarationError(
            f"device kind {point.name!r} does not load from {point.value!r}: "
            f"{type(error).__name__}: {error}",
            where=_origin(point),
            fix="repair or uninstall the package",
        ) from error
    if not (isinstance(loaded, type) and issubclass(loaded, Device)):
        raise DeclarationError(
            f"device kind {point.name!r}: {point.value!r} is {loaded!r}",
            where=_origin(point),
            allowed="a subclass of emu.Device",
        )
    if point.name != loaded.KIND:
        raise DeclarationError(
            f"device kind {point.name!r}: {point.value!r} calls itself {loaded.KIND!r}",
            where=_origin(point),
            fix="name the entry point like KIND",
        )
    return loaded


def _origin(point: EntryPoint) -> str:
    """Return the distribution that an entry point belongs to, as messages name it."""
    return f"package {point.dist.name}" if point.dist is not None else "a package without a name"
