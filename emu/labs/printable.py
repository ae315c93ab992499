"""Text that comes from a submission, or is its name, made fit to be shown on a screen."""

from __future__ import annotations

__all__ = ["printable"]


def printable(text: str) -> str:
    """Return a text with a question mark for all that steers a terminal or is no character."""
    return "".join(one if one.isprintable() or one == "\n" else "?" for one in text)
