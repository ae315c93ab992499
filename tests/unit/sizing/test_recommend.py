"""The advice is the simplest way that holds, with its reason and its margin."""

from __future__ import annotations

from dataclasses import replace

import pytest

from emu.kernel.board import CpuSettings
from emu.sizing.recommend import recommend
from emu.sizing.study import Study, study
from emu.sizing.workload import Masked, Neighbour, Workload
from emu.units import LineSettings


def computed(workload: Workload) -> Study:
    """Return what arithmetic alone says."""
    return study(workload, simulated=False)


def at(baud: int, **more: object) -> Study:
    """Return the defaults at another rate."""
    return computed(replace(Workload(line=LineSettings(baud)), **more))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("baud", "kind", "depth"),
    [(9600, "interrupts", 1), (115_200, "interrupts", 1), (460_800, "interrupts", 16),
     (921_600, "interrupts", 16), (20_000_000, "dma", 16)],
)  # fmt: skip
def test_hardware_grows_with_the_rate(baud: int, kind: str, depth: int) -> None:
    """A byte at a time while that is enough, then a FIFO, then an engine."""
    row = recommend(at(baud)).row

    assert row is not None
    assert (row.strategy.kind, row.strategy.depth) == (kind, depth)
    assert row.computed.loss == 0


def test_the_advice_is_one_sentence_with_reason_and_margin() -> None:
    """It names load, margin in time and per cent, and what the best would save."""
    advice = recommend(at(115_200))

    assert advice.text.startswith("Take interrupt per byte: it costs 1.73 % of the processor")
    assert "61.31 us left of the 86.81 us" in advice.text
    assert "(70.6 %)" in advice.text
    assert "DMA, blocks of 64 would save another 1.69 %" in advice.text
    assert "\n" not in advice.text
    assert advice.short == "interrupt per byte: load 1.73 %, margin 70.6 %"


def test_a_margin_that_is_thin_is_not_taken() -> None:
    """What leaves less than half of the time is passed over where something leaves more."""
    row = recommend(at(230_400)).row

    assert row is not None
    assert row.computed.margin >= 0.5
    assert row.strategy.depth == 16


def test_without_hardware_that_holds_the_advice_says_how_far_it_goes() -> None:
    """Where every way loses characters there is no way to take, and the furthest is named."""
    advice = recommend(at(90_000_000))

    assert advice.row is None
    assert advice.text.startswith("Nothing receives everything at 90000000 baud; the furthest")
    assert advice.short == advice.text


def test_other_handlers_that_take_nearly_all_change_the_advice() -> None:
    """The more goes on besides, the more hardware is advised."""
    busy = Workload(
        cpu=CpuSettings(clock_hz=8_000_000),
        others=(Neighbour(10**9, 5000),), masked=Masked(50 * 10**6),
    )  # fmt: skip
    row = recommend(computed(busy)).row

    assert row is not None
    assert row.strategy.kind == "dma" or row.strategy.depth > 1
