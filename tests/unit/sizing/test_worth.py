"""Amdahl's law against worked examples, and the size from which an accelerator pays."""

from __future__ import annotations

import math

import pytest

from emu.sizing.worth import break_even_size, program_speed_up


@pytest.mark.parametrize(
    ("fraction", "factor", "printed", "within"),
    [
        # Notes on R. E. Bryant and D. R. O'Hallaron, Computer Systems, chapter 1.
        (0.6, 3, 1.67, 0.005),
        (0.6, math.inf, 2.5, 1e-9),
        # An encyclopaedia: 20 hours, one of them serial.
        (0.95, math.inf, 20, 1e-9),
        # A text on Amdahl's law, printed rounded to 17.
        (0.95, 100, 17, 0.5),
        # Computer Systems Architecture, page 140: gains of 9.2 % and 6.5 %.
        (0.93, 1.1, 1.092, 0.0005),
        (0.07, 8, 1.065, 0.0005),
        # Notes on D. A. Patterson and J. L. Hennessy: multiply is 80 s of 100 s.
        (0.8, 16, 4, 1e-9),
        # J. L. Hennessy and D. A. Patterson, A Quantitative Approach, 1.9 (from memory).
        (0.4, 10, 1.56, 0.005),
        (0.2, 10, 1.22, 0.005),
        (0.5, 1.6, 1.23, 0.005),
    ],
)
def test_worked_examples(fraction: float, factor: float, printed: float, within: float) -> None:
    """The speed-up of each published example comes out as printed."""
    assert program_speed_up(fraction, factor) == pytest.approx(printed, abs=within)


def test_no_factor_makes_a_program_faster_than_the_rest_allows() -> None:
    """With 80 % accelerated, 5 times is out of reach (notes on Patterson and Hennessy)."""
    assert program_speed_up(0.8, 1e9) < 5
    assert program_speed_up(0.8, math.inf) == pytest.approx(5)


def test_moving_the_data_may_eat_up_the_gain() -> None:
    """A transfer that takes as long as what is saved leaves no speed-up (own arithmetic)."""
    assert program_speed_up(0.5, math.inf, transfer=0.5) == pytest.approx(1)
    assert program_speed_up(0.5, 10, transfer=0.5) < 1


def test_an_accelerator_pays_from_where_its_setup_is_saved() -> None:
    """100 us of setup at 4 us saved an item are earned by 25 items; saving nothing, never."""
    assert break_even_size(100e-6, 5e-6, 1e-6) == pytest.approx(25)
    assert break_even_size(100e-6, 1e-6, 1e-6) is None
