"""What a fault acts on: a path such as ``telemetry.LSR.THRE``, resolved on a board.

A board that runs and the mere model of one are both looked at as an `Inventory`, the devices and
their interrupt numbers, so that a plan can be judged before anything is built to run.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

from emu.devices.shelf import find_device
from emu.errors import AccessError, DeclarationError, nearest
from emu.kernel.board import Board
from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.register import Field, Register

__all__ = ["TARGETS", "BoardLike", "DeviceLike", "Inventory", "Target", "inventory", "resolve"]

TARGETS = {
    "field": "DEVICE.REGISTER.FIELD",
    "register": "DEVICE.REGISTER",
    "device": "DEVICE",
    "irq": "DEVICE.irq",
    "line": "DEVICE.sin or DEVICE.sout",
    "cpu": "cpu",
}

Part = TypeVar("Part")

_LINES = ("sin", "sout")

Inventory = Mapping[str, tuple[Device, int | None]]  # device and its interrupt number, by name


class DeviceLike(Protocol):
    """What must be known of a device that is not built yet."""

    @property
    def name(self) -> str:
        """What the board calls it."""

    @property
    def kind(self) -> str:
        """Its kind on the shelf."""

    @property
    def settings(self) -> Mapping[str, Any]:
        """Values for its parameters."""

    @property
    def irq(self) -> int | None:
        """Number of its interrupt line."""


class BoardLike(Protocol):
    """What must be known of a board that is not built yet."""

    @property
    def devices(self) -> Iterable[DeviceLike]:
        """Its devices."""


@dataclass(frozen=True, slots=True)
class Target:
    """Hold what a path means on a board.

    Args:
        path: as written.
        sort: a key of `TARGETS`.
        device: the device concerned, None for the processor.
        register: the register, None where none is named.
        field: the field, None where none is named.
        line: ``"sin"`` or ``"sout"``, empty where no line is named.
        irq: number of the device's interrupt line, None when it has none.
    """

    path: str
    sort: str
    device: Device | None = None
    register: Register | None = None
    field: Field | None = None
    line: str = ""
    irq: int | None = None

    @property
    def owner(self) -> Device:
        """The device; raises AccessError for a target that has none, as the others here do."""
        return self._has(self.device, "device")

    @property
    def the_register(self) -> Register:
        """The register."""
        return self._has(self.register, "register")

    @property
    def the_field(self) -> Field:
        """The field."""
        return self._has(self.field, "field")

    @property
    def the_irq(self) -> int:
        """The number of the interrupt line."""
        return self._has(self.irq, "interrupt line")

    def _has(self, part: Part | None, what: str) -> Part:
        if part is None:
            raise AccessError(f"{self.path} names no {what}", where="fault")
        return part


def inventory(board: Board | BoardLike) -> Inventory:
    """Return the devices of a board or of the model of one; kinds not on the shelf are left out."""
    if isinstance(board, Board):
        irqs = {region.device.name: region.irq for region in board.bus.regions}
        return {name: (device, irqs[name]) for name, device in board.devices.items()}
    found: dict[str, tuple[Device, int | None]] = {}
    for model in board.devices:
        try:
            device = find_device(model.kind)(model.name, Clock(), model.settings)
        except DeclarationError:
            continue  # whoever loads the board says so
        found[model.name] = (device, model.irq)
    return found


def resolve(path: str, devices: Inventory) -> Target:
    """Return what `path` means.

    Raises:
        DeclarationError: it means nothing; the message names the nearest thing that does.
    """
    name, *rest = path.split(".")
    if not rest and name == "cpu":
        return Target(path, "cpu")
    if name not in devices:
        raise DeclarationError(f"no device {name!r}", fix=nearest(name, [*devices, "cpu"]))
    device, irq = devices[name]
    if not rest:
        return Target(path, "device", device, irq=irq)
    if len(rest) > 2:
        raise DeclarationError(f"{path!r} has too many parts", allowed="; ".join(TARGETS.values()))
    if len(rest) == 1:
        wire = _wire(path, rest[0], device, irq)
        if wire is not None:
            return wire
    return _in_register(path, rest, device, irq)


def _wire(path: str, name: str, device: Device, irq: int | None) -> Target | None:
    """Return the interrupt line or serial wire that `name` means, None when it means none."""
    if name == "irq":
        if irq is None:
            raise DeclarationError(
                f"{device.name} has no interrupt line", fix="give the device an irq on the board"
            )
        return Target(path, "irq", device, irq=irq)
    if name in _LINES and name in device.signals:
        return Target(path, "line", device, line=name, irq=irq)
    return None


def _in_register(path: str, rest: list[str], device: Device, irq: int | None) -> Target:
    """Return the register or the field that a path names."""
    registers = {one.name: one for one in device.REGISTERS}
    if rest[0] not in registers:
        wires = [name for name in (*_LINES, "irq") if name in device.signals]
        raise DeclarationError(
            f"{device.name} has no register {rest[0]!r}",
            fix=nearest(rest[0], [*registers, *wires] if len(rest) == 1 else registers),
        )
    register = registers[rest[0]]
    if len(rest) == 1:
        return Target(path, "register", device, register, irq=irq)
    fields = {one.name: one for one in register.fields}
    if rest[1] not in fields:
        raise DeclarationError(
            f"{register.name} has no field {rest[1]!r}", fix=nearest(rest[1], fields)
        )
    return Target(path, "field", device, register, fields[rest[1]], irq=irq)
