"""A list of names as one text in a board description: ``telemetry, sampling``."""

from __future__ import annotations

from emu.errors import DeclarationError

__all__ = ["parse_names"]


def parse_names(value: object) -> tuple[str, ...]:
    """Return the names in `value`, a text with commas or spaces between them, or a tuple of them.

    >>> parse_names("telemetry, sampling")
    ('telemetry', 'sampling')

    Raises:
        DeclarationError: `value` is neither.
    """
    if isinstance(value, tuple) and all(isinstance(one, str) for one in value):
        return value
    if not isinstance(value, str):
        raise DeclarationError(
            f"{value!r} ({type(value).__name__})", allowed="names with commas between them"
        )
    return tuple(value.replace(",", " ").split())
