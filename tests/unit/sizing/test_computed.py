"""What each way costs by arithmetic: facts of the trade, counts, and limits that fit together."""

from __future__ import annotations

from dataclasses import replace

import pytest

from emu.kernel.board import CpuSettings
from emu.sizing.computed import Computed, compute, holds
from emu.sizing.handler import estimated
from emu.sizing.rows import bytes_per_interrupt
from emu.sizing.strategies import (
    BIT_BANGED,
    DMA,
    INTERRUPTS,
    MODERATED,
    PACED,
    POLLED,
    Strategy,
    strategies_of,
)
from emu.sizing.ways import DATA_SAMPLES, SAMPLES, demand_of
from emu.sizing.workload import Masked, Traffic, Workload
from emu.units import LineSettings

ALONE = Workload(others=(), masked=Masked(0))
SLOW = replace(ALONE, cpu=CpuSettings(clock_hz=4_000_000), access_cycles=30,
               line=LineSettings(921_600))  # fmt: skip


def computed(workload: Workload, strategy: Strategy) -> Computed:
    """Return what arithmetic says with the estimated handler."""
    return compute(workload, strategy, estimated(workload))


def test_a_controller_spares_sixteen_samples_a_character() -> None:
    """Eight bits, each sampled twice, are what a whole byte spares (common practice, no source)."""
    banged = demand_of(ALONE, Strategy(BIT_BANGED, ""), estimated(ALONE))

    assert DATA_SAMPLES == 8 * 2 == 16
    assert banged.accesses == SAMPLES + 1  # start and stop bit besides, and one to clear the edge


def test_a_drained_fifo_of_64_turns_512_bit_events_into_one() -> None:
    """64 characters of 8 bits an interrupt (common practice, no source)."""
    deep = replace(ALONE, fifo=64, triggers=(64,))
    row = bytes_per_interrupt(deep, Strategy(INTERRUPTS, "", 64, 64), estimated(deep))

    assert row * 8 == 512


@pytest.mark.parametrize(("trigger", "accesses"), [(1, 4), (4, 2.5), (8, 2.25), (14, 2 + 2 / 14)])
def test_accesses_of_a_handler(trigger: int, accesses: float) -> None:
    """Two accesses a character and two a handler, spread over what the trigger brings."""
    found = computed(ALONE, Strategy(INTERRUPTS, "", 16, trigger))

    assert found.accesses_per_byte == pytest.approx(accesses)
    assert found.interrupts_hz == pytest.approx(11_520 / trigger)


def test_load_is_cycles_over_cycles() -> None:
    """75 cycles an interrupt of 4340.3 cycles a character at 50 MHz and 115200 8N1."""
    found = computed(ALONE, Strategy(INTERRUPTS, "", 1, 1))

    assert found.load == pytest.approx(75 / (50e6 * 10 / 115_200))


@pytest.mark.parametrize(
    ("traffic", "row"),
    [
        (Traffic("bursty", 0.3, burst_bytes=10), 10 / 2),  # eight, and two by the time-out
        (Traffic("bursty", 0.3, burst_bytes=5), 5),
        (Traffic("bursty", 0.9, burst_bytes=10), 8),  # the pause is too short for a time-out
        (Traffic("steady", 0.2), 1),  # five characters from one to the next
        (Traffic("steady", 0.5), 8),
    ],
)
def test_the_time_out_ends_rows_early(traffic: Traffic, row: float) -> None:
    """What stays below the level comes by the time-out of four characters (PC16550D, 8.11)."""
    workload = replace(ALONE, traffic=traffic)

    found = bytes_per_interrupt(workload, Strategy(INTERRUPTS, "", 16, 8), estimated(workload))
    assert found == pytest.approx(row)


@pytest.mark.parametrize("traffic", [Traffic(), Traffic("bursty"), Traffic("random")])
@pytest.mark.parametrize("workload", [Workload(), ALONE, SLOW], ids=["usual", "alone", "slow"])
def test_the_highest_rate_is_where_it_stops_holding(workload: Workload, traffic: Traffic) -> None:
    """At the highest rate nothing is lost by arithmetic, one per cent above it something may be."""
    workload = replace(workload, traffic=traffic)
    for strategy in strategies_of(workload):
        highest = computed(workload, strategy).highest_baud
        if not 100 < highest < 10**8:
            continue

        def held(baud: int, strategy: Strategy = strategy) -> bool:
            changed = replace(workload, line=LineSettings(baud))
            return holds(changed, demand_of(changed, strategy, estimated(changed)))

        assert held(highest), strategy.name
        assert not held(round(highest * 1.01)), strategy.name


def test_livelock_begins_where_handlers_take_everything() -> None:
    """At the rate of the onset an interrupt for each character takes the whole processor."""
    strategy = Strategy(INTERRUPTS, "interrupt per byte")
    onset = computed(Workload(), strategy).livelock_baud
    free = 1 - 235 / 50_000  # what the tick leaves

    assert onset / 10 * 75 / 50e6 == pytest.approx(free, rel=1e-4)


def test_more_that_is_taken_at_once_costs_less() -> None:
    """Load and margin fall with the trigger level, and a block beats all of them."""
    found = [computed(Workload(), Strategy(INTERRUPTS, "", 16, one)) for one in (1, 4, 8, 14)]
    block = computed(Workload(), Strategy(DMA, "", 16, 64))

    assert [one.load for one in found] == sorted((one.load for one in found), reverse=True)
    assert [one.margin for one in found] == sorted((one.margin for one in found), reverse=True)
    assert block.load < found[-1].load
    assert block.speed_up > found[-1].speed_up > found[0].speed_up > 1
    worth = [one.program_speed_up or 0 for one in (found[0], found[-1], block)]
    assert 1 < worth[0] < worth[1] < worth[2]


def test_bit_banging_is_what_speed_ups_are_measured_against() -> None:
    """Bit-banging is as fast as itself, alone and in the whole program."""
    found = computed(ALONE, Strategy(BIT_BANGED, ""))

    assert found.speed_up == 1
    assert found.program_speed_up == pytest.approx(1)


@pytest.mark.parametrize("cycles", [0, 1000, 100_000])
def test_the_more_a_program_computes_the_less_receiving_matters(cycles: int) -> None:
    """Old time over new time, of receiving and computing a character (Amdahl's law, own check)."""
    workload = replace(ALONE, compute_cycles=cycles)
    computing_s = cycles / 50e6
    banged, block = (
        computed(workload, one) for one in (Strategy(BIT_BANGED, ""), Strategy(DMA, "", 16, 64))
    )

    whole = (banged.byte_s + computing_s) / (block.byte_s + computing_s)
    assert block.program_speed_up == pytest.approx(whole)
    assert computed(workload, Strategy(POLLED, "")).program_speed_up is None


def test_a_block_pays_from_its_setup_on() -> None:
    """95 cycles of setup are saved by two interrupts of 75 (own arithmetic)."""
    assert computed(ALONE, Strategy(DMA, "", 16, 64)).break_even_bytes == pytest.approx(95 / 75)


@pytest.mark.parametrize("kind", [POLLED, PACED, INTERRUPTS, MODERATED])
def test_too_much_is_lost_and_told(kind: str) -> None:
    """Where characters come faster than accesses can take them, a loss is computed."""
    depth = 1 if kind == POLLED else 16
    found = computed(SLOW, Strategy(kind, "", depth))

    assert found.loss is not None
    assert 0.25 < found.loss < 0.8
    assert found.highest_baud < 921_600


def test_a_masked_section_longer_than_the_fifo_loses_what_does_not_fit() -> None:
    """One section of 2 ms every 10 ms: 23 characters come, 16 fit, of some 115 (own arithmetic)."""
    workload = replace(ALONE, masked=Masked(2 * 10**9, 10**10))
    found = computed(workload, Strategy(INTERRUPTS, "", 16, 1))

    assert found.loss == pytest.approx((2e-3 * 11_520 - 16) / (10e-3 * 11_520))


def test_an_engine_may_be_late_by_a_block_and_the_fifo() -> None:
    """A block of 64, a FIFO of 16 and the shift register fill, less five beats (own arithmetic)."""
    found = computed(ALONE, Strategy(DMA, "", 16, 64))
    beat_s = 10 / 50e6

    assert found.tolerable_s == pytest.approx((64 + 16 + 1) * 10 / 115_200 - 5 * beat_s)
    assert found.worst_latency_s == pytest.approx((20 + 4 * 10) / 50e6 + (15 + 10) / 50e6)


def test_an_engine_that_is_slower_than_the_line_holds_nothing() -> None:
    """With 17 beats for 16 characters, at 5 MHz, the line may bring 4.7 M characters a second."""
    highest = computed(ALONE, Strategy(DMA, "", 16, 16)).highest_baud

    assert highest == pytest.approx(10 * 5e6 * 16 / 17, rel=0.001)
    slow = replace(ALONE, line=LineSettings(50_000_000))
    assert computed(slow, Strategy(DMA, "", 16, 16)).loss is None


@pytest.mark.parametrize("traffic", [Traffic("bursty", 0.3, 10), Traffic("random", 0.01)])
def test_a_block_that_is_not_full_waits(traffic: Traffic) -> None:
    """Whatever pauses the line makes, an engine interrupts once for each full block."""
    workload = replace(ALONE, traffic=traffic)
    found = computed(workload, Strategy(DMA, "", 16, 64))

    assert found.interrupts_hz == pytest.approx(workload.rate_hz / 64)


def test_no_time_at_all_has_no_bound() -> None:
    """Below handlers that take the whole processor there is no worst latency and no rate."""
    full = replace(ALONE, masked=Masked(9_999 * 10**6, 10**10))
    busy = replace(full, masked=Masked(10**10 - 1, 10**10))

    assert computed(full, Strategy(INTERRUPTS, "", 16, 1)).loss != 0
    assert computed(busy, Strategy(INTERRUPTS, "", 16, 1)).margin < 0
