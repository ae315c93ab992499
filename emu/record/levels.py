"""Levels of pins on the tape: which pin rose or fell, noted as it happens.

The one idea: as with characters, this is attached only when somebody wants to read the timeline.
"""

from __future__ import annotations

from emu.devices.gpio import PINS, Gpio
from emu.kernel.board import Board

__all__ = ["note_levels"]


def note_levels(board: Board, gpio: Gpio) -> None:
    """Put every change of a level of the pins of `gpio` on the tape of `board`."""
    journal, clock = board.journal, board.clock
    who = journal.source("pins", gpio.name)

    def note(before: int, after: int, _ours: bool) -> None:
        for pin in range(PINS):
            if (before ^ after) >> pin & 1:
                what = "rises" if after >> pin & 1 else "falls"
                journal.append((clock.now_ps, who, f"pin {pin}", what))

    gpio.on_change.append(note)
