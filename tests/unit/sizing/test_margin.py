"""Overrun margins and the onset of livelock."""

from __future__ import annotations

import random

import pytest

from emu.sizing.margin import livelock_onset_hz, lost_in_gap, overload_loss, tolerable_ps


@pytest.mark.parametrize(
    ("depth", "trigger", "characters"), [(1, 1, 1), (16, 1, 16), (16, 8, 9), (16, 14, 3)]
)
def test_margin_is_the_places_left_and_the_shift_register(
    depth: int, trigger: int, characters: int
) -> None:
    """What is left is (depth - trigger + 1) characters (PC16550D, 8.4 and 8.11)."""
    assert tolerable_ps(depth, trigger, 1000) == characters * 1000


def test_ethernet_livelock_in_packets_a_second() -> None:
    """67.2 us a packet are used up at 14,880 a second.

    Source: 10 Mbit/s and 84 bytes on the wire for the shortest frame, as switch data sheets print.
    """
    assert livelock_onset_hz(84 * 8 / 10e6) == pytest.approx(14_880, abs=1)
    assert livelock_onset_hz(84 * 8 / 10e6, other_share=0.5) == pytest.approx(7_440, abs=1)


def test_an_overloaded_server_loses_the_rest() -> None:
    """Of twice what can be served half is lost, of anything that can be served nothing."""
    assert overload_loss(2.0) == pytest.approx(0.5)
    assert overload_loss(1.0) == overload_loss(0.3) == overload_loss(0.0) == 0


@pytest.mark.parametrize(
    ("depth", "trigger", "length"), [(16, 14, 9.5), (16, 14, 40.0), (1, 1, 2.5)]
)
def test_loss_in_a_gap_is_that_of_counting_through_it(
    depth: int, trigger: int, length: float
) -> None:
    """The mean loss is that of many gaps begun at random levels and counted through."""
    draw, lost = random.Random(5), 0
    for _ in range(40_000):
        level, next_in = draw.randrange(trigger), draw.random()
        while next_in < length:
            level, next_in = level + 1, next_in + 1
        lost += max(level - depth, 0)

    assert lost_in_gap(depth, trigger, length) == pytest.approx(lost / 40_000, rel=0.02)


def test_a_gap_that_fits_loses_nothing() -> None:
    """A gap that the FIFO holds from any level costs no character."""
    assert lost_in_gap(16, 14, 2.0) == 0
