"""A setting that a device takes from a board description: its name, unit, default and meaning."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from emu.errors import DeclarationError, EmuError, nearest

__all__ = ["Parameter", "read_settings"]


@dataclass(frozen=True, slots=True)
class Parameter:
    """Declare one setting.

    Args:
        name: the key in a board description.
        parse: turns what a person writes into the value; raises `emu.errors.UnitError`.
        default: the value when the key is absent, in parsed form.
        meaning: one line for the printed help.
        choices: the values allowed, None for whatever `parse` takes.
        json_type: the type or types an editor should expect.
    """

    name: str
    parse: Callable[[Any], Any]
    default: Any
    meaning: str
    choices: tuple[Any, ...] | None = None
    json_type: tuple[str, ...] = ("string", "integer")

    def read(self, given: object) -> Any:  # noqa: ANN401 - what `parse` returns
        """Return the value of the setting.

        Raises:
            EmuError: `given` cannot be read or is not among the choices.
        """
        value = self.parse(given)
        if self.choices is not None and value not in self.choices:
            raise DeclarationError(
                f"{self.name}={value!r}", allowed=", ".join(str(one) for one in self.choices)
            )
        return value


def read_settings(
    parameters: Iterable[Parameter], given: Mapping[str, object], *, where: str
) -> dict[str, Any]:
    """Return a value for every parameter, from `given` or its default.

    Raises:
        DeclarationError: a key is unknown or a value cannot be read; the first one found.
    """
    known = {one.name: one for one in parameters}
    for key in given:
        if key not in known:
            raise DeclarationError(f"unknown setting {key!r}", where=where, fix=nearest(key, known))
    values: dict[str, Any] = {}
    for name, parameter in known.items():
        try:
            values[name] = parameter.read(given[name]) if name in given else parameter.default
        except EmuError as error:
            raise DeclarationError(
                error.what, where=f"{where}.{name}", allowed=error.allowed, fix=error.fix
            ) from error
    return values
