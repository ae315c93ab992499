"""Which schedules are tried: waves that follow from what came before, and nothing else.

The one idea: an explorer asks for runs and takes what it is given, so a script in place of the
bench shows what it asks for, in which order, and when it stops.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from emu.errors import AccessError
from emu.search import explore
from emu.search.explore import (
    EVENTS,
    Explored,
    Explorer,
    Plan,
    by_turns,
    ends_of,
    interleaved,
    leading,
    spread,
)
from emu.search.hunt import hunt
from emu.search.schedule import Entry, Point, Schedule, by_size, describe, weight
from emu.search.stepper import Acted, Seen
from emu.search.trial import Trial, Trying
from tests.search_bench import (
    HastySender,
    Script,
    SteadySender,
    at,
    explored,
    failing,
    scenario,
    trial,
)

RUNS = 2 * len(EVENTS)  # at a point: stalls, pauses but for one event, a spurious interrupt
DECIDED = RUNS + 1


def serving(*calls: int) -> Callable[[Schedule], Trial]:
    """Answer that an entry before one of some calls let a handler in."""

    def answer(schedule: Schedule) -> Trial:
        acted = tuple(
            Acted(one, ("gauge.py", 1), 0, one.point.call in calls and not one.point.step)
            for one in schedule
        )
        return trial(schedule, behaviour=str(schedule), acted=acted, calls=9)

    return answer


# waves


def test_the_undisturbed_run_alone() -> None:
    """Without entries the driver is run once, and left in peace."""
    script = Script(5, 2)
    found = script.explorer(Plan(entries=0)).explore()
    assert script.asked == []
    assert (found.runs, found.decided, found.complete) == (1, 1, False)
    assert found.undisturbed is not None


def test_each_call_is_held_up_in_each_way() -> None:
    """Each call is delayed in each way once, calls far apart first."""
    script = Script(4)
    found = script.explorer(Plan(entries=1)).explore()
    assert [one[0] for one in script.asked[:RUNS]] == [
        at(1), at(1, events=4), at(1, events=64), at(1, kind="pause", events=4),
        at(1, kind="pause", events=64), at(1, kind="spurious"),
    ]  # fmt: skip
    assert [one[0].point.call for one in script.asked[::RUNS]] == [1, 3, 2, 4]
    assert (found.runs, found.decided) == (1 + 4 * RUNS, 1 + 4 * DECIDED)
    assert found.complete


def test_no_schedule_is_run_twice() -> None:
    """With one entry each schedule is asked for once at most."""
    script = Script(9, 3, serving(2, 5, 6))
    script.explorer(Plan(entries=1)).explore()
    assert len(set(script.asked)) == len(script.asked)


def test_a_line_that_was_not_tried_comes_before_one_that_was() -> None:
    """Of calls at the same line one comes with those of other lines, the rest after them."""
    script = Script(6)
    for call in (1, 2, 3, 4):
        script.seen[Point(call)] = script.seen[Point(call)]._replace(place=("gauge.py", 1))
    script.explorer(Plan(entries=1, spurious=False)).explore()
    calls = list(dict.fromkeys(one[0].point.call for one in script.asked))
    assert {calls[0], calls[1], calls[2]} == {1, 5, 6}
    assert sorted(calls) == [1, 2, 3, 4, 5, 6]


def test_turns() -> None:
    """Points go by rounds, one of each key a round, those far apart first."""
    points = [Point(call) for call in range(1, 7)]
    rounds = list(by_turns(points, lambda point: point.call > 4))
    assert [[point.call for point in one] for one in rounds] == [[1, 5], [3, 6], [2], [4]]
    assert list(by_turns([], lambda point: point)) == []


def test_nothing_is_tried_while_nothing_is_on_its_way() -> None:
    """Where no event is scheduled a delay changes nothing, so only an interrupt may come."""
    script = Script(3)
    for call in (1, 2, 3):
        script.seen[Point(call)] = script.seen[Point(call)]._replace(still=True)
    found = script.explorer(Plan(entries=1)).explore()
    assert {one[0].kind for one in script.asked} == {"spurious"}
    assert found.decided == 1 + 3 * DECIDED


@pytest.mark.parametrize(
    ("depth", "masked", "kinds"),
    [(0, False, {"stall", "pause", "spurious"}), (1, True, {"stall"}), (0, True, {"stall"})],
)
def test_what_is_impossible_is_not_tried(depth: int, masked: bool, kinds: set[str]) -> None:
    """In handlers and masked code nothing but the whole processor can be late."""
    script = Script(1)
    script.seen[Point(1)] = Seen(depth, masked, ("gauge.py", 1), 1)
    script.explorer(Plan(entries=1)).explore()
    assert {one[0].kind for one in script.asked} == kinds


def test_spurious_interrupts_may_be_left_out() -> None:
    """Interrupts come for nothing only if the plan says so."""
    script = Script(3)
    script.explorer(Plan(entries=1, spurious=False)).explore()
    assert {one[0].kind for one in script.asked} == {"stall", "pause"}


def test_lines_are_tried_where_a_handler_came_in() -> None:
    """Lines before a call are tried in just those ways that let a handler in at the call."""
    script = Script(4, 3, serving(3))
    found = script.explorer(Plan(entries=1)).explore()
    lines = [one[0] for one in script.asked if one[0].point.step and one[0].kind != "spurious"]
    ends = [one for one in lines if one.point.call == 4]
    assert {one.point for one in ends} == {Point(4, 3)}  # the last line of all ends a stretch
    rest = [one for one in lines if one.point.call != 4]
    assert {one.point for one in rest} == {Point(2, 1), Point(2, 2), Point(2, 3)}
    assert len([one for one in rest if one.kind != "spurious"]) == 3 * (RUNS - 1)
    assert found.decided == 1 + len(script.seen) * DECIDED
    assert found.runs == 1 + len(script.asked)


def test_lines_are_not_tried_where_none_came_in() -> None:
    """Where no handler came in, lines are decided without a run."""
    script = Script(4, 3)
    found = script.explorer(Plan(entries=1, spurious=False)).explore()
    assert {one[0].point.step for one in script.asked} == {0, 3}
    assert found.decided == 1 + len(script.seen) * (DECIDED - 1)


def test_stretches_end_where_something_changes() -> None:
    """Of the lines between two calls the last that is in the same state stands for all of them."""

    def seen(stretch: int) -> Seen:
        return Seen(0, False, ("", 0), stretch)

    points = {
        Point(1): seen(1), Point(1, 1): seen(2), Point(1, 2): seen(2), Point(1, 3): seen(3),
        Point(2): seen(3), Point(2, 1): seen(3), Point(3): seen(3), Point(3, 1): seen(4),
    }  # fmt: skip
    assert ends_of(points) == {
        Point(1): Point(1), Point(1, 1): Point(1, 2), Point(1, 2): Point(1, 2),
        Point(1, 3): Point(2), Point(2): Point(2), Point(2, 1): Point(3), Point(3): Point(3),
        Point(3, 1): Point(3, 1),
    }  # fmt: skip
    assert list(ends_of(points)) == list(points)
    assert ends_of({}) == {}


def test_pairs_follow_what_was_new() -> None:
    """Second entries follow a first one that behaved in a new way, later in the same run."""

    def answer(schedule: Schedule) -> Trial:
        new = schedule and schedule[0] == at(2)
        return trial(schedule, behaviour="new" if new else "old", calls=5)

    script = Script(4, answer=answer)
    script.explorer(Plan(entries=2)).explore()
    pairs = [one for one in script.asked if len(one) == 2]
    assert {first for first, _ in pairs} == {at(2)}
    assert {second.point.call for _, second in pairs} == {3, 4, 5}
    assert {second.kind for _, second in pairs if second.point.call == 5} == {"stall"}
    assert len(set(pairs)) == len(pairs) == 2 * (2 + 2 + 1)


def test_a_failing_entry_is_not_followed() -> None:
    """What fails with one entry is not tried with a second one on top."""
    script = Script(
        3, answer=lambda one: trial(one, *([failing()] if one else []), behaviour=str(one))
    )
    script.explorer(Plan(entries=2)).explore()
    assert {len(one) for one in script.asked} == {1}


def test_first_entries_take_turns() -> None:
    """Pairs of every first entry come early, so that no first has to wait for another's end."""
    rows = [iter([(at(1), at(n)) for n in (2, 3)]), iter([(at(5), at(6))]), iter([])]
    assert list(interleaved(rows)) == [(at(1), at(2)), (at(5), at(6)), (at(1), at(3))]


def test_longer_schedules_are_drawn_by_the_seed() -> None:
    """Schedules of three and more entries follow from the plan's seed, until it says stop."""

    def drawn(seed: int) -> list[Schedule]:
        script = Script(6, 2)
        plan = Plan(entries=4, most=120, seed=seed)
        assert script.explorer(plan).explore().stopped == "count"
        return [one for one in script.asked if len(one) > 2]

    assert drawn(1) == drawn(1) != drawn(2)
    assert {len(one) for one in drawn(1)} == {3, 4}
    assert all(list(one) == sorted(one) for one in drawn(1))
    assert all(len({entry.point for entry in one}) == len(one) for one in drawn(1))


def test_a_driver_that_makes_no_call() -> None:
    """Where there is no point there is nothing to try, in no wave."""
    script = Script(0)
    found = script.explorer(Plan(entries=5, most=9)).explore()
    assert (found.runs, found.complete, found.stopped) == (1, True, "")


def test_more_points_than_are_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    """A search of a run that was too long to be noted as a whole never calls itself complete."""
    monkeypatch.setattr(explore, "MOST_POINTS", 4)
    assert Script(3).explorer(Plan(entries=1)).explore().complete
    assert not Script(4).explorer(Plan(entries=1)).explore().complete


def test_a_lost_run_has_no_points() -> None:
    """A driver that took its process down was not tried at every point."""
    script = Script(0, answer=lambda one: trial(one, failing(), lost=True))
    assert not script.explorer(Plan(entries=1)).explore().complete


# order


@pytest.mark.parametrize("count", [0, 1, 2, 3, 7, 8, 9, 100])
def test_spreading_takes_each_once(count: int) -> None:
    """All items are there, each once, and those far apart come first."""
    order = spread(range(count))
    assert sorted(order) == list(range(count))
    assert order[: count > 0] == [0][:count]


def test_spreading_goes_by_halves() -> None:
    """After a few items each part of the run has been reached."""
    assert spread("abcdefgh") == list("aecgbdfh")


def test_two_searches_are_the_same() -> None:
    """The same answers give the same questions in the same order, and the same result."""
    plan = Plan(entries=3, most=200)
    one, two = (Script(6, 2, serving(2, 5)) for _ in range(2))
    assert one.explorer(plan).explore() == two.explorer(plan).explore()
    assert one.asked == two.asked


# when it stops


@pytest.mark.parametrize("most", [1, 2, 7, 8, 9, 64, 65, 66, 80])
def test_a_number_of_runs_is_kept(most: int) -> None:
    """A search ends after as many runs as it may make, and says that this is why."""
    script = Script(40)
    found = script.explorer(Plan(entries=2, most=most)).explore()
    assert (found.runs, len(script.asked), found.stopped) == (most, most - 1, "count")
    assert not found.complete


def test_a_number_of_runs_that_suffices() -> None:
    """Nothing is stopped by a number of runs that is just enough."""
    script = Script(4)
    found = script.explorer(Plan(entries=1, most=1 + 4 * RUNS)).explore()
    assert (found.stopped, found.complete) == ("", True)


def test_time_ends_a_search_after_the_run_at_hand() -> None:
    """When the time is used up, no further run is begun."""
    script = Script(40)
    found = script.explorer(told=lambda one: "time" if one.runs >= 5 else "").explore()
    assert (found.runs, found.stopped, found.complete) == (5, "time", False)
    assert len(script.asked) == 4


def test_time_may_end_a_search_after_the_first_run() -> None:
    """A slow driver gets its undisturbed run at least."""
    script = Script(40)
    found = script.explorer(told=lambda _one: "time").explore()
    assert (found.runs, script.asked) == (1, [])


def test_an_interruption_keeps_what_was_found() -> None:
    """Ctrl-C while the user is told leaves everything found until then."""

    def told(found: Explored) -> str:
        if found.runs == 6:
            raise KeyboardInterrupt
        return ""

    script = Script(5, answer=lambda one: trial(one, *([failing()] if len(one) else [])))
    explorer = script.explorer(told=told)
    with pytest.raises(KeyboardInterrupt):
        explorer.explore()
    assert (explorer.found.runs, explorer.found.failing) == (6, 5)
    assert len(explorer.found.causes) == 1


def test_an_endless_plan_needs_a_bound() -> None:
    """Random schedules never end, so a hunt for them without any bound is refused."""
    with pytest.raises(AccessError, match="entries=3 without an end"):
        hunt(scenario(), SteadySender, Plan(entries=3))


# what is found


def test_counts() -> None:
    """Runs, failures and behaviours are counted as they come."""
    found = Explored()
    assert found.take(trial(behaviour="a"))
    assert not found.take(trial((at(1),), failing(), behaviour="a"))
    assert found.take(trial((at(2),), failing(), behaviour="b"))
    assert (found.runs, found.decided, found.failing) == (3, 3, 2)
    assert list(found.behaviours) == ["a", "b"]


def test_the_smallest_case_of_a_cause_is_kept() -> None:
    """Of the runs that show a cause the first with the smallest schedule stays."""
    found = Explored()
    schedules = ((at(3, events=4),), (at(9),), (at(2),), (at(2, kind="pause"),), (at(1), at(2)))
    for schedule in schedules:
        found.take(trial(schedule, failing()))
    ((_, kept),) = found.causes.values()
    assert kept.schedule == (at(2),)


def test_findings_lead() -> None:
    """A run with findings has these for its causes; without, the first promise broken."""
    finding, order, sent = failing("stale", 3), failing(), failing("promise sent")
    assert leading(trial((), order, finding, sent)) == [finding]
    assert leading(trial((), order, sent)) == [order]
    assert leading(trial()) == []


def test_causes_are_told_apart_by_rule_and_line() -> None:
    """The same rule at two lines is two causes, whatever the messages say."""
    found = Explored()
    one = failing("stale", 3)
    found.take(trial((), one, failing("stale", 4), failing("empty", 3)))
    found.take(trial((), one._replace(message="other"), failing("stale", 3)))
    assert list(found.causes) == [("stale", "gauge.py", 3), ("stale", "gauge.py", 4),
                                  ("empty", "gauge.py", 3)]  # fmt: skip


# schedules


def test_weight_orders_schedules() -> None:
    """Fewer entries weigh less, then fewer events, then earlier points."""
    schedules = [(at(1), at(2)), (at(9, events=4),), (at(9),), (at(3),), ()]
    assert by_size(schedules) == [(), (at(3),), (at(9),), (at(9, events=4),), (at(1), at(2))]
    assert weight((at(2, events=3), at(5))) == (2, 4, 7)


@pytest.mark.parametrize(
    ("entry", "text"),
    [
        (at(12, events=4), "stall for 4 events at g.py:7 (before bench call 12)"),
        (at(12, 1, "pause"), "pause for 1 event at g.py:7 (1 step after bench call 12 began)"),
        (at(3, 11, "spurious"),
         "a spurious interrupt at g.py:7 (11 steps after bench call 3 began)"),
    ],
)  # fmt: skip
def test_an_entry_in_words(entry: Entry, text: str) -> None:
    """An entry is told as a person would say it, with the driver's line."""
    assert describe(entry, "g.py:7") == text
    assert describe(entry) == text.replace(" at g.py:7", "")


# on the bench


@pytest.mark.slow
def test_a_good_driver_at_every_line() -> None:
    """A correct driver is clean at each of its lines, each way of being late being decided."""
    asked = scenario("[open, {send: a}]", far_end="sink")
    found = explored(asked, SteadySender, Plan(entries=1, spurious=False))
    assert (found.failing, found.complete, found.stopped) == (0, True, "")
    assert found.decided > 2 * found.runs
    assert 1 < len(found.behaviours) < found.runs


@pytest.mark.slow
def test_a_race_in_main_code_is_found() -> None:
    """A handler that changes what main code is about to change is found between its lines only."""

    class Tally(HastySender):
        """Keeps a count of characters received that main code and handler both change."""

        count = 0

        def _serve(self) -> int:
            before = len(self._received)
            status = super()._serve()
            self.count += len(self._received) - before
            return status

        def read(self, size: int, timeout: float | None = None) -> bytes:
            part = super().read(size, timeout)
            left = self.count - len(part)
            self._last = part
            self.count = left
            if self.count < len(self._received):
                raise LookupError("characters without a count")
            return part

    far_end = "{kind: source, data: abcd, start: 200 us, gap: 90 us}"
    asked = scenario("[open, {receive: 1}, {receive: 1}]", far_end=far_end)
    seen = Trying(asked, Tally).run(learn="line").seen
    ours = [point.call for point, what in seen.items() if what.place[0] == __file__]
    places = {"only": lambda point: point.call in {*ours, *(call + 1 for call in ours)}}
    coarse = explored(asked, Tally, Plan(entries=1, manner="access", spurious=False), **places)
    fine = explored(asked, Tally, Plan(entries=1, spurious=False), **places)
    assert coarse.failing == 0
    assert fine.failing
    assert {cause[0] for cause in fine.causes} == {"driver-raised"}


def test_the_explorer_can_be_asked_before_it_is_done() -> None:
    """What was found is there at any time, the undisturbed run only after the first phase."""
    explorer: Explorer = Script(2).explorer()
    assert explorer.found == Explored()
    with pytest.raises(AssertionError, match="comes first"):
        explorer.base  # noqa: B018 - asking is what is tried


def test_a_search_can_be_done_bit_by_bit() -> None:
    """Bits that are asked for one by one give the same as the whole, and the first is one run."""
    plan = Plan(entries=3, most=300)
    whole, bits = (Script(9, 2, serving(2, 5)) for _ in range(2))
    explorer = bits.explorer(plan)
    counts = [explorer.found.runs for _ in explorer.steps()]
    assert counts[0] == 1
    assert counts == sorted(counts)
    assert len(counts) > 5
    assert explorer.found == whole.explorer(plan).explore()
    assert bits.asked == whole.asked
