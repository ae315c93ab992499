"""Simulated time: order of events, exact ticks, stalls of the processor, and movable timers."""

from __future__ import annotations

import pytest

from emu.errors import AccessError
from emu.kernel.clock import NEVER_PS, PS_PER_S, Clock, Timer


class Wish:
    """Want the processor once somebody says so."""

    def __init__(self) -> None:
        self.best: object | None = None


def noting(clock: Clock, log: list[tuple[str, int]], name: str) -> object:
    """Return an action that notes its name and the time."""
    return lambda: log.append((name, clock.now_ps))


def test_actions_run_in_order_of_time_and_then_of_scheduling() -> None:
    """Equal times keep the order in which they were asked for, whatever that was."""
    clock = Clock()
    log: list[str] = []
    for name, at_ps in (("late", 20), ("first", 10), ("second", 10), ("third", 10), ("now", 0)):
        clock.schedule(at_ps, lambda name=name: log.append(name))  # type: ignore[misc]

    clock.run_until(100)

    assert log == ["now", "first", "second", "third", "late"]


def test_an_action_sees_its_own_time() -> None:
    """While an action runs the clock shows its own moment, afterwards the target."""
    clock = Clock()
    seen: list[int] = []
    clock.schedule(7, lambda: seen.append(clock.now_ps))

    assert (clock.run_until(50), clock.now_ps, seen) == (50, 50, [7])


def test_an_action_at_the_target_runs_and_one_beyond_waits() -> None:
    """The target time itself belongs to the run; one picosecond later does not."""
    clock = Clock()
    ran: list[int] = []
    clock.schedule(50, lambda: ran.append(50))
    clock.schedule(51, lambda: ran.append(51))

    clock.run_until(50)

    assert ran == [50]
    assert (clock.next_event_ps, clock.due_ps, clock.events) == (51, 51, 1)


def test_an_action_may_schedule_for_the_present() -> None:
    """What an action schedules for its own moment runs in the same sweep, at the end."""
    clock = Clock()
    log: list[str] = []
    clock.schedule(5, lambda: clock.schedule(5, lambda: log.append("added")))
    clock.schedule(5, lambda: log.append("waiting"))

    clock.run_until(5)

    assert log == ["waiting", "added"]


def test_the_past_is_refused() -> None:
    """An event before the present is an error that names both times, and leaves the queue alone."""
    clock = Clock()
    clock.run_until(100)

    with pytest.raises(AccessError, match=r"event at 99 ps lies in the past; allowed: 100 ps or"):
        clock.schedule(99, lambda: None)

    assert clock.next_event_ps == NEVER_PS


def test_nothing_scheduled_is_never() -> None:
    """An empty queue is due never, and time can still be moved."""
    clock = Clock()

    assert (clock.due_ps, clock.next_event_ps, clock.run_until(PS_PER_S)) == (
        NEVER_PS, NEVER_PS, PS_PER_S,
    )  # fmt: skip


def test_the_alarm_is_due_but_is_no_event() -> None:
    """The processor's alarm shows in `due_ps` only; setting it again replaces it."""
    clock = Clock()
    clock.schedule(80, lambda: None)

    clock.set_alarm(30)
    due = [clock.due_ps]
    clock.set_alarm(200)
    due.append(clock.due_ps)

    assert due == [30, 80]
    assert (clock.alarm_ps, clock.next_event_ps, clock.events) == (200, 80, 0)


def test_an_alarm_in_the_past_is_due_at_once_and_stays_due() -> None:
    """An alarm that has passed keeps asking for attention until it is moved."""
    clock = Clock()
    clock.run_until(100)
    clock.set_alarm(0)

    clock.run_until(150)

    assert clock.due_ps == 0


def test_hold_freezes_the_processor_while_hardware_goes_on() -> None:
    """Events within a stall run at their own time, and only the added time counts as stalled."""
    clock = Clock()
    log: list[tuple[str, int]] = []
    clock.schedule(10, lambda: clock.hold(100))
    clock.schedule(60, lambda: log.append(("within", clock.now_ps)))
    clock.schedule(101, lambda: log.append(("beyond", clock.now_ps)))

    assert clock.run_until(20) == 100
    assert log == [("within", 60)]
    assert clock.stalled_ps == 80


def test_overlapping_holds_count_once() -> None:
    """Stalls that overlap freeze the processor for their union; a shorter one adds nothing."""
    clock = Clock()
    for at_ps, until_ps in ((10, 50), (20, 70), (30, 40)):
        clock.schedule(at_ps, lambda until_ps=until_ps: clock.hold(until_ps))  # type: ignore[misc]

    assert clock.run_until(15) == 70
    assert clock.stalled_ps == 55


def test_hold_that_ends_before_the_target_costs_nothing() -> None:
    """A stall during time that was to pass anyway is no stall."""
    clock = Clock()
    clock.schedule(10, lambda: clock.hold(30))

    assert (clock.run_until(40), clock.stalled_ps) == (40, 0)


def test_run_until_wanted_stops_at_the_event_that_wants_the_processor() -> None:
    """A wish ends the sweep at once: later events of the same instant wait."""
    clock = Clock()
    wish = Wish()
    ran: list[str] = []
    clock.schedule(10, lambda: ran.append("before"))
    clock.schedule(20, lambda: setattr(wish, "best", "line"))
    clock.schedule(20, lambda: ran.append("after"))

    assert clock.run_until_wanted(100, wish) == 20
    assert (ran, clock.due_ps) == (["before"], 20)


def test_run_until_wanted_reaches_its_target_without_a_wish() -> None:
    """Nobody wants the processor, so time goes to the target, with or without events left."""
    clock = Clock()
    clock.schedule(300, lambda: None)

    assert clock.run_until_wanted(100, Wish()) == 100
    assert clock.run_until_wanted(200, Wish(), wait=False) == 200
    assert clock.run_until_wanted(400, Wish()) == 400


def test_run_until_wanted_without_waiting_stays_where_events_end() -> None:
    """Told not to wait, the clock stands at the last event once nothing else is scheduled."""
    clock = Clock()
    clock.schedule(30, lambda: None)

    assert clock.run_until_wanted(NEVER_PS, Wish(), wait=False) == 30


def test_run_until_wanted_runs_a_stall_to_its_end() -> None:
    """A stall during a sleep is waited out, whatever wants the processor meanwhile."""
    clock = Clock()
    wish = Wish()
    clock.schedule(10, lambda: clock.hold(50))
    clock.schedule(20, lambda: setattr(wish, "best", "line"))
    clock.schedule(40, lambda: None)

    assert clock.run_until_wanted(100, wish) == 50
    assert (clock.stalled_ps, clock.events) == (40, 3)


def timer_log() -> tuple[Clock, Timer, list[int]]:
    """Make a clock with a timer that notes when it ran."""
    clock = Clock()
    log: list[int] = []
    return clock, Timer(clock, lambda: log.append(clock.now_ps)), log


def test_timer_runs_once_at_its_deadline() -> None:
    """A timer is running until it has run, and runs once."""
    clock, timer, log = timer_log()
    timer.start(40)
    running = [timer.running]

    clock.run_until(100)

    assert (log, [*running, timer.running]) == ([40], [True, False])


@pytest.mark.parametrize(
    ("starts", "expected"),
    [
        ([(0, 40), (10, 60)], [60]),  # later
        ([(0, 60), (10, 40)], [40]),  # earlier
        ([(0, 60), (10, 40), (20, 60)], [60]),  # and back to where a queued event still stands
        ([(0, 40), (40, 40)], [40, 40]),  # at its own deadline, having run
        ([(0, 30), (10, 90), (50, 70), (60, 80)], [80]),
    ],
)
def test_restarted_timer_keeps_only_its_last_deadline(
    starts: list[tuple[int, int]], expected: list[int]
) -> None:
    """Whatever was queued before, the action runs at the time set last and only then."""
    clock, timer, log = timer_log()
    for now_ps, at_ps in starts:
        clock.run_until(now_ps)
        timer.start(at_ps)

    clock.run_until(1_000)

    assert log == expected


def test_stopped_timer_does_not_run_and_can_start_again() -> None:
    """Stopping leaves nothing behind that could run the action early or twice."""
    clock, timer, log = timer_log()
    timer.start(40)
    timer.stop()
    stopped = timer.running
    timer.start(90)

    clock.run_until(50)
    early = list(log)
    clock.run_until(200)

    assert (stopped, early, log) == (False, [], [90])


def test_timer_may_restart_itself_for_the_same_instant() -> None:
    """A periodic action may ask for the present again without being lost or doubled."""
    clock = Clock()
    log: list[int] = []

    def act() -> None:
        log.append(clock.now_ps)
        if len(log) < 3:
            timer.start(clock.now_ps)

    timer = Timer(clock, act)
    timer.start(90)
    timer.start(10)

    clock.run_until(200)

    assert log == [10, 10, 10]


def test_timer_started_in_the_past_is_refused_and_still_usable() -> None:
    """A refused start leaves the timer as it was, so that the next one works."""
    clock, timer, log = timer_log()
    clock.run_until(100)

    with pytest.raises(AccessError, match="lies in the past"):
        timer.start(50)
    refused = timer.running
    timer.start(150)
    clock.run_until(200)

    assert (refused, log) == (False, [150])


def test_restarting_costs_the_queue_nothing() -> None:
    """A thousand restarts to later times are two queue entries, not a thousand."""
    clock, timer, log = timer_log()
    for number in range(1_000):
        timer.start(1_000 + number)

    clock.run_until(10_000)

    assert (log, clock.events) == ([1_999], 2)


def test_entries_left_behind_by_earlier_starts_are_not_renewed() -> None:
    """A queue entry that an earlier deadline has overtaken dies when its time comes."""
    clock, timer, log = timer_log()
    for at_ps in (60, 50, 40, 90):
        timer.start(at_ps)

    clock.run_until(200)

    assert (log, clock.events) == ([90], 4)


class _Nobody:
    """Wants nothing."""

    best = None


@pytest.mark.parametrize("dozing", [False, True])
def test_a_run_that_an_action_has_ended_is_forgotten(dozing: bool) -> None:
    """Time goes on from there, and what was left of a hold is not booked."""
    clock = Clock()

    def fail() -> None:
        raise LookupError("a reset")

    clock.schedule(10, lambda: clock.hold(100))
    clock.schedule(40, fail)
    run = (lambda: clock.run_until_wanted(60, _Nobody())) if dozing else lambda: clock.run_until(20)
    with pytest.raises(LookupError):
        run()

    clock.abandon()

    assert (clock.now_ps, clock.stalled_ps) == (40, 30 if dozing else 20)
    clock.schedule(50, lambda: clock.hold(70))
    assert clock.run_until(60) == 70
    assert clock.stalled_ps == (40 if dozing else 30)
