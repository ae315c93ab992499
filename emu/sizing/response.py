"""How long a request waits: response-time analysis of fixed priorities.

The one idea: a request waits for what blocks it once, and for everything of higher priority that
comes while it waits; how much comes depends on how long it waits, so the wait is a fixed point that
is iterated to. Times are whole picoseconds here, but any whole unit does.

Sources: M. Joseph and P. Pandya, Finding Response Times in a Real-Time System, The Computer Journal
29(5), 1986, for the recurrence; K. Tindell, A. Burns and A. Wellings, Real-Time Systems 6(2), 1994,
for jitter (from memory); C. L. Liu and J. W. Layland, JACM 20(1), 1973, for the bound.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

__all__ = [
    "Task",
    "liu_layland_bound",
    "response_ps",
    "response_steps_ps",
    "start_delay_ps",
    "utilisation",
]


@dataclass(frozen=True, slots=True)
class Task:
    """Say what asks for the processor again and again.

    Args:
        cost_ps: time it takes each time, 0 or more.
        period_ps: least time between two requests, above 0.
        jitter_ps: how much later than its period asks a request may come, 0 or more.
        name: for messages.
    """

    cost_ps: int
    period_ps: int
    jitter_ps: int = 0
    name: str = ""


def utilisation(tasks: Sequence[Task]) -> Fraction:
    """Return the share of the processor that `tasks` take, exactly."""
    return sum((Fraction(one.cost_ps, one.period_ps) for one in tasks), Fraction(0))


def liu_layland_bound(count: int) -> float:
    """Return the utilisation up to which any `count` tasks meet their periods, 1 or more tasks.

    Rate-monotonic priorities, deadlines equal to periods. Source: Liu and Layland 1973.
    """
    return float(count * (2 ** (1 / count) - 1))


def response_steps_ps(task: Task, above: Sequence[Task], *, blocking_ps: int = 0) -> list[int]:
    """Return the iterates of the response time, the last two equal; empty if there is none.

    Args:
        task: whose response, from its release; it can be preempted.
        above: what has a higher priority.
        blocking_ps: the longest time for which something of lower priority holds it up.
    """
    base_ps = task.cost_ps + blocking_ps

    def step(window_ps: int) -> int:
        return base_ps + sum(
            -(-(window_ps + one.jitter_ps) // one.period_ps) * one.cost_ps for one in above
        )

    steps = _iterates(step, base_ps, above)
    return [one + task.jitter_ps for one in steps]


def response_ps(task: Task, above: Sequence[Task], *, blocking_ps: int = 0) -> int | None:
    """Return the worst response time; None when higher priorities leave no time for it.

    See `response_steps_ps`.
    """
    steps = response_steps_ps(task, above, blocking_ps=blocking_ps)
    return steps[-1] if steps else None


def start_delay_ps(above: Sequence[Task], *, blocking_ps: int = 0) -> int | None:
    """Return how late something starts at worst; None when higher priorities leave it no time.

    A request that comes at the very moment of the start is still served before it, which is why
    each of `above` counts once more than fits. This is also the wait of what cannot be preempted.

    Args:
        above: what is served first.
        blocking_ps: the longest time for which something else holds it up.
    """

    def step(window_ps: int) -> int:
        return blocking_ps + sum(
            ((window_ps + one.jitter_ps) // one.period_ps + 1) * one.cost_ps for one in above
        )

    steps = _iterates(step, step(blocking_ps), above)
    return steps[-1] if steps else None


def _iterates(step: Callable[[int], int], start_ps: int, above: Sequence[Task]) -> list[int]:
    """Return the iterates from `start_ps` up to the fixed point, empty if there is none."""
    if utilisation(above) >= 1:
        return []
    steps = [start_ps, step(start_ps)]
    while steps[-1] != steps[-2]:
        steps.append(step(steps[-1]))
    return steps
