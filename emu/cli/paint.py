"""Colour for terminals, where it is wanted; never the only carrier of meaning."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, TextIO

import click

if TYPE_CHECKING:
    from emu.report.run_summary import Paint

__all__ = ["painter"]

_TONES = {"good": "green", "bad": "red", "name": "cyan", "dim": "bright_black"}


def painter(stream: TextIO) -> Paint:
    """Return a function that colours if `stream` is a terminal and ``NO_COLOR`` is not set."""
    from emu.report.run_summary import plain

    if not stream.isatty() or os.environ.get("NO_COLOR"):
        return plain
    return lambda text, tone: click.style(text, fg=_TONES[tone], bold=tone in ("good", "bad"))
