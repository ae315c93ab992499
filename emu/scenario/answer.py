"""What a driver answered, as plain values of Python.

The one idea: whoever derives a kind of number from `int` may let it compare as it likes. What is
judged is the number itself, and what only says of itself that it is a number is none.
"""

from __future__ import annotations

__all__ = ["plain_bytes", "plain_int", "plain_text"]


def plain_int(value: object) -> int | None:
    """Return a whole number, None for anything else, truth values among it."""
    kind = type(value)
    if kind is int:
        return value  # type: ignore[return-value]
    if kind is bool or not issubclass(kind, int):
        return None
    return int.__int__(value)  # type: ignore[arg-type]


def plain_bytes(value: object) -> bytes | None:
    """Return bytes, None for anything else."""
    kind = type(value)
    return bytes(memoryview(value)) if issubclass(kind, (bytes, bytearray)) else None  # type: ignore[arg-type]


def plain_text(value: object) -> str | None:
    """Return a text, None for anything else."""
    return str.__str__(value) if issubclass(type(value), str) else None
