"""What else goes on, and how long that holds a request up: at worst, and on average."""

from __future__ import annotations

from emu.kernel.clock import PS_PER_S
from emu.sizing.response import start_delay_ps, utilisation
from emu.sizing.workload import Workload

__all__ = ["holders", "mean_held_up_s", "other_share", "worst_ps"]


def other_share(workload: Workload) -> float:
    """Return the share of the processor that other handlers and masked sections take."""
    masked = workload.masked
    return float(utilisation(workload.tasks())) + masked.length_ps / masked.period_ps


def holders(workload: Workload) -> list[tuple[int, int]]:
    """Return for how long each thing that may hold a request up does so, and how often it comes."""
    masked = (workload.masked.length_ps, workload.masked.period_ps)
    tasks = workload.tasks(above=True if workload.cpu.nesting else None)  # those below give way
    return [*((one.cost_ps, one.period_ps) for one in tasks), masked]


def mean_held_up_s(workload: Workload) -> float:
    """Return how long other handlers and masked sections hold a request up on average.

    A request that comes at a random moment meets one of them with the share that it takes, and then
    waits for half of it.
    """
    held = holders(workload)
    return sum(cost_ps**2 / (2 * period_ps) for cost_ps, period_ps in held) / PS_PER_S


def worst_ps(workload: Workload, first_ps: int) -> int | None:
    """Return the bound of the time from a request to `first_ps` into its handler."""
    above, blocking_ps = workload.tasks(above=True), _blocking_ps(workload)
    if workload.cpu.nesting:
        return start_delay_ps(above, blocking_ps=blocking_ps + first_ps)
    delay_ps = start_delay_ps(above, blocking_ps=blocking_ps)
    return None if delay_ps is None else delay_ps + first_ps


def _blocking_ps(workload: Workload) -> int:
    """Return the longest time for which something of lower priority holds a handler up.

    A masked section, another handler that is not above it, or the end of its own last run; only one
    of them can be under way when the request comes.
    """
    below = [one.cost_ps for one in workload.tasks(above=False)]
    cycles = max(workload.cpu.entry_cycles, workload.cpu.exit_cycles, workload.cpu.time_cycles)
    step_ps = max(workload.cycles_ps(cycles), workload.access_ps)
    if workload.cpu.nesting:
        below = [step_ps] * bool(below)
    own_ps = workload.cycles_ps(workload.cpu.exit_cycles) + workload.access_ps
    return max(workload.masked.length_ps, own_ps, *below)
