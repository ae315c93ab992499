"""Properties of the search: what is skipped is equal, what is small still fails, files keep cases.

The one idea: a search may leave out a run only if it would have shown the same; so runs that were
left out are made after all, at random, and compared with the run that decided them.
"""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers_example.interrupt_driven import InterruptDriver
from emu.scenario.load import load_scenario
from emu.search.case import Case, load_case, scenario_hash, write_case
from emu.search.explore import EVENTS, Explorer, Plan, ends_of, spread
from emu.search.schedule import Entry, Point, Schedule, by_size, describe, weight
from emu.search.shrink import shrink
from emu.search.trial import Failure, Trial, Trying
from tests.search_bench import HastySender, Script, SteadySender, failing, scenario, trial

ROOT = Path(__file__).resolve().parents[2]
TALK = "{kind: source, data: {count: 9}, start: 300 us, gap: 60 us}"
BOUTS = {
    "echo": (scenario("[open, {send: ab}, drain, {receive: 2}]"), HastySender),
    "both ways": (
        scenario("[open, {exchange: {send: ab, receive: 9}}]", far_end=TALK), SteadySender,
    ),
    "waits": (
        scenario("[open, {send: a}, {wait: 1 ms}, {receive: 3}, {work: 900}, {send: b}, reopen]",
                 far_end=TALK), HastySender,
    ),
    "leftovers": (
        scenario("[open, {send: a}, close, {leftovers: {IER: 5, received: x}}, open, {receive: 2}]",
                 far_end=TALK), SteadySender,
    ),
    "deep": (scenario("[open, {exchange: {send: ab, receive: 9}}]", far_end=TALK), InterruptDriver),
}  # fmt: skip


@cache
def watched(bout: str, manner: str) -> tuple[Trying, Trial]:
    """Return how a bout is run, and its undisturbed run with all points."""
    asked, driver = BOUTS[bout]
    trying = Trying(asked, driver, manner=manner)
    return trying, trying.run(learn=manner)


@pytest.mark.slow
@pytest.mark.parametrize("manner", ["line", "opcode"])
@pytest.mark.parametrize("bout", BOUTS)
def test_a_schedule_that_was_not_run_behaves_as_the_one_that_decided_it(
    bout: str, manner: str
) -> None:
    """A delay between lines that was decided without a run gives the behaviour of its decider."""
    trying, base = watched(bout, manner)
    explorer = Script(0).explorer(Plan())
    explorer._base = base
    ends = ends_of(base.seen)
    draw = random.Random(f"{bout} {manner}")
    skipped = [point for point, end in ends.items() if point != end]
    inside = [point for point in skipped if base.seen[point].depth]
    for point in [*draw.sample(skipped, 14), *draw.sample(inside, min(6, len(inside)))]:
        entry = draw.choice(explorer._entries(point) or [Entry(point, "stall", 4)])
        decider = trying.run((entry._replace(point=ends[point]),))
        if not any(one.served for one in decider.acted):
            found = trying.run((entry,))
            assert found.behaviour == decider.behaviour, describe(entry)
            assert [one.rule for one in found.failures] == [one.rule for one in decider.failures]


@pytest.mark.slow
@pytest.mark.parametrize("bout", BOUTS)
def test_what_needs_no_run_of_its_own_changes_nothing(bout: str) -> None:
    """A delay while nothing is on its way does nothing, and a pause for one event is a stall."""
    trying, base = watched(bout, "line")
    draw = random.Random(bout)
    still = [point for point, what in base.seen.items() if what.still]
    for point in draw.sample(still, min(8, len(still))):
        found = trying.run((Entry(point, draw.choice(["stall", "pause"]), 64),))
        assert found.behaviour == base.behaviour
    free = [p for p, what in base.seen.items() if not (what.masked or what.depth or what.still)]
    for point in draw.sample(free, 8):
        pause, stall = (trying.run((Entry(point, kind, 1),)) for kind in ("pause", "stall"))
        assert pause.behaviour == stall.behaviour


@pytest.mark.slow
@pytest.mark.parametrize("bout", BOUTS)
def test_a_good_driver_is_clean_at_random_schedules(bout: str) -> None:
    """Several delays of any kind at any point of a good driver break no promise and no rule."""
    asked, driver = BOUTS[bout]
    driver = SteadySender if driver is HastySender else driver
    trying = Trying(asked, driver)
    base = trying.run(learn="line")
    explorer = Script(0).explorer(Plan())
    explorer._base = base
    draw = random.Random(bout)
    for _ in range(12):
        points = sorted(draw.sample(sorted(base.seen), draw.randint(1, 5)))
        schedule = tuple(
            draw.choice(entries) for point in points if (entries := explorer._entries(point))
        )
        assert trying.run(schedule).failures == (), [describe(one) for one in schedule]


@pytest.mark.parametrize("bout", BOUTS)
def test_the_same_schedule_gives_the_same_record(bout: str) -> None:
    """Whatever the schedule, a run repeats to the picosecond, in another object too."""
    asked, driver = BOUTS[bout]
    base = watched(bout, "line")[1]
    draw = random.Random(bout)
    for _ in range(3):
        points = sorted(draw.sample(sorted(base.seen), 3))
        schedule = tuple(Entry(one, "stall", draw.choice(EVENTS)) for one in points)
        first, second = (Trying(asked, driver).run(schedule, records=True) for _ in range(2))
        assert first.record == second.record
        assert first == second


# without a bench

POINTS = st.builds(Point, st.integers(0, 200), st.integers(0, 9))
ENTRIES = st.one_of(
    st.builds(Entry, POINTS, st.sampled_from(["stall", "pause"]), st.integers(1, 10**6)),
    st.builds(Entry, POINTS, st.just("spurious"), st.just(0)),
)
SCHEDULES = st.lists(ENTRIES, max_size=6).map(lambda some: tuple(sorted(some)))
FAILURE = failing("stale", 3)


@given(SCHEDULES, st.integers(0, 2**32), st.integers(1, 3))
def test_a_shrunk_schedule_fails_in_the_same_way(schedule: Schedule, salt: int, of: int) -> None:
    """Whatever fails, what is returned fails alike, weighs no more, and is no larger anywhere."""

    def run(one: Schedule) -> Trial:
        bad = one == schedule or random.Random(f"{salt} {one}").randrange(of + 1) == 0
        return trial(one, FAILURE if bad else failing("other", 9))

    failure, found = shrink(run(schedule), FAILURE, run)
    assert failure.cause == FAILURE.cause
    assert failure in found.failures
    assert failure in run(found.schedule).failures
    assert weight(found.schedule) <= weight(schedule)
    assert len(found.schedule) <= len(schedule)


@given(SCHEDULES, st.data())
def test_what_a_failure_takes_is_what_remains(schedule: Schedule, data: st.DataObject) -> None:
    """A failure that takes certain entries with certain numbers of events comes down to these."""
    needed = [one for one in dict.fromkeys(schedule) if data.draw(st.booleans())][:2]

    def run(one: Schedule) -> Trial:
        shown = all(
            any(got.point == want.point and got.kind == want.kind for got in one)
            for want in needed
        )  # fmt: skip
        return trial(one, *([FAILURE] if shown else []))

    _, found = shrink(run(schedule), FAILURE, run, most=2000)
    places = {(one.point, one.kind) for one in needed}
    assert {(one.point, one.kind) for one in found.schedule} == places
    assert all(one.events <= 1 for one in found.schedule)


@given(st.lists(st.integers(), unique=True))
def test_spreading_is_a_reordering(items: list[int]) -> None:
    """Nothing is lost or doubled when points are taken far apart first."""
    assert sorted(spread(items)) == sorted(items)


@given(st.lists(SCHEDULES))
def test_sorting_by_size_never_puts_a_larger_one_first(schedules: list[Schedule]) -> None:
    """Schedules in order of size never have fewer entries after more."""
    ordered = by_size(schedules)
    assert [len(one) for one in ordered] == sorted(len(one) for one in schedules)


@given(SCHEDULES, st.integers(1, 60))
def test_a_number_of_runs_is_never_exceeded(schedule: Schedule, most: int) -> None:
    """However the runs come out, no more are made than allowed."""
    script = Script(9, 2, answer=lambda one: trial(one, behaviour=str(len(one))))
    explorer: Explorer = script.explorer(Plan(entries=3, most=most, seed=len(schedule)))
    assert explorer.explore().runs == most
    assert len(script.asked) == most - 1


TEXTS = st.text(min_size=1, max_size=40).filter(lambda text: text.strip() and text.isprintable())


QUIET = ROOT / "fixtures/quiet.yaml"
ASKED = load_scenario(QUIET)


@settings(max_examples=30)
@given(SCHEDULES, TEXTS, TEXTS, TEXTS, st.integers(0, 2**63 - 1))
def test_a_case_file_keeps_everything(
    schedule: Schedule, rule: str, message: str, record: str, seed: int
) -> None:
    """A case with any schedule, any text and any seed is read as it was written."""
    failure = Failure(rule, "", 0, "", message)
    case = Case(
        message, replace(ASKED, seed=seed), rule, schedule, "line", failure, record, record, rule
    )
    with TemporaryDirectory() as folder:
        file = Path(folder) / "case.yaml"
        write_case(file, case, trial(schedule), scenario=str(QUIET))
        found = load_case(file)
    assert scenario_hash(found.scenario) == scenario_hash(case.scenario)
    assert found._replace(scenario=case.scenario) == case
