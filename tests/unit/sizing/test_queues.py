"""Losses and waits of queues against tables of the standard results."""

from __future__ import annotations

import pytest

from emu.sizing.queues import erlang_b, md1_wait, md1k_loss, mm1_wait, mm1k_loss

PLACES = (1, 2, 4, 8, 16)
# Tables computed apart from this code from the formulas of Kleinrock, and of Gross and Harris
# (from memory): share lost by offered load, for so many places.
MM1K = {
    0.5: (0.333333, 0.142857, 0.032258, 0.001957, 0.000008),
    0.8: (0.444444, 0.262295, 0.121847, 0.038756, 0.005759),
    0.9: (0.473684, 0.298893, 0.160216, 0.070271, 0.022239),
    1.0: (0.5, 0.333333, 0.2, 0.111111, 0.058824),
    1.2: (0.545455, 0.395604, 0.27865, 0.206733, 0.174533),
}
MD1K = {
    0.5: (0.333333, 0.096274, 0.007684, 0.000050, 0.0),
    0.8: (0.444444, 0.19957, 0.058764, 0.00879, 0.000271),
    0.9: (0.473684, 0.234637, 0.091356, 0.027264, 0.004337),
    1.0: (0.5, 0.268941, 0.130437, 0.06383, 0.031579),
    1.2: (0.545455, 0.333864, 0.218621, 0.175943, 0.1671),
}


@pytest.mark.parametrize("load", MM1K)
def test_loss_with_random_service(load: float) -> None:
    """M/M/1/K loses what the table says, from 1 to 16 places."""
    assert [mm1k_loss(load, one) for one in PLACES] == pytest.approx(MM1K[load], abs=1e-6)


@pytest.mark.parametrize("load", MD1K)
def test_loss_with_equal_service(load: float) -> None:
    """M/D/1/K loses what the table says (Brun and Garcia 2000, from memory), 1 to 16 places."""
    assert [md1k_loss(load, one) for one in PLACES] == pytest.approx(MD1K[load], abs=1e-6)


@pytest.mark.parametrize("places", [1, 4, 64, 128])
def test_loss_in_overload_tends_to_what_cannot_be_served(places: int) -> None:
    """At twice the load that can be served, half is lost or a little more, at any depth."""
    equal, at_random = md1k_loss(2.0, places), mm1k_loss(2.0, places)

    assert 0.5 <= equal <= at_random + 1e-12 <= 2 / 3 + 2e-12


@pytest.mark.parametrize("load", [6.0, 60.0, 600.0])
def test_loss_in_great_overload_is_that_of_a_server_that_never_rests(load: float) -> None:
    """However much is offered, all but what can be served is lost, and nothing overflows."""
    assert md1k_loss(load, 128) == pytest.approx(1 - 1 / load)


@pytest.mark.parametrize(
    ("load", "wait"),
    [(0.1, 0.0556), (0.25, 0.1667), (0.5, 0.5), (0.75, 1.5), (0.8, 2.0), (0.9, 4.5), (0.95, 9.5)],
)
def test_mean_wait_with_equal_service(load: float, wait: float) -> None:
    """M/D/1 waits as Pollaczek and Khinchine say (from memory), half as long as M/M/1."""
    assert md1_wait(load) == pytest.approx(wait, abs=5e-5)
    assert mm1_wait(load) == pytest.approx(2 * wait, abs=1e-4)


@pytest.mark.parametrize(
    ("load", "blocked"),
    [
        (0.5, {1: 0.333333, 2: 0.076923, 3: 0.012658, 4: 0.00158, 5: 0.000158, 10: 0.0}),
        (1.0, {1: 0.5, 2: 0.2, 3: 0.0625, 4: 0.015385, 5: 0.003067, 10: 0.0}),
        (2.0, {1: 0.666667, 2: 0.4, 3: 0.210526, 4: 0.095238, 5: 0.036697, 10: 0.000038}),
        (5.0, {1: 0.833333, 2: 0.675676, 3: 0.529661, 4: 0.398343, 5: 0.284868, 10: 0.018385}),
    ],
)
def test_erlang_b(load: float, blocked: dict[int, float]) -> None:
    """Erlang's first formula gives the values of its definition by sums, worked out apart."""
    assert {one: erlang_b(one, load) for one in blocked} == pytest.approx(blocked, abs=1e-6)
