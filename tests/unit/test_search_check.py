"""A driver tried with everything: one row a bug, what of the time was used, what was covered."""

from __future__ import annotations

from typing import Any

import pytest

from drivers_example.first_try import FirstTry
from emu.search.check import Checked, Row, check, in_turn, together
from emu.search.explore import Plan
from emu.search.hunt import Budget, Found
from emu.search.schedule import Schedule
from emu.search.suite import Bout
from emu.search.trial import Failure
from tests.search_bench import SteadySender, at, bout, failing, scenario, trial

PLAN = Plan(entries=1, manner="access", spurious=False)
ASKED = scenario()


class Sloppy(SteadySender):
    """Says that the line is idle when it is not."""

    def drain(self, timeout: float | None = None) -> bool:
        return True


class Early(SteadySender):
    """Reads before anything has come."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        self._io.read8(0)
        return super().read(size, timeout)


class Double(Early, Sloppy):
    """Has both mistakes."""


def row(failure: Failure, schedule: Schedule = (), runs: int = 1, *also: str) -> Row:
    """Return a row of a failure."""
    found = Found(failure, trial(schedule, failure), ASKED)
    return Row(found, runs, {f"bout {failure.rule}": None}, dict.fromkeys(also))


# rows


def test_a_clean_driver() -> None:
    """A good driver has no row, and each promise was kept by each run."""
    bouts = [bout("one", "[open]"), bout("two", "[open, {send: a}]", hunted=True, far_end="sink")]
    checked = check(SteadySender, bouts, budget_s=None, plan=PLAN)
    assert checked.clean
    assert (checked.bouts, checked.complete, checked.stopped) == (2, True, "")
    assert checked.first_s is None
    assert checked.runs > 10
    assert all(counts == {"kept": checked.runs} for counts in checked.promises.values())
    assert len(checked.promises) == 9
    assert checked.behaviours >= 2
    assert checked.decided >= checked.runs


def test_runs_with_one_cause_are_one_row() -> None:
    """However many bouts and runs show a bug, it is one row, with its smallest case."""
    steps = "[open, {receive: 0}, {send: a}]"
    bouts = [bout("one", steps), bout("two", steps, hunted=True, far_end="sink")]
    checked = check(Early, bouts, budget_s=None, plan=PLAN)
    (found,) = checked.rows
    assert found.found.trial.schedule == ()
    assert found.runs > 10
    assert list(found.bouts) == ["one", "two"]
    assert checked.first_s is not None
    assert found.found.first_s >= checked.first_s
    assert found.found.trial.record


def test_two_bugs_are_two_rows() -> None:
    """Bugs at different lines are told apart."""
    steps = "[open, {send: tide 3.21 m}, {send: tide 3.22 m}, drain, {receive: 4}]"
    far_end = "{kind: script, script: [{at: 6 ms, send: TIDE}]}"
    checked = check(FirstTry, [bout("one", steps, far_end=far_end)], budget_s=None)
    causes = [one.found.failure.cause for one in checked.rows]
    assert len(causes) == len(set(causes)) >= 2
    assert all(file.endswith("first_try.py") and line for _, file, line in causes)


def test_a_promise_joins_the_finding_that_breaks_it_too() -> None:
    """Runs in which only a promise broke belong to the finding that breaks the same promise."""
    stale = row(failing("stale", 3), (at(1),), 4, "promise order")
    busy = row(failing("busy", 9), (at(1),), 9, "promise order", "promise sent")
    order = row(failing("promise order"), (at(2),), 5, "promise sent")
    drain = row(failing("promise drain"), (), 1)
    kept = together([order, stale, drain, busy])
    assert [one.found.failure.rule for one in kept] == ["stale", "busy", "promise drain"]
    assert (stale.runs, busy.runs) == (4, 14)
    assert "bout promise order" in busy.bouts
    assert list(busy.promises) == ["promise order", "promise sent"]


def test_rows_that_name_a_line_and_take_little_stand_first() -> None:
    """Findings stand before promises, small cases before large ones."""
    rows = [
        row(failing("promise drain")), row(failing("a", 1), (at(1), at(2))),
        row(failing("b", 1), (at(9),)), row(failing("c", 1), ()),
    ]  # fmt: skip
    order = [one.found.failure.rule for one in together(rows)]
    assert order == ["c", "b", "a", "promise drain"]


def test_a_race_at_several_lines_is_one_row() -> None:
    """The same words at another line, shown by a delay, are the same race."""
    race = [row(failing("race", line), (at(line),)) for line in (3, 5, 9)]
    race[1].bouts["elsewhere"] = None
    (kept,) = together(race)
    assert (kept.found.failure.line, sorted(kept.lines), kept.runs) == (3, [5, 9], 3)
    assert "elsewhere" in kept.bouts
    plain = [row(failing("race", line), ()) for line in (3, 5)]
    assert [one.found.failure.line for one in together(plain)] == [3, 5]
    other = row(failing("race", 5)._replace(message="another"), (at(5),))
    assert len(together([race[0], other])) == 2


def test_no_rows() -> None:
    """Nothing comes of nothing."""
    assert together([]) == []


def test_a_row_shows_the_smallest_case_of_all_bouts() -> None:
    """A bug that takes a delay in one bout and none in another is told without a delay."""

    class Late(SteadySender):
        def write(self, data: bytes, timeout: float | None = None) -> int:
            before = self._cpu.time()
            if len(data) > 1 or self._cpu.time() - before > 20e-6:
                raise LookupError("late or long")
            return len(data)

        def close(self) -> None:
            pass

    far_end = "{kind: source, data: a, start: 200 us}"
    hunted = bout("hunted", "[open, {send: a}]", hunted=True, far_end=far_end)
    plain = bout("plain", "[open, {send: ab}]", far_end=far_end)

    def late(*bouts: Bout) -> Row:
        rows = check(Late, list(bouts), budget_s=None, plan=PLAN).rows
        (found,) = [one for one in rows if one.found.failure.rule == "driver-raised"]
        return found

    both, alone = late(hunted, plain), late(hunted)
    assert both.found.scenario.title == "plain"
    assert both.found.trial.schedule == ()
    assert both.bouts == {"plain": None, "hunted": None}
    assert len(alone.found.trial.schedule) == 1


# time


class Watch:
    """A clock that goes on by itself, a second each time it is read."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        """Return the time."""
        self.now_s += 1.0
        return self.now_s


def test_a_budget() -> None:
    """A budget knows how much of it was used, and without a limit is never over."""
    budget = Budget(3.5, Watch())
    assert [budget.over for _ in range(4)] == [False, False, False, True]
    endless = Budget(None, Watch())
    assert not endless.over
    assert endless.used_s == 1.0


def test_no_time_at_all() -> None:
    """Out of time after the first run, a check says so and keeps what that run showed."""
    bouts = [bout(str(n), "[open, {send: a}, drain]") for n in range(3)]
    checked = check(Sloppy, bouts, budget_s=0.0)
    assert (checked.runs, checked.bouts, checked.stopped) == (1, 1, "time")
    assert not checked.complete
    assert len(checked.rows) == 1


def test_the_first_bouts_come_before_any_hunting() -> None:
    """Plain bouts are all run before the first delay is tried."""
    bouts = [bout("hunted", "[open]", hunted=True), bout("plain", "[open]")]
    order: list[int] = []

    def told(checked: Checked, _seconds: float) -> None:
        order.append(checked.bouts)

    check(SteadySender, bouts, budget_s=None, plan=PLAN, told=told)
    assert order == [1, 2]


def test_an_interruption_keeps_the_rows() -> None:
    """Ctrl-C ends a check at once; what was found until then is told, and said to be no more."""

    def told(checked: Checked, _seconds: float) -> None:
        if checked.runs == 2:
            raise KeyboardInterrupt

    bouts = [bout(str(n), "[open, {send: a}, drain]") for n in range(4)]
    checked = check(Sloppy, bouts, budget_s=None, told=told)
    assert (checked.runs, checked.stopped, checked.complete) == (2, "interrupted", False)
    assert [one.runs for one in checked.rows] == [2]


def test_searches_take_turns() -> None:
    """Each search does a bit in turn, and those that are done drop out."""
    done: list[str] = []

    def search(name: str, bits: int) -> Any:
        for bit in range(bits):
            done.append(f"{name}{bit}")
            yield

    in_turn([search("a", 3), search("b", 1), search("c", 0), search("d", 2)])
    assert done == ["a0", "b0", "d0", "a1", "d1", "a2"]


def test_bouts_with_a_bound_of_their_own() -> None:
    """A long bout is tried with so many runs, and does not make the check incomplete."""
    short = bout("short", "[open]", hunted=True, far_end="{kind: source, data: a, start: 1 us}")
    long = Bout(bout("long", "[open, {send: ab}]").body, hunted=True, most=5)
    checked = check(SteadySender, [short, long], budget_s=None, plan=PLAN)
    alone = check(SteadySender, [short], budget_s=None, plan=PLAN)
    assert (checked.runs, checked.complete) == (alone.runs + 5, True)


def test_nothing_to_try() -> None:
    """A check of nothing finds nothing and is complete."""
    checked = check(SteadySender, [], budget_s=None)
    assert (checked.runs, checked.clean, checked.complete) == (0, True, True)


@pytest.mark.slow
def test_the_number_of_workers_changes_nothing() -> None:
    """A check that is not cut short finds the same with any number of workers."""

    def plain(checked: Checked) -> Any:
        return (
            [(one.found.failure, one.found.trial, one.runs, one.bouts, one.promises)
             for one in checked.rows],
            checked.promises, checked.runs, checked.decided, checked.behaviours,
            checked.coverage, checked.complete,
        )  # fmt: skip

    steps = "[open, {send: a}, drain, {receive: 1}]"
    bouts = [bout("one", steps), bout("two", steps, hunted=True)]
    plan = Plan(entries=1, manner="access", spurious=False)
    expected = plain(check(Double, bouts, budget_s=None, plan=plan))
    for workers in (1, 2):
        assert plain(check(Double, bouts, budget_s=None, plan=plan, workers=workers)) == expected
