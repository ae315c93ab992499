"""Interrupts that come by way of a controller: which number stands for which source of which.

The one idea: an interrupt has one number on the whole board, so that whoever connects a handler can
never reach the line of another device. Lines of the processor have the numbers that the board gives
them; source 9 of the controller that was named first has 10,009, of the next one 20,009. What a
controller does with its sources is left to the device.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

from emu.errors import DeclarationError, nearest
from emu.kernel.device import Device

__all__ = ["SOURCE_STEP", "Source", "SourceFlaw", "Sources", "source_of", "sources_of"]

SOURCE_STEP = 10_000
"""Numbers from here on are sources of controllers; lines of the processor lie below."""


class Source(NamedTuple):
    """Name a source of an interrupt controller."""

    controller: str
    number: int

    def __str__(self) -> str:
        return f"source {self.number} of {self.controller}"


class SourceFlaw(NamedTuple):
    """Say what is wrong with a wiring, and which argument of `Board.attach` says it."""

    argument: str
    error: DeclarationError


def source_of(irq: int) -> int:
    """Return the source that an interrupt has at its controller, 0 for a line of the processor.

    >>> source_of(10_009), source_of(9)
    (9, 0)
    """
    return irq % SOURCE_STEP if irq >= SOURCE_STEP else 0


def sources_of(device: Device) -> list[int]:
    """Return the numbers of the sources of a device, none unless it is an interrupt controller."""
    found = (re.fullmatch(r"source(\d+)", name) for name in device.signals)
    return sorted(int(one[1]) for one in found if one)


class Sources:
    """Keep which device is wired to which source.

    Attributes:
        controllers: names of the controllers, in the order in which they were first named.
        wired: the source of each device that goes through a controller, by name of the device.
    """

    def __init__(self) -> None:
        self.controllers: list[str] = []
        self.wired: dict[str, Source] = {}

    def wire(self, device: str, controller: str, source: int) -> int:
        """Note that the interrupt of a device is a source of a controller; return its number."""
        if controller not in self.controllers:
            self.controllers.append(controller)
        self.wired[device] = Source(controller, source)
        return SOURCE_STEP * (1 + self.controllers.index(controller)) + source

    def find(self, irq: int) -> Source | None:
        """Return the source that a number stands for, None for a line of the processor."""
        place = irq // SOURCE_STEP - 1
        if not 0 <= place < len(self.controllers):
            return None
        return Source(self.controllers[place], irq % SOURCE_STEP)

    def flaw(self, name: str, devices: Mapping[str, Device], lines: set[str]) -> SourceFlaw | None:
        """Return what is wrong with how a device is wired, None if nothing is.

        Args:
            name: of the device.
            devices: all of the board.
            lines: names of those whose interrupt goes anywhere.
        """
        source = self.wired.get(name)
        if source is None:
            return None
        return self._of_controller(name, source.controller, devices, lines) or self._of_number(
            name, source, devices
        )

    def _of_controller(
        self, name: str, controller: str, devices: Mapping[str, Device], lines: set[str]
    ) -> SourceFlaw | None:
        """Return what is wrong with the controller that is named."""
        others = [one for one, device in devices.items() if sources_of(device) and one != name]
        known = nearest(controller, others) or "there is none; leave through out"
        if controller == name:
            return _flaw(name, "through", f"{name} goes through itself", fix=known)
        if controller not in devices:
            return _flaw(name, "through", f"no interrupt controller {controller!r}", fix=known)
        if controller not in others:
            what = f"{controller} ({devices[controller].KIND}) is no interrupt controller"
            return _flaw(name, "through", what, fix=known)
        if controller not in lines:
            what = f"{controller} has no irq, so that nothing comes through it"
            return _flaw(name, "through", what, fix=f"give {controller} an irq")
        if name in self._beyond(controller):
            what = f"{name} goes through {controller}, and that through {name}"
            return _flaw(name, "through", what, fix="leave through out at one of them")
        return None

    def _beyond(self, controller: str) -> list[str]:
        """Return the controllers that one goes through on its way to the processor."""
        found: list[str] = []
        while controller in self.wired and controller not in found:
            found.append(controller)
            controller = self.wired[controller].controller
        return [*found, controller]

    def _of_number(
        self, name: str, source: Source, devices: Mapping[str, Device]
    ) -> SourceFlaw | None:
        """Return what is wrong with the number of the source."""
        numbers = sources_of(devices[source.controller])
        if source.number not in numbers:
            what = f"{source.controller} has no source {source.number}"
            return _flaw(name, "irq", what, allowed=f"{numbers[0]} to {numbers[-1]}")
        others = [one for one, other in self.wired.items() if other == source]
        if others[0] != name:
            taken = {other.number for other in self.wired.values()}
            free = next((one for one in numbers if one not in taken), None)
            fix = "give each a source of its own"
            return _flaw(
                name, "irq", f"{source} is claimed by {others[0]} and {name}",
                fix=f"{fix}, such as {free}" if free else fix,
            )  # fmt: skip
        return None


def _flaw(device: str, argument: str, what: str, *, allowed: str = "", fix: str = "") -> SourceFlaw:
    where = f"device {device}"
    return SourceFlaw(argument, DeclarationError(what, where=where, allowed=allowed, fix=fix))
