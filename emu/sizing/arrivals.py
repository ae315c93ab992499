"""When characters come: the traffic of a workload as moments on the line."""

from __future__ import annotations

import random
from fractions import Fraction

from emu.kernel.clock import PS_PER_S
from emu.line.frame import format_of
from emu.sizing.workload import Workload

__all__ = ["arrivals_ps"]


def arrivals_ps(workload: Workload, count: int, *, seed: int = 1) -> list[int]:
    """Return when each of `count` characters begins, in ps from the first; in order, none overlaps.

    Args:
        workload: says how they come.
        count: how many, 1 or more.
        seed: seed of random traffic.
    """
    line, traffic = workload.line, workload.traffic
    character = Fraction(format_of(line).half_bits * PS_PER_S, 2 * line.baud)
    mean = character / Fraction(traffic.share)
    if traffic.shape == "random":
        return _at_random(character, float(mean - character), count, random.Random(seed))
    if traffic.shape == "steady":
        return [int(mean * number) for number in range(count)]
    burst = traffic.burst_bytes
    return [
        int(mean * burst * (number // burst) + character * (number % burst))
        for number in range(count)
    ]


def _at_random(character: Fraction, pause_ps: float, count: int, draw: random.Random) -> list[int]:
    """Return characters with pauses of random length between them, `pause_ps` on average.

    Pauses are stretched alike so that they are that long on average in this run too, and all that
    is sent comes in the time in which it should.
    """
    pauses = [draw.expovariate(1) for _ in range(count)]
    stretch = count * pause_ps / sum(pauses)
    paused_ps, found = 0.0, []
    for number, pause in enumerate(pauses):
        found.append(int(character * number) + int(paused_ps))
        paused_ps += stretch * pause
    return found
