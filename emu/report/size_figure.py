"""Numbers to three digits, short enough for the columns of a table, and lines that keep units."""

from __future__ import annotations

from collections.abc import Iterator

from emu.report.run_summary import wrapped

__all__ = ["figure", "unbroken"]

_KEPT = "\u00a0"


def figure(value: float | None) -> str:
    """Return a number to three digits in at most seven characters, ``-`` for none."""
    if value is None:
        return "-"
    if value == 0:
        return "0"
    for size, unit in ((1e12, "T"), (1e9, "G"), (1e6, "M"), (1e4, "k")):
        if abs(value) >= size:
            scale = 1e3 if unit == "k" else size
            return f"{_digits(value / scale)}{unit}"
    return _digits(value)


def _digits(value: float) -> str:
    if abs(value) < 0.001:
        return "<.001"
    text = f"{value:.3g}" if abs(value) >= 0.1 else f"{value:.2g}"
    text = text.lstrip("0") if abs(value) < 0.01 else text
    return f"{value:.0f}" if "e" in text else text


def unbroken(text: str, indent: str, label: str = "") -> Iterator[str]:
    """Yield the lines of a text as `wrapped` does, none of which begins with a per cent sign."""
    for line in wrapped(text.replace(" %", f"{_KEPT}%"), indent, label):
        yield line.replace(_KEPT, " ")
