"""The computed worst latency is a bound: no simulated system, however drawn, is ever later."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from emu.kernel.board import CpuSettings
from emu.sizing.bench import Bench
from emu.sizing.computed import compute
from emu.sizing.drivers import driver_for, why_not_simulated
from emu.sizing.handler import estimated
from emu.sizing.response import Task, response_ps, start_delay_ps, utilisation
from emu.sizing.strategies import DMA, POLLED, Strategy, strategies_of
from emu.sizing.workload import PATTERNS, Dma, Masked, Neighbour, Traffic, Workload
from emu.units import LineSettings

US_PS, MS_PS = 10**6, 10**9


def neighbours() -> st.SearchStrategy[Neighbour]:
    """Draw another interrupt, from frequent and short to rare and long, before or after."""
    return st.builds(
        Neighbour,
        st.integers(50, 3000).map(lambda us: us * US_PS),
        st.integers(10, 1500),
        st.booleans(),
        st.sampled_from([0, 0, 7, 40]).map(lambda us: us * US_PS),
    )


def workloads() -> st.SearchStrategy[Workload]:
    """Draw a processor, a line, traffic, a FIFO and whatever else goes on."""
    cycles = st.integers(1, 60)
    processors = st.builds(
        CpuSettings, st.sampled_from([8, 16, 50, 72, 100]).map(lambda mhz: mhz * 10**6),
        cycles, cycles, st.integers(1, 30), st.booleans(),
    )  # fmt: skip
    lines = st.builds(
        LineSettings, st.sampled_from([9600, 38_400, 115_200, 230_400, 921_600]),
        st.just(8), st.sampled_from(["none", "even"]),
    )  # fmt: skip
    traffic = st.builds(
        Traffic, st.sampled_from(PATTERNS), st.sampled_from([None, 0.2, 0.7, 1.0]),
        st.integers(1, 100),
    )  # fmt: skip
    masked = st.builds(
        Masked, st.sampled_from([0, 5, 20, 60]).map(lambda us: us * US_PS),
        st.integers(1, 10).map(lambda ms: ms * MS_PS),
    )  # fmt: skip
    return st.builds(
        Workload, processors, st.integers(1, 30), lines, traffic, st.sampled_from([1, 16, 64]),
        st.just(()), st.lists(neighbours(), max_size=3).map(tuple), masked,
        st.integers(1, 1000).map(lambda us: us * US_PS),
        st.builds(Dma, st.sampled_from([1, 2, 4, 8, 30, 64])),
    )  # fmt: skip


def check_bound(workload: Workload, strategy: Strategy, seed: int) -> None:
    """Run a strategy that loses nothing by arithmetic, and hold the run against it."""
    computed = compute(workload, strategy, estimated(workload))
    assume(computed.loss == 0)
    assert computed.worst_latency_s is not None

    driver, setting = driver_for(strategy)
    count = 40 if strategy.kind == POLLED else max(100, 8 * strategy.trigger)
    found = Bench(workload, setting, driver, count=count, seed=seed).run()

    assert found.loss == 0
    assert 0 < found.worst_latency_s <= computed.worst_latency_s + 1e-12


@pytest.mark.slow
@settings(max_examples=80)
@given(st.data())
def test_no_simulated_latency_is_above_the_computed_bound(data: st.DataObject) -> None:
    """Where arithmetic says that nothing is lost, nothing is, and nobody waits beyond the bound."""
    workload = data.draw(workloads())
    known = [one for one in strategies_of(workload) if not why_not_simulated(one, workload)]
    check_bound(workload, data.draw(st.sampled_from(known)), data.draw(st.integers(0, 99)))


@pytest.mark.slow
@settings(max_examples=80)
@given(workloads(), st.integers(0, 99))
def test_no_engine_waits_for_its_block_beyond_the_bound(workload: Workload, seed: int) -> None:
    """The same of blocks from 1 to 64 characters that an engine moves."""
    strategy = strategies_of(workload)[-1]

    assert strategy.kind == DMA
    check_bound(workload, strategy, seed)


def tasks() -> st.SearchStrategy[list[Task]]:
    """Draw up to four tasks that leave some time."""
    one = st.builds(Task, st.integers(1, 20), st.integers(5, 100), st.integers(0, 10))
    return st.lists(one, max_size=4).filter(lambda found: utilisation(found) < 1)


@given(tasks(), st.integers(1, 50), st.integers(0, 30))
def test_a_response_is_a_fixed_point_and_the_least(above: list[Task], cost: int, held: int) -> None:
    """The response time solves its own recurrence, and no shorter one does (own check)."""
    found = response_ps(Task(cost, 1000), above, blocking_ps=held)
    assert found is not None

    def needed(window: int) -> int:
        return cost + held + sum(
            -(-(window + one.jitter_ps) // one.period_ps) * one.cost_ps for one in above
        )  # fmt: skip

    assert needed(found) == found
    assert all(needed(window) > window for window in range(1, found))


@given(tasks(), st.integers(0, 30))
def test_a_start_is_never_earlier_than_what_blocks(above: list[Task], held: int) -> None:
    """A start waits for what blocks it, and longer the more there is above."""
    alone = start_delay_ps([], blocking_ps=held)
    among = start_delay_ps(above, blocking_ps=held)

    assert alone == held
    assert among is not None
    assert among >= held + sum(one.cost_ps for one in above)


def test_every_strategy_can_be_drawn() -> None:
    """The drawn systems have a way of each kind that can be simulated."""
    kinds = {one.kind for one in strategies_of(Workload())}

    assert {"bit-banged", "polled", "paced", "interrupts", "moderated", "dma"} == kinds
    assert isinstance(strategies_of(Workload())[0], Strategy)
