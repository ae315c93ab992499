"""Quantities on the command line, in the units that scenarios take."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from emu.errors import UnitError
from emu.units import parse_duration

__all__ = ["Duration", "Quantity", "Seconds"]


class Duration(click.ParamType[int]):
    """Read a duration such as ``250 ms``."""

    name = "duration"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Return the duration in ps."""
        try:
            return parse_duration(value)
        except UnitError as error:
            self.fail(str(error), param, ctx)


class Seconds(click.ParamType[float]):
    """Read real time such as ``30s`` or ``2 min``."""

    name = "time"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the time in seconds, above 0."""
        if isinstance(value, float):
            return value
        try:
            seconds = parse_duration(value) / 10**12
        except UnitError as error:
            self.fail(str(error), param, ctx)
        if seconds <= 0:
            self.fail(f"{value} is no time to work in; allowed: above 0", param, ctx)
        return seconds


class Quantity(click.ParamType[Any]):
    """Read whatever a function reads, and refuse what it refuses.

    Args:
        name: what the quantity is called.
        parse: reads it; raises `UnitError`.
    """

    def __init__(self, name: str, parse: Callable[[object], Any]) -> None:
        self.name = name
        self._parse = parse

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> object:
        """Return what was read."""
        try:
            return self._parse(value)
        except UnitError as error:
            self.fail(str(error), param, ctx)
