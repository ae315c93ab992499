"""What a workload says of itself, and when its characters come."""

from __future__ import annotations

from itertools import pairwise

import pytest

from emu.kernel.clock import PS_PER_S
from emu.sizing.arrivals import arrivals_ps
from emu.sizing.workload import Neighbour, Traffic, Workload, triggers_of


@pytest.mark.parametrize(
    ("fifo", "levels"),
    [
        (1, (1,)),
        (4, (1, 2, 3)),
        (16, (1, 4, 8, 14)),  # PC16550D, June 1995, 8.5
        (64, (1, 16, 32, 56)),  # TL16C750, as in the header linux/serial_reg.h
        (128, (1, 32, 64, 112)),
    ],
)
def test_usual_trigger_levels(fifo: int, levels: tuple[int, ...]) -> None:
    """FIFOs of 16 and 64 have the published levels, others the same shares of their size."""
    assert triggers_of(fifo) == levels
    assert Workload(fifo=fifo).levels == levels


@pytest.mark.parametrize("pattern", ["steady", "bursty", "random"])
@pytest.mark.parametrize("use", [0.1, 0.5, 1.0])
def test_characters_come_one_after_the_other_at_the_rate_asked_for(
    pattern: str, use: float
) -> None:
    """No two characters overlap, and on average they use the share of the line that was asked."""
    workload = Workload(traffic=Traffic(pattern, use, burst_bytes=10))
    starts_ps = arrivals_ps(workload, 2001, seed=3)
    gaps_ps = [after - before for before, after in pairwise(starts_ps)]

    assert min(gaps_ps) >= workload.line.character_ps - 1
    assert sum(gaps_ps) / len(gaps_ps) == pytest.approx(PS_PER_S / workload.rate_hz, rel=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_random_traffic_comes_in_the_time_in_which_it_should(seed: int) -> None:
    """However few are drawn, the last character ends when so many should have come."""
    workload = Workload(traffic=Traffic("random", 0.2))
    starts_ps = arrivals_ps(workload, 50, seed=seed)

    assert starts_ps[0] == 0
    assert starts_ps[-1] + workload.line.character_ps <= 50 / workload.rate_hz * PS_PER_S


def test_a_burst_comes_back_to_back() -> None:
    """Within a burst there is no pause, after it there is one."""
    workload = Workload(traffic=Traffic("bursty", 0.5, burst_bytes=3))
    starts_ps = arrivals_ps(workload, 7)
    gaps = [
        round((after - before) / workload.line.character_ps, 3)
        for before, after in pairwise(starts_ps)
    ]

    assert gaps == [1, 1, 4, 1, 1, 4]


def test_a_full_line_is_steady_however_it_is_meant() -> None:
    """Bursts and random pauses that fill the line leave no pause."""
    assert {Traffic(one, 1.0).shape for one in ("steady", "bursty", "random")} == {"steady"}
    assert Traffic("random").shape == "random"
    assert [Traffic("bursty", 0.5, one).shape for one in (1, 2)] == ["steady", "bursty"]


def test_others_are_told_apart_by_who_is_served_first() -> None:
    """Handlers above and below the device are separate, entry and exit included in their cost."""
    workload = Workload(others=(Neighbour(10**9, 100), Neighbour(2 * 10**9, 50, above=False)))

    assert [one.cost_ps for one in workload.tasks(above=True)] == [135 * 20_000]
    assert [one.cost_ps for one in workload.tasks(above=False)] == [85 * 20_000]
    assert len(workload.tasks()) == 2
