"""What a handler costs: counted from its accesses, or measured.

The one idea: a handler costs something each time it is entered, and something for each character
that it takes; everything about triggers and FIFOs follows from these two.
"""

from __future__ import annotations

from dataclasses import dataclass

from emu.kernel.clock import PS_PER_S
from emu.sizing.workload import Workload

__all__ = ["HandlerCost", "estimated"]


@dataclass(frozen=True, slots=True)
class HandlerCost:
    """Hold the cost of a receive handler.

    Args:
        fixed_s: time each time it runs, entry and exit included.
        byte_s: time for each character it takes.
        first_s: time from the moment it may run to the access that takes the first character.
        fixed_accesses: register accesses each time it runs.
        byte_accesses: register accesses for each character.
    """

    fixed_s: float
    byte_s: float
    first_s: float
    fixed_accesses: float
    byte_accesses: float

    def of(self, characters: float) -> float:
        """Return the time of a run that takes so many characters."""
        return self.fixed_s + self.byte_s * characters


def estimated(workload: Workload) -> HandlerCost:
    """Return the cost of the smallest correct handler, counted from its accesses.

    It asks what the interrupt is about, looks at the status before each character and once more in
    the end, as ``drivers_example/level_driver.py`` does: 2 accesses, and 2 for each character.
    """
    access_s = workload.access_ps / PS_PER_S
    entry_s, exit_s = (
        workload.cycles_ps(one) / PS_PER_S
        for one in (workload.cpu.entry_cycles, workload.cpu.exit_cycles)
    )
    return HandlerCost(
        fixed_s=entry_s + exit_s + 2 * access_s,
        byte_s=2 * access_s,
        first_s=entry_s + 2 * access_s,
        fixed_accesses=2,
        byte_accesses=2,
    )
