"""Response times against the task sets of the textbooks, and the bounds of utilisation."""

from __future__ import annotations

import pytest

from emu.sizing.response import (
    Task,
    liu_layland_bound,
    response_ps,
    response_steps_ps,
    start_delay_ps,
    utilisation,
)

# Priorities fall from left to right; (cost, period), then the iterates of the last one.
# Source: A. Burns and A. Wellings, Real-Time Systems and Programming Languages, chapter on
# scheduling (from memory), recomputed with the recurrence of Joseph and Pandya 1986.
PROCESS_SET_D = [(3, 7), (3, 12), (5, 20)]
PROCESS_SET_C = [(5, 20), (10, 40), (40, 80)]
# Source: J. Lehoczky, L. Sha, Y. Ding, RTSS 1989 (from memory), recomputed likewise.
LEHOCZKY = [(40, 100), (40, 150), (100, 350)]


def tasks_of(rows: list[tuple[int, int]]) -> list[Task]:
    """Return tasks from cost and period."""
    return [Task(cost, period) for cost, period in rows]


@pytest.mark.parametrize(
    ("rows", "responses"),
    [(PROCESS_SET_D, [3, 6, 20]), (PROCESS_SET_C, [5, 15, 80]), (LEHOCZKY, [40, 80, 300])],
)
def test_responses_of_textbook_task_sets(rows: list[tuple[int, int]], responses: list[int]) -> None:
    """The response times of three published task sets come out, the last of each set included."""
    tasks = tasks_of(rows)

    found = [response_ps(task, tasks[:number]) for number, task in enumerate(tasks)]

    assert found == responses


@pytest.mark.parametrize(
    ("rows", "steps"),
    [
        (PROCESS_SET_D, [5, 11, 14, 17, 20, 20]),
        (PROCESS_SET_C, [40, 60, 75, 80, 80]),
        (LEHOCZKY, [100, 180, 260, 300, 300]),
    ],
)
def test_iterates_of_textbook_task_sets(rows: list[tuple[int, int]], steps: list[int]) -> None:
    """The way to the fixed point is the published one, step by step."""
    *above, last = tasks_of(rows)

    assert response_steps_ps(last, above) == steps


@pytest.mark.parametrize(
    ("rows", "share"), [(PROCESS_SET_D, 0.9286), (PROCESS_SET_C, 1.0), (LEHOCZKY, 0.9524)]
)
def test_utilisation_of_textbook_task_sets(rows: list[tuple[int, int]], share: float) -> None:
    """The utilisations are the published ones, all of them beyond the bound for three tasks."""
    assert float(utilisation(tasks_of(rows))) == pytest.approx(share, abs=5e-5)
    assert share > liu_layland_bound(3)


@pytest.mark.parametrize(
    ("count", "bound"),
    [(1, 1.0), (2, 0.8284), (3, 0.7798), (4, 0.7568), (5, 0.7435), (6, 0.7348), (7, 0.7286),
     (8, 0.7241), (9, 0.7205), (10, 0.7177), (20, 0.7053), (50, 0.698), (100, 0.6956)],
)  # fmt: skip
def test_bound_of_liu_and_layland(count: int, bound: float) -> None:
    """The bounds are those of C. L. Liu and J. W. Layland, JACM 20(1), 1973."""
    assert liu_layland_bound(count) == pytest.approx(bound, abs=5e-5)


def test_bound_of_many_tasks_is_the_natural_logarithm_of_two() -> None:
    """The limit is 69.3 %, as printed by Liu and Layland 1973."""
    assert liu_layland_bound(10**7) == pytest.approx(0.6931, abs=5e-5)


def test_blocking_adds_and_may_bring_more_interference() -> None:
    """What blocks once counts once, and whatever comes meanwhile counts too (own example)."""
    tasks = tasks_of(PROCESS_SET_D)

    assert response_ps(tasks[1], tasks[:1], blocking_ps=1) == 7
    assert response_ps(tasks[1], tasks[:1], blocking_ps=2) == 11  # a second release comes at 7


def test_jitter_brings_interference_forward_and_adds_to_the_own_response() -> None:
    """A jitter above delays more, an own jitter counts in full (Tindell 1994, from memory)."""
    early, task = Task(3, 7, jitter_ps=2), Task(3, 12, jitter_ps=4)

    assert response_ps(Task(3, 12), [early]) == 9  # ceil((6 + 2) / 7) = 2 times, up to 3 + 2 * 3
    assert response_ps(task, [early]) == 13


def test_nothing_is_left_below_a_full_processor() -> None:
    """Where higher priorities take everything there is no response time."""
    assert response_ps(Task(1, 100), [Task(5, 10), Task(5, 10)]) is None
    assert start_delay_ps([Task(10, 10)]) is None


def test_a_start_is_delayed_by_what_comes_at_that_moment() -> None:
    """What asks at the moment of the start goes first; alone, only blocking delays."""
    assert start_delay_ps([], blocking_ps=4) == 4
    assert start_delay_ps([Task(3, 10)]) == 3
    assert start_delay_ps([Task(3, 10)], blocking_ps=7) == 13  # asks again at 10, just then
