"""The board part of an input file: its keys, and the board model that they make.

The one idea: what the keys say is checked by building the board once, device by device, so what
the bus and the devices refuse is reported at the place in the file where it was asked for. The
keys of a device are those of every device and the parameters that its kind declares.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from emu.devices.shelf import device_kinds, find_device
from emu.errors import DeclarationError, EmuError, nearest
from emu.kernel.board import Board, BusSettings, CpuSettings, LineRules
from emu.kernel.bus import WIDTHS
from emu.kernel.parameter import Parameter
from emu.scenario.build import attach
from emu.scenario.model import BoardModel, DeviceModel
from emu.scenario.quantities import CYCLES, DURATION, FREQUENCY, SIZE
from emu.scenario.shape import (
    Choice,
    Entries,
    Items,
    JsonSchema,
    Key,
    Table,
    Tagged,
    Text,
    Truth,
    Values,
    Whole,
    tag_key,
)
from emu.scenario.source import Node, Notes

__all__ = ["BOARD", "DEVICE", "Name", "Setting", "make_board"]

_HIGHEST_IRQ = 1023


@dataclass(frozen=True, slots=True)
class Name:
    """Take a name that can stand in a path such as ``telemetry.LSR.THRE``."""

    pattern: str = "^[A-Za-z_][A-Za-z0-9_]{0,31}$"

    def read(self, node: Node, notes: Notes) -> str:
        """Return the name."""
        if not isinstance(node.value, str) or not re.match(self.pattern, node.value):
            raise notes.refuse(
                node,
                f"{node} is not a name",
                allowed="1 to 32 letters, digits and _, no digit first",
            )
        return node.value

    def schema(self) -> JsonSchema:
        """Return the schema of a name."""
        return {"type": "string", "pattern": self.pattern}


@dataclass(frozen=True, slots=True)
class _LineNumber:
    """Take the number of an interrupt line as a key."""

    pattern: str = "^[0-9]{1,4}$"

    def read(self, node: Node, notes: Notes) -> int:
        """Return the number."""
        return Whole(0, _HIGHEST_IRQ).read(node, notes)


@dataclass(frozen=True, slots=True)
class Setting:
    """Take a value for a declared parameter."""

    parameter: Parameter

    def read(self, node: Node, notes: Notes) -> object:
        """Return the value in parsed form."""
        if isinstance(node.value, tuple) or _json_type(node) not in self.parameter.json_type:
            allowed = " or ".join(self.parameter.json_type)
            raise notes.refuse(node, f"{node} where {self._belongs()} belongs", allowed=allowed)
        try:
            value: object = self.parameter.read(node.value)
        except EmuError as error:
            raise notes.refuse(node, error.what, allowed=error.allowed, fix=error.fix) from None
        except (TypeError, ValueError):
            raise notes.refuse(node, f"{node} is no value for {self._belongs()}") from None
        return value

    def schema(self) -> JsonSchema:
        """Return the schema of the value."""
        if self.parameter.choices is not None:
            return {"enum": list(self.parameter.choices)}
        return {"type": list(self.parameter.json_type)}

    def _belongs(self) -> str:
        return f"{self.parameter.name} ({self.parameter.meaning})"


def _json_type(node: Node) -> str:
    """Return the JSON type of a plain value."""
    value = node.value
    if isinstance(value, float):
        return "integer" if value.is_integer() else "number"
    return {str: "string", bool: "boolean", int: "integer"}.get(type(value), "null")


_CPU = Table(
    "a processor",
    (
        Key("clock", FREQUENCY, "clock of the processor, such as 50 MHz"),
        Key("entry", CYCLES, "cycles to enter an interrupt handler"),
        Key("exit", CYCLES, "cycles to leave an interrupt handler"),
        Key("time", CYCLES, "cycles to read the time"),
        Key("nesting", Truth(), "whether higher priorities interrupt handlers"),
    ),
)

_BUS = Table(
    "a bus",
    (
        Key("width", Choice(WIDTHS), "bits of the widest access"),
        Key("endian", Choice(("little", "big")), "which byte lies at the lowest address"),
        Key("access", CYCLES, "cycles of the processor that an access takes"),
        Key("address", Whole(8, 64), "bits of an address"),
    ),
)

_INTERRUPT = Table(
    "an interrupt line",
    (
        Key("priority", Whole(0, 1000), "higher is served first"),
        Key("trigger", Choice(("level", "edge")), "follow the level, or latch rising edges"),
        Key("shared", Truth(), "whether several devices may drive the line"),
        Key("moderation", DURATION, "least time between two deliveries"),
        Key("software", Truth(), "no wire: only software raises the line"),
    ),
)

_DEVICE_KEYS = (
    Key("at", Whole(0, 2**64 - 1, 16), "bus address of the first register", required=True),
    Key("stride", Choice((1, 2, 4, 8)), "bytes between neighbouring registers"),
    Key("access", Items(Choice(WIDTHS), alone=True, least=1), "access widths in bits"),
    Key("wait", CYCLES, "wait states of every access, in cycles of the processor"),
    Key("irq", Whole(0, _HIGHEST_IRQ), "number of its interrupt line, or source"),
    Key("through", Name(), "the interrupt controller whose source that is"),
    Key("size", SIZE, "bytes of the bus it takes, if more than its registers need"),
    Key("beside", Items(Name()), "further devices that its driver is given"),
)


def _device_table(kind: str) -> Table:
    """Return the keys of a device kind: those of every device, then its own parameters."""
    device = find_device(kind)
    own = [Key(one.name, Setting(one), one.meaning) for one in device.PARAMETERS]
    taken = {one.name for one in own}
    common = [one for one in _DEVICE_KEYS if one.name not in taken]
    return Table(f"a {kind}", (tag_key("kind", kind, device.MEANING), *common, *own))


DEVICE = Tagged("kind", "a device", device_kinds, _device_table)

BOARD = Table(
    "a board",
    (
        Key("name", Text(), "what the board is called"),
        Key("cpu", _CPU, "the processor"),
        Key("bus", _BUS, "the bus"),
        Key("devices", Entries("devices", Name(), DEVICE), "the devices by name", required=True),
        Key("interrupts", Entries("interrupt lines", _LineNumber(), _INTERRUPT),
            "how interrupt lines behave, by number"),
    ),
)  # fmt: skip


def make_board(values: Values, notes: Notes) -> BoardModel:
    """Return the board that was read, having noted what cannot be built of it."""
    devices: dict[str, Values] = values.get("devices", {})
    lines: dict[int, Values] = values.get("interrupts", {})
    notes.unread.update(name for name, one in devices.items() if "at" not in one)
    if not devices and not notes.flaws:
        notes.refuse(values.place("devices"), "a board without devices", allowed="1 or more")
    model = BoardModel(
        name=values.get("name", "board"),
        cpu=_cpu(values.get("cpu", {})),
        bus=_bus(values.get("bus", {})),
        devices=tuple(_device(name, one) for name, one in devices.items() if "at" in one),
        interrupts={number: _line_rules(one) for number, one in lines.items()},
    )
    _check_beside(model, devices, notes)
    _try_to_build(model, devices, notes)
    _check_lines(model, devices, lines, notes)
    return model


def _cpu(values: Mapping[str, object]) -> CpuSettings:
    names = {"clock": "clock_hz", "entry": "entry_cycles", "exit": "exit_cycles",
             "time": "time_cycles", "nesting": "nesting"}  # fmt: skip
    return CpuSettings(**{names[key]: value for key, value in values.items()})  # type: ignore[arg-type]


def _bus(values: Mapping[str, object]) -> BusSettings:
    names = {"width": "width_bits", "access": "access_cycles", "address": "address_bits"}
    given = {names[key]: value for key, value in values.items() if key in names}
    return BusSettings(big_endian=values.get("endian") == "big", **given)  # type: ignore[arg-type]


def _line_rules(values: Values) -> LineRules:
    return LineRules(
        priority=values.get("priority", 1),
        edge=values.get("trigger") == "edge",
        shared=values.get("shared", False),
        moderation_ps=values.get("moderation", 0),
        software=values.get("software", False),
    )


def _device(name: str, values: Values) -> DeviceModel:
    kind = values["kind"]
    own = {one.name for one in find_device(kind).PARAMETERS}
    return DeviceModel(
        name=name,
        kind=kind,
        at=values["at"],
        settings={key: value for key, value in values.items() if key in own},
        stride=values.get("stride"),
        widths=values.get("access") or None,
        wait_cycles=values.get("wait", 0),
        irq=values.get("irq"),
        through=values.get("through", ""),
        size=None if "size" in own else values.get("size"),
        beside=tuple(dict.fromkeys(values.get("beside", ()))),
    )


def _check_beside(model: BoardModel, devices: Mapping[str, Values], notes: Notes) -> None:
    """Note names of further devices that are not on the board, or are the device itself."""
    for device in model.devices:
        others = [name for name in devices if name != device.name]
        for name in device.beside:
            if name not in others:
                notes.refuse(
                    devices[device.name].place("beside"), f"no other device {name!r} on the board",
                    fix=nearest(name, others) or "there is none",
                )  # fmt: skip


_KEY_AT_FAULT = {"overlaps": "at", "base": "at", "range": "at", "stride": "stride",
                 "access width": "access", "size": "size", "requests": "requests",
                 "blocks": "blocks", "through": "through"}  # fmt: skip


def _try_to_build(model: BoardModel, devices: Mapping[str, Values], notes: Notes) -> None:
    """Note every device that the bus refuses, or that needs what is not on the board."""
    board = Board(model.name, cpu=model.cpu, bus=model.bus, events=0)
    for device in model.devices:
        with _noting(devices[device.name], notes):
            attach(board, device)
    if notes.unread or len(board.devices) < len(devices):
        return  # what a device needs may be among what could not be read
    for name, one in board.devices.items():
        with _noting(devices[name], notes):
            one.join(board)
    lines = {one.name for one in model.devices if one.irq is not None}
    for name in board.devices:
        flaw = board.sources.flaw(name, board.devices, lines)
        if flaw is not None:
            _refuse(flaw.error, devices[name].place(flaw.argument), notes)


@contextmanager
def _noting(values: Values, notes: Notes) -> Iterator[None]:
    """Note what is refused inside the block at the key that asked for it."""
    try:
        yield
    except DeclarationError as error:
        key = next((key for word, key in _KEY_AT_FAULT.items() if word in error.what), "at")
        _refuse(error, values.place(key), notes)


def _refuse(error: DeclarationError, place: Node, notes: Notes) -> None:
    what = f"{error.where}: {error.what}"
    notes.refuse(place, what, allowed=error.allowed, fix=error.fix)


def _check_lines(
    model: BoardModel, devices: Mapping[str, Values], lines: Mapping[int, Values], notes: Notes
) -> None:
    """Note interrupt lines that several devices claim, and rules for lines that none drives."""
    owners: dict[int, str] = {}
    for device in model.devices:
        if device.irq is None or device.through:
            continue
        owner = owners.setdefault(device.irq, device.name)
        rules = model.interrupts.get(device.irq, LineRules())
        if owner != device.name and not rules.shared:
            notes.refuse(
                devices[device.name].place("irq"),
                f"interrupt {device.irq} is claimed by {owner} and {device.name}",
                fix="declare the line shared: true, or give each device a number of its own",
            )
    for number, rules in model.interrupts.items():
        if number not in owners and not rules.software and not notes.unread:
            notes.refuse(
                lines[number].node,
                f"interrupt {number} has rules but no device drives it",
                fix="give a device this irq, or declare the line software: true",
            )
