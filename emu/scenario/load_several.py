"""The drivers of a scenario that runs several at once: their keys, and what must hold of them.

The one idea: each driver is checked as if it ran alone, by the same checks at its own place in the
file; what is added is that every step says whose it is, and that no two drivers want one device.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from emu.errors import nearest
from emu.scenario.load_board import Name
from emu.scenario.load_checks import (
    Places,
    check_actions,
    check_bauds,
    check_driver,
    check_limit,
    check_port,
    check_serial_keys,
    driven_devices,
)
from emu.scenario.load_far_end import FAR_END, make_far_end
from emu.scenario.model import BoardModel, DriverModel, Scenario, Step
from emu.scenario.parts import controllers_beyond, parts_of
from emu.scenario.quantities import LINE
from emu.scenario.shape import Entries, JsonSchema, Key, Table, Text, Values
from emu.scenario.source import Node, Notes
from emu.scenario.step_shapes import COMMON_STEPS
from emu.scenario.trade_names import SERIAL, SERIALS

__all__ = ["DRIVERS", "check_several", "make_drivers"]

_OF_ONE = {
    "driver": "name it under drivers, at its device",
    "port": "leave it out",
    "line": "say it under drivers, at its device",
    "far_end": "say it under drivers, at its device",
    "callers": "leave it out",
    "expect": "leave it out",
}
"""Keys of a scenario with one driver, and what to do with them beside several."""
_LIFE = ("open", "close", "reopen")
_OF_SOURCES = ("attach", "detach", "mask", "unmask", "assert")

_DRIVER = Table(
    "a driver",
    (
        Key("driver", Text(), "path/to/file.py:Class or package.module:Class", required=True),
        Key("line", LINE, "settings of its line, such as 115200 8N1"),
        Key("far_end", FAR_END, "what hangs at the other end of its line"),
    ),
)


class _DriverShape:
    """Take a driver, or only its name."""

    def read(self, node: Node, notes: Notes) -> Values:
        """Return the keys of the driver."""
        if node.is_mapping:
            return _DRIVER.read(node, notes)
        values = Values(node)
        values["driver"] = Text().read(node, notes)
        return values

    def schema(self) -> JsonSchema:
        """Return the schema of the name or the driver."""
        return {"anyOf": [Text().schema(), _DRIVER.schema()]}


DRIVERS = Entries("drivers", Name(), _DriverShape())
"""The drivers by the device that each drives."""


def make_drivers(found: Mapping[str, Values], notes: Notes) -> tuple[DriverModel, ...]:
    """Return the drivers that were read."""
    usual = DriverModel("", "")
    return tuple(
        DriverModel(
            port,
            values.get("driver", ""),
            values.get("line", usual.line),
            make_far_end(values["far_end"], notes) if "far_end" in values else usual.far_end,
        )
        for port, values in found.items()
    )


def check_several(
    scenario: Scenario, values: Values, steps: Sequence[Places], notes: Notes
) -> Scenario:
    """Return the scenario, having noted what does not go together."""
    if not scenario.drivers:
        if not notes.flaws:
            notes.refuse(values.place("drivers"), "no driver is named", allowed="1 or more")
        return scenario
    for key, fix in _OF_ONE.items():
        if key in values:
            notes.refuse(values.place(key), f"{key} says something of one driver alone", fix=fix)
    _check_owners(scenario, steps, notes)
    if "board" in values:
        _check_parts(scenario, values["drivers"], steps, notes)
        _check_beside(scenario, values["drivers"], notes)
        _check_controllers(scenario, steps, notes)
        _check_shared(scenario, values["drivers"], steps, notes)
    for one in values["drivers"].values():
        check_driver(one.get("driver", ""), one.place("driver"), notes)
    check_limit(scenario, values, notes)
    return scenario


def _check_owners(scenario: Scenario, steps: Sequence[Places], notes: Notes) -> None:
    """Note steps that say of no driver that it is to do them."""
    names = [one.port for one in scenario.drivers]
    for step, places in zip(scenario.steps, steps, strict=True):
        if not step.by and step.action not in COMMON_STEPS:
            notes.refuse(
                places["step"], f"{step.action!r} does not say by which driver",
                fix=f"add by: one of {', '.join(names)}",
            )  # fmt: skip
        elif step.by and step.by not in names and step.by not in notes.unread:
            place = places.get("by", places["step"])
            notes.refuse(place, f"no driver on port {step.by!r}", fix=nearest(step.by, names))


def _check_parts(
    scenario: Scenario, drivers: Mapping[str, Values], steps: Sequence[Places], notes: Notes
) -> None:
    """Check each driver as if it ran alone."""
    trades = driven_devices(scenario.board)
    for part in parts_of(scenario):
        values = drivers[part.port]
        check_port(part.port, trades, values.node, notes)
        trade = trades.get(part.port, SERIAL)
        own = [one for one in zip(scenario.steps, steps, strict=True) if one[0].by == part.port]
        asked = replace(part, steps=tuple(step for step, _ in own))
        places = [where for _, where in own]
        check_actions(trade, asked, places, notes)
        if part.far_end.port:
            notes.refuse(
                values["far_end"].place("port"), "a cable has no place beside other drivers",
                fix="run its two ends in a scenario of their own",
            )  # fmt: skip
        elif trade in SERIALS:
            check_bauds(asked, values, places, notes)
        check_serial_keys(trade, part, values, notes)


def _check_beside(scenario: Scenario, drivers: Mapping[str, Values], notes: Notes) -> None:
    """Note devices that two drivers would be given."""
    given = {one.name: one.beside for one in scenario.board.devices if one.name in drivers}
    for name, beside in given.items():
        for other in beside:
            if other in drivers:
                notes.refuse(
                    drivers[other].node, f"{other} is given to the driver of {name} already",
                    fix=f"leave one of them out, or take it from what lies beside {name}",
                )  # fmt: skip


def _check_controllers(scenario: Scenario, steps: Sequence[Places], notes: Notes) -> None:
    """Note steps that would take a controller away from those who interrupt by way of it."""
    board = scenario.board
    needed = {
        name: one.port
        for one in reversed(scenario.drivers)
        for name in controllers_beyond(board, one.port)
    }
    for step, places in zip(scenario.steps, steps, strict=True):
        by = step.by or scenario.port
        if by in needed and step.action in _LIFE:
            notes.refuse(
                places["step"], f"{step.action} of {by}, through which {needed[by]} interrupts",
                fix="leave it out: it is opened before the others and closed after them",
            )  # fmt: skip
        for number in _sources(step):
            owner = _wired(board, by, number)
            if owner:
                notes.refuse(
                    places["step"], f"source {number} of {by} is wired to {owner}",
                    fix="take another one",
                )  # fmt: skip


def _check_shared(
    scenario: Scenario, drivers: Mapping[str, Values], steps: Sequence[Places], notes: Notes
) -> None:
    """Note what the drivers at one line could not cope with, however good they are."""
    owners: dict[int, list[str]] = {}
    for device in scenario.board.devices:
        if device.name in drivers and device.irq is not None and not device.through:
            owners.setdefault(device.irq, []).append(device.name)
    for number, names in owners.items():
        if len(names) < 2:
            continue
        rules = scenario.board.interrupts.get(number)
        if rules is not None and rules.edge:
            notes.refuse(
                drivers[names[1]].node,
                f"{' and '.join(names)} share interrupt {number}, which is edge-sensed: one misses "
                "the edge while the other asks",
                fix="let the line be level-sensed, or give each device a line of its own",
            )
        for step, places in zip(scenario.steps, steps, strict=True):
            if step.by in names and step.action == "leftovers":
                notes.refuse(
                    places["step"], f"{step.by} shares interrupt {number}, and nobody would serve "
                    "what is left", fix="leave it out",
                )  # fmt: skip


def _sources(step: Step) -> Iterator[int]:
    """Yield the sources of a controller that a step is about."""
    for action in _OF_SOURCES:
        asked = step.values.get(action, ()) if step.action == action else ()
        yield from asked if isinstance(asked, tuple) else (asked,)


def _wired(board: BoardModel, controller: str, number: int) -> str:
    """Return the device that is wired to a source, ``""`` for none."""
    names = (one.name for one in board.devices if (one.through, one.irq) == (controller, number))
    return next(names, "")
