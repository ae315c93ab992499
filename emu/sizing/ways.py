"""What each way of receiving asks of the processor, by arithmetic.

The one idea: each way has a function that counts accesses, interrupts and time for a character,
and bounds how late it may be; what follows from that (load, loss, the highest rate, its worth) is
the same for all and stands in `emu.sizing.computed`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from emu.kernel.clock import PS_PER_S
from emu.sizing.handler import HandlerCost
from emu.sizing.held_up import mean_held_up_s, other_share, worst_ps
from emu.sizing.margin import tolerable_ps
from emu.sizing.response import start_delay_ps
from emu.sizing.rows import bytes_per_interrupt, moderated_row
from emu.sizing.strategies import (
    BIT_BANGED,
    DMA,
    INTERRUPTS,
    MODERATED,
    PACED,
    POLLED,
    Strategy,
)
from emu.sizing.workload import Workload

__all__ = ["SAMPLES", "Demand", "demand_of"]

DATA_SAMPLES = 16  # 8 bits, each sampled twice: common practice, no source
SAMPLES = 1 + DATA_SAMPLES + 1  # start and stop bit once each
_LATE_BITS = 0.4  # of a bit that is left behind the second sample
_SPACING_BITS = 0.3  # between two samples of a bit
_STOP_BITS = 9.5  # from the start edge to the sample of the stop bit
_LEAST_REST = 0.01  # of the time between two looks, where there is hardly any
_BEATS = 5  # up to two before an engine asks, three from the ring to its next character


class Demand(NamedTuple):
    """What a way asks of the processor.

    Args:
        byte_s: time of the processor for each character, everything included.
        interrupts_hz: interrupts a second.
        accesses: register accesses for each character.
        worst_ps: bound of the latency, None if there is none.
        mean_s: mean latency.
        tolerable_ps: latency from which on a character is lost.
        fixed_s: the part of the time that each event costs, whatever it brings.
        busiest_s: time for each character when they come so fast that queues stay full.
    """

    byte_s: float
    interrupts_hz: float
    accesses: float
    worst_ps: int | None
    mean_s: float
    tolerable_ps: int
    fixed_s: float
    busiest_s: float


def demand_of(workload: Workload, strategy: Strategy, cost: HandlerCost) -> Demand:
    """Return what a strategy asks of the processor under a workload.

    Args:
        workload: what comes, and what else goes on.
        strategy: the way.
        cost: what a handler of the controller costs.
    """
    return _WAYS[strategy.kind](workload, strategy, cost)


def _costs_s(workload: Workload) -> tuple[float, float, float, float]:
    """Return the times of entry, exit, an access and reading the time."""
    cpu = workload.cpu
    cycles = (cpu.entry_cycles, cpu.exit_cycles, workload.access_cycles, cpu.time_cycles)
    entry_s, exit_s, access_s, time_s = (workload.cycles_ps(one) / PS_PER_S for one in cycles)
    return entry_s, exit_s, access_s, time_s


def _bit_banged(workload: Workload, _strategy: Strategy, _cost: HandlerCost) -> Demand:
    """Stay with each character from its start edge to its stop bit."""
    entry_s, exit_s, access_s, time_s = _costs_s(workload)
    bit_s = 1 / workload.line.baud
    first_s = entry_s + time_s
    byte_s = first_s + _STOP_BITS * bit_s + 2 * access_s + exit_s
    fits = time_s + access_s <= _SPACING_BITS * bit_s and byte_s <= workload.line.character_s
    return Demand(
        byte_s=byte_s,
        interrupts_hz=workload.rate_hz,
        accesses=SAMPLES + 1,
        worst_ps=worst_ps(workload, math.ceil(first_s * PS_PER_S)),
        mean_s=first_s + mean_held_up_s(workload),
        tolerable_ps=int(_LATE_BITS * bit_s * PS_PER_S) if fits else 0,
        fixed_s=0,
        busiest_s=byte_s,
    )


def _polled(workload: Workload, strategy: Strategy, _cost: HandlerCost) -> Demand:
    """Ask for each character with all the time that nobody else takes."""
    _, _, access_s, time_s = _costs_s(workload)
    share = 1 - other_share(workload)
    byte_s, taking_s, turn_s = share / workload.rate_hz, time_s + 3 * access_s, time_s + access_s
    away_ps = workload.masked.length_ps + math.ceil((3 * time_s + 3 * access_s) * PS_PER_S)
    return Demand(
        byte_s=byte_s,
        interrupts_hz=0,
        accesses=3 + max(byte_s - taking_s, 0) / turn_s,
        worst_ps=start_delay_ps(workload.tasks(), blocking_ps=away_ps),
        mean_s=turn_s / 2 + access_s + mean_held_up_s(workload),
        tolerable_ps=tolerable_ps(strategy.depth, 1, workload.line.character_ps),
        fixed_s=0,
        busiest_s=taking_s,
    )


def _paced(workload: Workload, strategy: Strategy, _cost: HandlerCost) -> Demand:
    """Look whenever half the FIFO may have filled."""
    _, _, access_s, time_s = _costs_s(workload)
    line, rate_hz = workload.line, workload.rate_hz
    rest_s, look_s, one_s = strategy.depth / 2 * line.character_s, time_s + access_s, 2 * access_s
    period_s = (rest_s + look_s) / max(1 - one_s * rate_hz, _LEAST_REST)
    row = period_s * rate_hz
    away_ps = workload.masked.length_ps + math.ceil((rest_s + 3 * time_s + 3 * access_s) * PS_PER_S)
    wait_s = max(_wait_s(workload, period_s), period_s / 2)
    if workload.traffic.shape == "random":  # of the looks, those that find something
        wait_s = _wait_s(workload, period_s) / (1 - math.exp(-period_s / _next_s(workload)))
    return Demand(
        byte_s=look_s / row + one_s,
        interrupts_hz=0,
        accesses=1 / row + 2,
        worst_ps=start_delay_ps(workload.tasks(), blocking_ps=away_ps),
        mean_s=wait_s + mean_held_up_s(workload),
        tolerable_ps=tolerable_ps(strategy.depth, 1, line.character_ps),
        fixed_s=look_s,
        busiest_s=look_s / strategy.depth + one_s,
    )


def _interrupts(workload: Workload, strategy: Strategy, cost: HandlerCost) -> Demand:
    """Take what is there when the FIFO has filled to a level."""
    row = bytes_per_interrupt(workload, strategy, cost)
    return _by_handler(workload, strategy, cost, row)


def _by_handler(
    workload: Workload, strategy: Strategy, cost: HandlerCost, row: float, wait_s: float = 0
) -> Demand:
    """Take `row` characters an interrupt, which may have to wait for its turn."""
    first_ps = math.ceil(cost.first_s * PS_PER_S)
    return Demand(
        byte_s=cost.fixed_s / row + cost.byte_s,
        interrupts_hz=workload.rate_hz / row,
        accesses=cost.fixed_accesses / row + cost.byte_accesses,
        worst_ps=worst_ps(workload, first_ps),
        mean_s=wait_s + cost.first_s + mean_held_up_s(workload),
        tolerable_ps=tolerable_ps(strategy.depth, strategy.trigger, workload.line.character_ps),
        fixed_s=cost.fixed_s,
        busiest_s=cost.fixed_s / strategy.depth + cost.byte_s,
    )


def _moderated(workload: Workload, strategy: Strategy, cost: HandlerCost) -> Demand:
    """Interrupt at the first character, but not more often than once in so long a time."""
    least_s = workload.moderation_ps / PS_PER_S
    row = moderated_row(workload, least_s + mean_held_up_s(workload))
    wait_s = _wait_s(workload, least_s) if row > 1 else 0
    demand = _by_handler(workload, strategy, cost, row, wait_s)
    if row > strategy.depth:  # the rest is lost
        demand = demand._replace(
            byte_s=cost.of(strategy.depth) / row,
            accesses=(cost.fixed_accesses + cost.byte_accesses * strategy.depth) / row,
        )
    if demand.worst_ps is None:
        return demand
    return demand._replace(worst_ps=demand.worst_ps + workload.moderation_ps)


def _wait_s(workload: Workload, window_s: float) -> float:
    """Return how long the first character of a window waits for its end, 0 if none comes in it."""
    next_s = _next_s(workload)
    if workload.traffic.shape == "random":
        return window_s - next_s * (1 - math.exp(-window_s / next_s))
    return max(window_s - next_s, 0.0)


def _next_s(workload: Workload) -> float:
    """Return how long it is from any moment to the next character, on average.

    Half the time between two where they are even; longer where they are not, since a moment falls
    into long pauses more often than into short ones.
    """
    between_s, character_s = 1 / workload.rate_hz, workload.line.character_s
    if workload.traffic.shape != "random":
        return between_s / 2
    pause_s = between_s - character_s
    square = character_s**2 + 2 * character_s * pause_s + 2 * pause_s**2
    return square / (2 * between_s)


def _dma(workload: Workload, strategy: Strategy, _cost: HandlerCost) -> Demand:
    """Let an engine move the characters, and be interrupted once a block.

    A block that is not full waits, however long the line rests; the program finds what is in it.
    The last access but one lets the engine go on, the last finds that nothing else came back. Of
    what is held up for longer than a block the load is on the safe side: one run serves two.
    """
    entry_s, exit_s, access_s, _ = _costs_s(workload)
    block, accesses = strategy.trigger, workload.dma.accesses
    block_s, ring_s = (
        entry_s + exit_s + accesses * access_s,
        entry_s + max(accesses - 2, 0) * access_s,
    )
    return Demand(
        byte_s=block_s / block,
        interrupts_hz=workload.rate_hz / block,
        accesses=accesses / block,
        worst_ps=worst_ps(workload, math.ceil(ring_s * PS_PER_S)),
        mean_s=ring_s + mean_held_up_s(workload),
        tolerable_ps=_engine_tolerable_ps(workload, strategy),
        fixed_s=block_s,
        busiest_s=block_s / block,
    )


def _engine_tolerable_ps(workload: Workload, strategy: Strategy) -> int:
    """Return how late an engine may get its next block, 0 where it is too slow for the line.

    The second block fills, then the FIFO, then the shift register. Of the FIFO no more counts than
    another block, so that it is empty again when the next request comes.
    """
    block, character_ps = strategy.trigger, workload.line.character_ps
    beat_ps = -(-PS_PER_S // workload.engine_hz)
    if (block + 1) * beat_ps > block * character_ps:  # one for each character, one for the block
        return 0
    left_ps = tolerable_ps(2 * block, block, character_ps)
    fifo_ps = min(strategy.depth, block - 1) * character_ps
    return max(left_ps + fifo_ps - _BEATS * beat_ps, 0)


_WAYS: dict[str, Callable[[Workload, Strategy, HandlerCost], Demand]] = {
    BIT_BANGED: _bit_banged,
    POLLED: _polled,
    PACED: _paced,
    INTERRUPTS: _interrupts,
    MODERATED: _moderated,
    DMA: _dma,
}
