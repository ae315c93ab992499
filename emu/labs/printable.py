"""Text that comes from a submission, or is its name, made fit to be shown on a screen."""

from __future__ import annotations

__all__ = ["printable"]


def printable(text: str) -> str:
    """Return a text with what steers a terminal, or is no character, written as an escape."""
    return "".join(
        one if one.isprintable() or one == "\n" else one.encode("unicode_escape").decode()
        for one in text
    )
