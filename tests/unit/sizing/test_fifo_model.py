"""A queue model of another make agrees with the closed forms on what a FIFO loses.

The one idea: SimPy knows nothing of this house. A FIFO is modelled there as a store with so many
places in front of one server, and its losses, counted in batches, give a confidence interval in
which the closed form has to lie.
"""

from __future__ import annotations

import random
import statistics
from collections.abc import Callable, Generator
from typing import Any

import pytest

from emu.sizing.queues import md1k_loss, mm1k_loss

simpy = pytest.importorskip("simpy", reason="SimPy is not installed; pip install '.[bench]'")

BATCHES, BATCH = 20, 1500
STUDENT_99 = 2.861  # two-sided 99 % quantile for 19 degrees of freedom, from printed tables


class Fifo:
    """A FIFO of so many places, the one being served included, fed at random."""

    def __init__(self, load: float, places: int, service: Callable[[], float], seed: int) -> None:
        self.environment = simpy.Environment()
        self.queue: Any = simpy.Store(self.environment)
        self.places, self.load, self.service = places, load, service
        self.inside = 0
        self.lost: list[int] = []
        self.random = random.Random(seed)
        self.environment.process(self.serve())

    def feed(self, count: int) -> Generator[Any, Any, None]:
        """Let `count` characters come, at random moments."""
        for _ in range(count):
            yield self.environment.timeout(self.random.expovariate(self.load))
            full = self.inside == self.places
            self.lost.append(int(full))
            if not full:
                self.inside += 1
                self.queue.put(None)

    def serve(self) -> Generator[Any, Any, None]:
        """Take one character after the other."""
        while True:
            yield self.queue.get()
            yield self.environment.timeout(self.service())
            self.inside -= 1


@pytest.mark.slow
@pytest.mark.parametrize(("load", "places"), [(0.8, 2), (0.9, 4), (1.2, 8), (1.2, 16)])
@pytest.mark.parametrize("kind", ["equal", "random"])
def test_an_independent_model_agrees_on_the_loss(load: float, places: int, kind: str) -> None:
    """The closed form lies within the 99 % confidence interval of the SimPy model's loss."""
    draws = random.Random(11)
    service = (lambda: 1.0) if kind == "equal" else (lambda: draws.expovariate(1.0))
    fifo = Fifo(load, places, service, seed=7)
    fifo.environment.run(until=fifo.environment.process(fifo.feed(BATCHES * BATCH)))

    shares = [
        statistics.fmean(fifo.lost[start : start + BATCH])
        for start in range(0, BATCHES * BATCH, BATCH)
    ]
    half_width = STUDENT_99 * statistics.stdev(shares) / BATCHES**0.5
    closed = (md1k_loss if kind == "equal" else mm1k_loss)(load, places)
    assert half_width < 0.2 * closed  # an interval that says something
    assert closed == pytest.approx(statistics.fmean(shares), abs=half_width)
