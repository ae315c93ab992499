"""The advice is the simplest way that holds, with its reason and its margin."""

from __future__ import annotations

from dataclasses import replace

import pytest

from emu.kernel.board import CpuSettings
from emu.sizing.recommend import recommend, recommend_depth
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
    ("fifo", "baud", "kind"),
    [(16, 300, "interrupts"), (16, 115_200, "interrupts"), (16, 921_600, "interrupts"),
     (16, 20_000_000, "dma"), (1, 115_200, "interrupts"), (1, 460_800, "dma")],
)  # fmt: skip
def test_what_is_there_is_taken_as_long_as_it_holds(fifo: int, baud: int, kind: str) -> None:
    """The FIFO that is there is used whatever the rate, an engine only where it is worth it."""
    row = recommend(at(baud, fifo=fifo)).row

    assert row is not None
    assert (row.strategy.kind, row.strategy.depth) == (kind, fifo)
    assert row.computed.loss == 0


def test_of_the_levels_the_cheapest_with_enough_margin_is_taken() -> None:
    """Level 14 where that leaves half of the time, level 4 where masked sections are long."""
    levels = [recommend(at(115_200, masked=Masked(us * 10**6))).row for us in (20, 400)]

    assert [row.strategy.trigger for row in levels if row] == [14, 4]


def test_an_engine_has_to_save_much() -> None:
    """At 8 MHz and 921600 baud the FIFO holds, but costs a third of the processor more."""
    advice = recommend(at(921_600, cpu=CpuSettings(clock_hz=8_000_000)))

    assert advice.row is not None
    assert advice.row.strategy.kind == "dma"
    assert advice.text.endswith("; interrupt at 4 of 16 would cost 35.6 %")


def test_the_advice_is_one_sentence_with_reason_and_margin() -> None:
    """It names load, margin in time and per cent, and what the best would save."""
    advice = recommend(at(115_200))

    assert advice.text == (
        "Take interrupt at 14 of 16, since the FIFO is there: it costs 0.551 % of the processor, "
        "loses nothing, and at worst has 234.9 us left of the 260.4 us after which a character is "
        "lost (90.2 %); DMA, blocks of 64 would save only another 0.517 %"
    )
    assert advice.short == "interrupt at 14 of 16: load 0.551 %, margin 90.2 %"


@pytest.mark.parametrize(
    ("baud", "text"),
    [
        (9600, "Take no FIFO: 0.144 % of the processor, 97.6 % margin; one of 64 would save only"),
        (460_800, "Take a FIFO of 4: 4.38 % of the processor, 60.8 % margin; one of 64 would save"),
        (20_000_000, "No FIFO leaves interrupts a margin of 50 %"),
    ],
)
def test_a_deeper_fifo_has_to_be_worth_it(baud: int, text: str) -> None:
    """Of several FIFOs the shallowest is taken that has room and costs not much more."""
    assert recommend_depth([at(baud, fifo=depth) for depth in (1, 4, 16, 64)]).startswith(text)


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
