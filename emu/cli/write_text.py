"""A file that a user asked for, or one clear message why it cannot be had."""

from __future__ import annotations

from pathlib import Path

from emu.errors import Flaw, InputError

__all__ = ["write_text"]


def write_text(path: Path, text: str) -> None:
    """Write a text into a file.

    Raises:
        InputError: it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise InputError([Flaw(str(path), 0, 0, f"cannot be written: {reason}")]) from error
