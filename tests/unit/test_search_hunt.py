"""A hunt: what is found is made small, in the time there is, and kept when the user ends it."""

from __future__ import annotations

from typing import Any

import pytest

from emu.search import hunt as module
from emu.search.explore import Explored, Plan
from emu.search.hunt import Budget, hunt
from emu.search.trial import Trial, Trying
from tests.search_bench import SteadySender, at, scenario

TALK = "{kind: source, data: ab, start: 30 us}"
ASKED = scenario("[open, {send: a}]", far_end=TALK)
PLAN = Plan(entries=1, manner="access", spurious=False, most=100)


class Late(SteadySender):
    """Gives up if it is late in `write`."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        before = self._cpu.time()
        if self._cpu.time() - before > 20e-6:
            raise LookupError("late")
        return super().write(data, timeout)


def point() -> int:
    """Return the number of the call at which `Late` must not be late."""
    seen = Trying(ASKED, Late).run(learn="access").seen
    return [one.call for one, what in seen.items() if what.place[0] == __file__][1]


def test_a_cause_with_its_smallest_case() -> None:
    """The one delay that breaks a driver is found, told with the fewest events, and repeats."""
    hunted = hunt(ASKED, Late, PLAN)
    (found,) = hunted.found
    assert found.failure.rule == "driver-raised"
    assert found.trial.schedule == (at(point(), events=1),)
    assert found.repeats
    assert found.trial.record
    assert 0 < found.first_s <= hunted.seconds
    assert not hunted.interrupted


def test_it_takes_no_longer_than_there_is_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Out of time, a hunt makes nothing small that takes more than a moment."""
    monkeypatch.setattr(module, "_SHRINK_S", 0.0)
    runs: list[int] = []
    hunted = hunt(ASKED, Late, PLAN, budget_s=0.0, told=lambda one, _s: runs.append(one.runs))
    assert runs == [1]
    assert hunted.explored.stopped == "time"
    assert hunted.found == []


def test_without_a_limit_in_time_the_result_is_the_same_each_time() -> None:
    """What a number of runs finds does not depend on how fast they are."""
    plan = Plan(entries=3, most=60, seed=5)
    one, two = (hunt(ASKED, Late, plan) for _ in range(2))
    assert one.explored == two.explored
    assert [(f.failure, f.trial) for f in one.found] == [(f.failure, f.trial) for f in two.found]


def test_an_interruption_while_cases_are_made_small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C while a case is made small leaves the case as it was found."""

    def interrupted(*_: Any, **_more: Any) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "shrink", interrupted)
    hunted = hunt(ASKED, Late, PLAN)
    assert hunted.interrupted
    (found,) = hunted.found
    assert found.failure.rule == "driver-raised"
    assert [one.point.call for one in found.trial.schedule] == [point()]


def test_after_an_interruption_nothing_is_made_small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who ends a hunt gets what there is, at once."""

    def told(found: Explored, _seconds: float) -> None:
        if found.failing:
            raise KeyboardInterrupt

    monkeypatch.setattr(module, "shrink", lambda *_args, **_more: pytest.fail("shrinks"))
    hunted = hunt(ASKED, Late, PLAN, told=told)
    assert hunted.interrupted
    assert len(hunted.found) == 1


def test_only_so_many_causes_are_made_small(monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver with very many causes has some of them made small, and all told."""

    class Manifold(SteadySender):
        def write(self, data: bytes, timeout: float | None = None) -> int:
            start = self._cpu.time()
            for number in range(3):
                before = self._cpu.time()
                if before - start > 20e-6:
                    self._fail(number)
                start = before
            return super().write(data, timeout)

        def _fail(self, number: int) -> None:
            if number == 0:
                raise LookupError("0")
            if number == 1:
                raise LookupError("1")
            raise LookupError("2")

    shrunk: list[Trial] = []
    original = module.shrink

    def counted(trial: Trial, *arguments: Any, **more: Any) -> Any:
        shrunk.append(trial)
        return original(trial, *arguments, **more)

    monkeypatch.setattr(module, "shrink", counted)
    monkeypatch.setattr(module, "_MOST_CAUSES", 2)
    hunted = hunt(ASKED, Manifold, PLAN)
    assert len(hunted.found) == 3
    assert len(shrunk) == 2
    assert sorted({one.failure.message[-1] for one in hunted.found}) == ["0", "1", "2"]


def test_a_driver_that_does_not_do_the_same_twice() -> None:
    """A failure that does not come again is told, and told to be unsteady."""

    class Unsteady(SteadySender):
        made = 0

        def __init__(self, io: Any, cpu: Any) -> None:
            super().__init__(io, cpu)
            type(self).made += 1

        def write(self, data: bytes, timeout: float | None = None) -> int:
            if self.made == 4:
                raise LookupError("only today")
            return super().write(data, timeout)

    hunted = hunt(ASKED, Unsteady, Plan(entries=1, most=8, manner="access"))
    (found,) = hunted.found
    assert not found.repeats
    assert "only today" in found.failure.message


def test_causes_stand_in_order() -> None:
    """Findings stand before broken promises, and what takes fewer delays before what takes more."""

    class Both(Late):
        def drain(self, timeout: float | None = None) -> bool:
            return True

    hunted = hunt(scenario("[open, {send: a}, drain]", far_end=TALK), Both, PLAN)
    kinds = [(one.failure.is_promise, len(one.trial.schedule)) for one in hunted.found]
    assert kinds == sorted(kinds)
    assert len(kinds) >= 2


def test_a_budget_is_read_from_a_clock() -> None:
    """A budget counts from when it was made."""
    times = iter([10.0, 11.0, 12.5, 13.0])
    budget = Budget(2.6, lambda: next(times))
    assert (budget.used_s, budget.over, budget.over) == (1.0, False, True)
