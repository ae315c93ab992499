"""The ``with`` block in which interrupts are masked.

The one idea: leaving the block undoes what entering it did, however it is left; blocks may nest,
and whoever takes one apart is told so by a rule.
"""

from __future__ import annotations

from typing import Protocol

__all__ = ["Maskable", "Masked"]


class Maskable(Protocol):
    """What can mask interrupts, once more each time."""

    def mask(self) -> None:
        """Mask interrupts once more."""

    def unmask(self) -> None:
        """Undo one `mask`."""


class Masked:
    """Keep interrupts masked inside a ``with`` block.

    Args:
        cpu: whose interrupts.
    """

    __slots__ = ("_cpu",)

    def __init__(self, cpu: Maskable) -> None:
        self._cpu = cpu

    def __enter__(self) -> None:
        self._cpu.mask()

    def __exit__(self, *_: object) -> None:
        self._cpu.unmask()
