"""What follows from what a way asks of the processor: load, loss, the highest rate, its worth."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from emu.kernel.clock import PS_PER_S
from emu.sizing.handler import HandlerCost
from emu.sizing.held_up import holders, other_share
from emu.sizing.margin import livelock_onset_hz, lost_in_gap, overload_loss
from emu.sizing.queues import erlang_b, md1k_loss
from emu.sizing.response import utilisation
from emu.sizing.strategies import BIT_BANGED, DMA, INTERRUPTS, MODERATED, POLLED, Strategy
from emu.sizing.ways import Demand, demand_of
from emu.sizing.workload import Workload
from emu.sizing.worth import break_even_size, program_speed_up

__all__ = ["Computed", "compute", "holds"]

_LOWEST_BAUD, _HIGHEST_BAUD = 1, 100_000_000


@dataclass(frozen=True, slots=True)
class Computed:
    """Hold what arithmetic says of a strategy.

    Args:
        load: share of the processor that receiving takes, 0 to 1.
        interrupts_hz: interrupts a second.
        accesses_per_byte: register accesses for each character.
        worst_latency_s: bound of the time from a request to the access that takes its first data;
            None where higher priorities leave no time at all.
        mean_latency_s: its mean.
        tolerable_s: latency from which on a character is lost.
        loss: share of the characters that is lost; None where no closed form tells.
        highest_baud: the highest rate at which none is lost, 0 if there is none.
        livelock_baud: the rate at which a full line leaves the main program no time, 0 for none.
        byte_s: time of the processor for each character.
        speed_up: how much less time that is than bit-banging takes.
        program_speed_up: of a program that receives and computes, moving the data included; None
            where receiving leaves it no time.
        break_even_bytes: from how many characters in a row on it takes less time than an interrupt
            for each; None where it never does, or is none of these ways.
    """

    load: float
    interrupts_hz: float
    accesses_per_byte: float
    worst_latency_s: float | None
    mean_latency_s: float
    tolerable_s: float
    loss: float | None
    highest_baud: int
    livelock_baud: int
    byte_s: float
    speed_up: float
    program_speed_up: float | None
    break_even_bytes: float | None

    @property
    def margin(self) -> float:
        """How much of the tolerable latency is left at worst, 1 for all; below 0 for none."""
        if self.worst_latency_s is None or not self.tolerable_s:
            return -1.0
        return 1 - self.worst_latency_s / self.tolerable_s


def compute(workload: Workload, strategy: Strategy, cost: HandlerCost) -> Computed:
    """Return what arithmetic says of a strategy under a workload.

    Args:
        workload: what comes, and what else goes on.
        strategy: the way.
        cost: what a handler of the controller costs.
    """
    demand = demand_of(workload, strategy, cost)
    banged = demand_of(workload, Strategy(BIT_BANGED, ""), cost)
    return Computed(
        load=_load(workload, demand),
        interrupts_hz=demand.interrupts_hz,
        accesses_per_byte=demand.accesses,
        worst_latency_s=None if demand.worst_ps is None else demand.worst_ps / PS_PER_S,
        mean_latency_s=demand.mean_s,
        tolerable_s=demand.tolerable_ps / PS_PER_S,
        loss=_loss(workload, strategy, demand),
        highest_baud=_highest_baud(workload, strategy, cost),
        livelock_baud=_livelock_baud(workload, strategy, demand),
        byte_s=demand.byte_s,
        speed_up=banged.byte_s / demand.byte_s,
        program_speed_up=_program_speed_up(workload, strategy, banged, demand),
        break_even_bytes=_break_even(workload, strategy, demand, cost),
    )


def _load(workload: Workload, demand: Demand) -> float:
    """Return the share of the processor: all that others leave where that is not enough."""
    free = max(1 - other_share(workload), 0.0)
    steady, share = workload.traffic.shape == "steady", workload.traffic.share
    if steady and _pressure(workload, demand) * share > 1:
        return free
    return min(demand.byte_s * workload.rate_hz, free)


def holds(workload: Workload, demand: Demand) -> bool:
    """Say whether nothing is ever lost: never too late, and never too slow at the line's pace."""
    if demand.worst_ps is None or demand.worst_ps > demand.tolerable_ps:
        return False
    return _pressure(workload, demand) <= 1


def _pressure(workload: Workload, demand: Demand) -> float:
    """Return how much of the time that others leave is asked for while characters come in a row."""
    free = 1 - other_share(workload)
    return demand.busiest_s / workload.line.character_s / free if free > 0 else math.inf


def _loss(workload: Workload, strategy: Strategy, demand: Demand) -> float | None:
    """Return the share that is lost, on the safe side; None where no closed form tells."""
    if holds(workload, demand):
        return 0.0
    if strategy.kind == BIT_BANGED:
        return None
    if strategy.kind == DMA and (not demand.tolerable_ps or demand.worst_ps is None):
        return None
    found = [_overload_loss(workload, strategy, _pressure(workload, demand))]
    if strategy.kind == DMA:
        found.append(_buffer_loss(demand))
    if demand.worst_ps is None or demand.worst_ps > demand.tolerable_ps:
        found.append(_late_loss(workload, strategy))
    return min(max(found), 1.0) or None  # it takes several things at once, which no sum tells


def _buffer_loss(demand: Demand) -> float:
    """Return how often both buffers of an engine are full, on the safe side.

    Two servers without a queue, each held until the handler has been there; blocks come more evenly
    than at random, for which the formula holds.
    """
    return erlang_b(2, demand.interrupts_hz * (demand.mean_s + demand.fixed_s))


def _overload_loss(workload: Workload, strategy: Strategy, pressure: float) -> float:
    """Return what is lost because it comes faster than it can be served.

    In random traffic that is what a queue of so many places loses, the shift register included;
    characters cannot come closer than the line lets them, so that is on the safe side.
    """
    traffic = workload.traffic
    if pressure <= 1:
        return 0.0
    if traffic.shape == "steady":
        return overload_loss(pressure * traffic.share)
    if traffic.shape == "random":
        return md1k_loss(pressure * traffic.share, strategy.room + 1)
    burst, waiting = traffic.burst_bytes, strategy.trigger - 1  # before anything is taken
    kept = strategy.room - waiting
    return max(0.0, (burst - waiting) * (1 - 1 / pressure) - kept) / burst


def _late_loss(workload: Workload, strategy: Strategy) -> float:
    """Return what is lost while something holds the processor up for longer than the FIFO lasts."""
    character_s, depth = workload.line.character_s, strategy.room
    if strategy.kind == MODERATED:
        come = workload.moderation_ps / PS_PER_S / character_s
        if come > depth:
            return 1 - depth / come
    return sum(
        lost_in_gap(depth, strategy.trigger, length_ps / PS_PER_S / character_s)
        * PS_PER_S
        / period_ps
        / workload.rate_hz
        for length_ps, period_ps in holders(workload)
    )


def _at_baud(workload: Workload, baud: int) -> Workload:
    return replace(workload, line=replace(workload.line, baud=baud))


def _highest_baud(workload: Workload, strategy: Strategy, cost: HandlerCost) -> int:
    """Return the highest rate at which nothing is lost, to a part in a thousand; 0 for none."""

    def good(baud: int) -> bool:
        changed = _at_baud(workload, baud)
        return holds(changed, demand_of(changed, strategy, cost))

    low, high = _LOWEST_BAUD, _HIGHEST_BAUD
    if not good(low):
        return 0
    if good(high):
        return high
    while high - low > max(low // 1000, 1):
        middle = (low + high) // 2
        low, high = (middle, high) if good(middle) else (low, middle)
    return low


def _livelock_baud(workload: Workload, strategy: Strategy, demand: Demand) -> int:
    """Return the rate at which a full line takes all the time there is; 0 without handlers."""
    if strategy.kind not in (INTERRUPTS, MODERATED):
        return 0
    other = float(utilisation(workload.tasks()))
    rate_hz = livelock_onset_hz(demand.busiest_s, other)
    return round(rate_hz * workload.line.frame_bits)


def _program_speed_up(
    workload: Workload, strategy: Strategy, banged: Demand, demand: Demand
) -> float | None:
    """Return the speed-up of a program that has bit-banged so far and computes in between.

    What is accelerated is receiving, the rest is computing; moving the data, which the accesses do,
    is paid apart.
    """
    if strategy.kind == POLLED:
        return None
    compute_s = workload.cycles_ps(workload.compute_cycles) / PS_PER_S
    whole_s = banged.byte_s + compute_s
    moving_s = demand.accesses * workload.access_ps / PS_PER_S
    if strategy.kind == BIT_BANGED:
        moving_s = 0.0  # samples are the work itself
    other_s = max(demand.byte_s - moving_s, 0.0)
    factor = banged.byte_s / other_s if other_s > 0 else math.inf
    return program_speed_up(banged.byte_s / whole_s, factor, transfer=moving_s / whole_s)


def _break_even(
    workload: Workload, strategy: Strategy, demand: Demand, cost: HandlerCost
) -> float | None:
    """Return from how many characters in a row on it beats an interrupt for each of them."""
    if strategy.depth == 1 and strategy.kind != DMA:
        return None
    each_s = 0.0 if strategy.kind == DMA else 2 * workload.access_ps / PS_PER_S
    if strategy.kind in (INTERRUPTS, MODERATED):
        each_s = cost.byte_s
    return break_even_size(demand.fixed_s, cost.of(1), each_s)
