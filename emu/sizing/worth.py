"""What an accelerator is worth: Amdahl's law with the cost of moving data, and where it pays.

Source: G. M. Amdahl, AFIPS 1967, as taught in R. E. Bryant and D. R. O'Hallaron, Computer Systems:
A Programmer's Perspective, chapter 1; the term for the transfer is our own addition to it.
"""

from __future__ import annotations

import math

__all__ = ["break_even_size", "program_speed_up"]


def program_speed_up(fraction: float, factor: float, transfer: float = 0.0) -> float:
    """Return how much faster the whole program runs.

    Args:
        fraction: share of the program's time that is accelerated, 0 to 1.
        factor: how much faster that share becomes, above 0, infinite for no time at all.
        transfer: time spent on handing data over, as a share of the program's old time.
    """
    left = (1 - fraction) + fraction / factor + transfer
    return 1 / left if left > 0 else math.inf


def break_even_size(setup_s: float, software_s: float, hardware_s: float) -> float | None:
    """Return from how many items on an accelerator pays; None if it never does.

    Args:
        setup_s: time to start it and to learn that it is done.
        software_s: time for one item without it.
        hardware_s: processor time for one item with it, moving the data included.
    """
    gain_s = software_s - hardware_s
    return setup_s / gain_s if gain_s > 0 else None
