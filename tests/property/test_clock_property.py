"""Properties of simulated time, against sorting and against exact fractions."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from emu.kernel.clock import NEVER_PS, Clock, Timer

TIMES = st.integers(0, 50)
HZ = st.integers(1, 10**10)
STEPS = st.lists(
    st.tuples(st.sampled_from(["start", "stop", "run"]), st.integers(0, 30)), max_size=30
)


@given(times=st.lists(TIMES), steps=st.lists(st.integers(0, 10)))
def test_queue_is_a_stable_sort(times: list[int], steps: list[int]) -> None:
    """Whatever the steps in which time is moved, events come sorted by time, ties as scheduled."""
    clock = Clock()
    ran: list[int] = []
    for number, at_ps in enumerate(times):
        clock.schedule(at_ps, lambda number=number: ran.append(number))  # type: ignore[misc]

    for step in steps:
        clock.run_until(clock.now_ps + step)
        assert clock.due_ps == min((at for at in times if at > clock.now_ps), default=NEVER_PS)
    clock.run_until(100)

    assert ran == sorted(range(len(times)), key=times.__getitem__)
    assert clock.events == len(times)


@given(steps=STEPS)
def test_timer_is_one_deadline(steps: list[tuple[str, int]]) -> None:
    """A timer behaves as a single variable that holds when to run, and nothing else."""
    clock = Clock()
    ran: list[int] = []
    timer = Timer(clock, lambda: ran.append(clock.now_ps))
    expected: list[int] = []
    deadline: int | None = None
    for kind, value in steps:
        if kind == "start":
            deadline = clock.now_ps + value
            timer.start(deadline)
        elif kind == "stop":
            deadline = None
            timer.stop()
        else:
            clock.run_until(clock.now_ps + value)
            if deadline is not None and deadline <= clock.now_ps:
                expected.append(deadline)
                deadline = None
        assert timer.running == (deadline is not None)
        assert ran == expected


@given(
    holds=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=8),
    target_ps=st.integers(0, 40),
)
def test_stalled_time_is_what_was_added_to_the_target(
    holds: list[tuple[int, int]], target_ps: int
) -> None:
    """Time reached = time asked for + time stalled; no event within is left out."""
    clock = Clock()
    for at_ps, length_ps in holds:
        until_ps = at_ps + length_ps
        clock.schedule(at_ps, lambda until_ps=until_ps: clock.hold(until_ps))  # type: ignore[misc]

    reached_ps = clock.run_until(target_ps)

    assert reached_ps == target_ps + clock.stalled_ps
    assert clock.next_event_ps > reached_ps
    assert clock.events == sum(at_ps <= reached_ps for at_ps, _ in holds)


class Wish:
    """Want the processor once somebody says so."""

    def __init__(self) -> None:
        self.best: object | None = None


class Machine:
    """Some periodic processes, some other events, some stalls, and a log of what happened when.

    Args:
        stepping: whether a process goes on by `Clock.step_to` where it can.
    """

    def __init__(
        self, others: list[tuple[int, str, int]], periods: list[int], *, stepping: bool
    ) -> None:
        self.clock = Clock()
        self.wish = Wish()
        self.log: list[tuple[object, ...]] = []
        for at_ps, kind, value in others:
            self.clock.schedule(at_ps, lambda kind=kind, value=value: self.other(kind, value))  # type: ignore[misc]
        for number, period_ps in enumerate(periods):
            self.clock.schedule(
                period_ps,
                lambda number=number, period_ps=period_ps: self.beat(number, period_ps, stepping),  # type: ignore[misc]
            )

    def other(self, kind: str, value: int) -> None:
        """Note an event, freeze the processor, or want it."""
        self.note(kind)
        if kind == "hold":
            self.clock.hold(self.clock.now_ps + value)
        elif kind == "want":
            self.wish.best = "line"

    def beat(self, number: int, period_ps: int, stepping: bool) -> None:
        """Note a beat and go on to the next, in place or by way of the queue."""
        while True:
            self.note(number)
            next_ps = self.clock.now_ps + period_ps
            if not (stepping and self.clock.step_to(next_ps)):
                break
        self.clock.schedule(next_ps, lambda: self.beat(number, period_ps, stepping))

    def note(self, what: object) -> None:
        """Note what happened, with everything the clock counts."""
        self.log.append((what, self.clock.now_ps, self.clock.events))

    def move(self, kind: str, length_ps: int) -> None:
        """Let time pass, awake or asleep."""
        target_ps = self.clock.now_ps + length_ps
        if kind == "run":
            self.clock.run_until(target_ps)
        else:
            self.clock.run_until_wanted(target_ps, self.wish)
            self.wish.best = None
        self.log.append((kind, self.clock.now_ps, self.clock.stalled_ps, self.clock.due_ps))


@given(
    others=st.lists(
        st.tuples(
            st.integers(0, 60), st.sampled_from(["event", "hold", "want"]), st.integers(0, 20)
        ),
        max_size=8,
    ),
    periods=st.lists(st.integers(1, 9), min_size=1, max_size=3),
    moves=st.lists(st.tuples(st.sampled_from(["run", "doze"]), st.integers(0, 25)), max_size=8),
)
def test_stepping_is_scheduling(
    others: list[tuple[int, str, int]], periods: list[int], moves: list[tuple[str, int]]
) -> None:
    """An action that steps on does what it would have done by the queue, to the last count."""
    logs = []
    for stepping in (False, True):
        machine = Machine(others, periods, stepping=stepping)
        for kind, length_ps in moves:
            machine.move(kind, length_ps)
        logs.append(machine.log)

    assert logs[0] == logs[1]
