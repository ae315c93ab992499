"""Every run ends: asleep for ever, endless poll, interrupt storm, limit, guard; and says where."""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable

import pytest

from emu.errors import RunEnded
from emu.kernel.board import LineRules
from emu.kernel.bus import BusError
from emu.kernel.clock import PS_PER_S
from emu.kernel.cpu import HEARTBEAT_PS
from emu.kernel.storm import STORM_ENTRIES
from tests.unit.cpu_bench import US, Bench


def line_of(function: Callable[..., object], text: str) -> int:
    """Return the line of this file at which `text` stands."""
    lines, first = inspect.getsourcelines(function)
    return first + next(number for number, line in enumerate(lines) if text in line)


def ends(bench: Bench, driver: Callable[[], object]) -> RunEnded:
    """Run a driver that must be ended, and check that every further bench call says so again."""
    with pytest.raises(RunEnded) as caught:
        driver()
    ended = caught.value
    cpu, io = bench.cpu, bench.io[0]
    for call in (
        lambda: io.read8(0), lambda: io.write8(0, 0), lambda: io.read8(3), cpu.time,
        lambda: cpu.work(0), lambda: cpu.work(1), lambda: cpu.sleep(0), lambda: cpu.sleep(1),
        lambda: cpu.wait_for_interrupt(0), cpu.wait_for_interrupt,
        cpu.interrupts_masked().__enter__,
        lambda: cpu.connect(4, print), lambda: cpu.disconnect(4),
        lambda: cpu.raise_interrupt(4),
    ):  # fmt: skip
        with pytest.raises(RunEnded) as again:
            call()
        assert again.value is ended
    assert cpu.ended is ended
    return ended


@pytest.mark.parametrize("call", ["wait_for_interrupt", "sleep"])
def test_asleep_for_ever(call: str) -> None:
    """Nothing scheduled can wake the processor: the run ends at the driver's line."""
    bench = Bench()
    bench.serve()
    bench.clock.schedule(3 * US, lambda: None)  # an event, but not one that wakes

    def driver() -> None:
        if call == "sleep":
            bench.cpu.sleep(math.inf)  # asleep
        else:
            bench.cpu.wait_for_interrupt()  # waiting

    ended = ends(bench, driver)

    text = "# asleep" if call == "sleep" else "# waiting"
    assert (ended.rule, ended.file) == ("asleep-for-ever", __file__)
    assert ended.line == line_of(test_asleep_for_ever, text)
    assert bench.clock.next_event_ps > 10**18


def test_asleep_for_ever_is_told_even_if_the_run_has_a_limit() -> None:
    """A limit far away does not turn a sleep without end into a matter of time."""
    bench = Bench()
    bench.cpu.set_limit(60 * PS_PER_S)
    bench.clock.schedule(3 * US, lambda: None)

    ended = ends(bench, bench.cpu.wait_for_interrupt)

    assert (ended.rule, bench.clock.now_ps < PS_PER_S) == ("asleep-for-ever", True)


def poll_one(bench: Bench) -> None:
    """Read the same register for ever."""
    while not bench.io[0].read8(0):
        pass


def poll_two(bench: Bench) -> None:
    """Read two registers in turn for ever."""
    while not bench.io[0].read8(0) and not bench.io[0].read8(2):
        pass


def poll_nothing(bench: Bench) -> None:
    """Read where nothing answers, for ever."""
    while True:
        try:
            bench.io[0].read8(3)
        except BusError:
            continue


@pytest.mark.slow
@pytest.mark.parametrize("driver", [poll_one, poll_two, poll_nothing])
@pytest.mark.parametrize("masked", [False, True])
def test_endless_poll(driver: Callable[[Bench], None], masked: bool) -> None:
    """The same reads over and over with nothing scheduled end the run, at the line that polls."""
    bench = Bench(time_cycles=1)  # impatient: a tenth of the turns

    def run() -> None:
        if not masked:
            driver(bench)
        with bench.cpu.interrupts_masked():
            driver(bench)

    ended = ends(bench, run)

    first = driver.__code__.co_firstlineno
    assert (ended.rule, ended.file) == ("endless-poll", __file__)
    assert first < ended.line <= first + 6
    assert bench.clock.now_ps < PS_PER_S // 10


@pytest.mark.slow
def test_poll_that_counts_its_turns_is_not_endless() -> None:
    """A bounded loop on a dead device is correct, long as it is."""
    bench = Bench()

    for _ in range(150_000):
        bench.io[0].read8(0)

    assert bench.cpu.ended is None


@pytest.mark.slow
def test_reading_through_memory_is_no_poll() -> None:
    """Many reads of different registers are progress although nothing is scheduled or written."""
    bench = Bench(time_cycles=1)
    live = bench.board.device("gauge0").registers["LEVEL"]

    for number in range(150_000):
        live.value = number // 500 & 0xFF
        bench.io[0].read8(0)

    assert bench.cpu.ended is None


@pytest.mark.parametrize("what", ["event", "write", "time"])
def test_poll_that_something_can_end_goes_on(what: str) -> None:
    """An event still scheduled, a write or a look at the time keep a loop from being endless."""
    bench = Bench(time_cycles=1)
    bench.clock.schedule(9 * HEARTBEAT_PS if what == "event" else 0, lambda: None)
    while bench.clock.now_ps < 5 * HEARTBEAT_PS:
        for _ in range(2_000):
            bench.io[0].read8(0)
        if what == "write":
            bench.io[0].write8(2, 0)
        if what == "time":
            bench.cpu.time()

    assert bench.cpu.ended is None


def stuck(bench: Bench) -> Callable[[], None]:
    """Return a handler that never makes its line quiet."""

    def forget() -> None:
        bench.log.append((0, 0))
        bench.io[0].read8(0)

    return forget


@pytest.mark.parametrize("start", ["write", "unmask", "sleep", "connect"])
def test_interrupt_storm(start: str) -> None:
    """A handler that leaves its line asserted ends the run after so many turns, and is named."""
    bench = Bench()
    handler = stuck(bench)

    def driver() -> None:
        if start == "connect":
            bench.wire().set(1)
        bench.cpu.connect(4, handler)
        if start == "write":
            bench.io[0].write8(1, 1)
        if start == "unmask":
            with bench.cpu.interrupts_masked():
                bench.wire().set(1)
        bench.pulse(bench.clock.now_ps + US)
        bench.cpu.sleep(1)

    ended = ends(bench, driver)

    assert (ended.rule, ended.file) == ("interrupt-storm", __file__)
    assert ended.line == handler.__code__.co_firstlineno
    assert len(bench.log) == STORM_ENTRIES
    assert f"interrupt 4 (gauge0.irq) returned {STORM_ENTRIES} times" in ended.message


def test_two_handlers_that_raise_each_other_are_a_storm() -> None:
    """Taking turns does not hide that main code never runs again."""
    bench = Bench(gauges=(4, 5))
    bench.cpu.connect(4, lambda: bench.wire(1).set(1))
    bench.cpu.connect(5, lambda: bench.wire(0).set(1))

    assert ends(bench, lambda: bench.io[0].write8(1, 1)).rule == "interrupt-storm"


def test_overload_by_real_events_is_no_storm() -> None:
    """A handler that finds new work each time it returns is late, not broken."""
    bench = Bench()
    left = [2 * STORM_ENTRIES]

    def again() -> None:
        left[0] -= 1
        if left[0]:
            bench.pulse(bench.clock.now_ps)  # while the handler runs: the line is up at its end
        bench.cpu.work(10)

    bench.serve(then=again)
    bench.io[0].write8(1, 1)

    assert (left[0], bench.cpu.ended) == (0, None)


def test_time_limit_is_exact_in_a_sleep_and_met_by_any_call() -> None:
    """The run ends at its limit whatever it does: asleep exactly then, else at the next call."""
    for driver in ("sleep", "work", "poll"):
        bench = Bench()
        bench.cpu.set_limit(10 * US)
        bench.clock.schedule(PS_PER_S, lambda: None)
        call = {
            "sleep": lambda bench=bench: bench.cpu.sleep(1),
            "work": lambda bench=bench: bench.cpu.work(10**9),
            "poll": lambda bench=bench: [bench.io[0].read8(0) for _ in range(1_000)],
        }[driver]

        ended = ends(bench, call)

        assert (ended.rule, ended.file) == ("time-limit", __file__)
        assert "limit of 1e-05 s" in ended.message


def test_endless_handler() -> None:
    """A handler that waits on and on is ended at its own line, whatever else is scheduled."""
    bench = Bench()
    bench.clock.schedule(100 * PS_PER_S, lambda: None)  # something that could change the register

    def handler() -> None:
        while not bench.io[0].read8(0):  # waiting for what never comes
            pass

    bench.cpu.connect(4, handler)

    ended = ends(bench, lambda: bench.cpu.raise_interrupt(4))

    assert (ended.rule, ended.file, ended.line) == (
        "endless-handler", __file__, line_of(handler, "# waiting for what"),
    )  # fmt: skip
    assert "running for 0.3" in ended.message


def test_long_handler_is_no_endless_one() -> None:
    """A handler that computes for a quarter of a second is slow, not endless."""
    bench = Bench()
    bench.cpu.connect(4, lambda: bench.cpu.work(bench.cpu.clock_hz // 4))

    bench.cpu.raise_interrupt(4)

    assert bench.cpu.ended is None


def test_guard_ends_a_call_that_takes_too_long() -> None:
    """A guard gives its own reason, and lifted in time it does nothing."""
    bench = Bench()
    bench.cpu.guard(5 * US, lambda: RunEnded("call-overdue", "write takes for ever"))
    bench.cpu.sleep(4e-6)
    bench.cpu.guard(0, None)
    bench.cpu.sleep(4e-6)
    bench.cpu.guard(20 * US, lambda: RunEnded("call-overdue", "write takes for ever"))

    ended = ends(bench, lambda: bench.cpu.wait_for_interrupt(1))

    assert (ended.rule, ended.message, ended.file) == (
        "call-overdue", "write takes for ever", __file__,
    )  # fmt: skip


def test_a_guard_may_be_put_off() -> None:
    """A guard that sees an end coming sets another one, and the run goes on until that one."""
    bench = Bench()
    asked: list[int] = []

    def ended() -> RunEnded | None:
        asked.append(bench.board.clock.now_ps)
        if len(asked) < 3:
            bench.cpu.guard(bench.board.clock.now_ps + 10 * US, ended)
            return None
        return RunEnded("call-overdue", "read takes for ever")

    bench.cpu.guard(10 * US, ended)
    found = ends(bench, lambda: bench.cpu.wait_for_interrupt(1))

    assert found.rule == "call-overdue"
    assert asked == [10 * US, 20 * US, 30 * US]


def test_driver_cannot_swallow_the_end_by_habit() -> None:
    """``except Exception`` lets the end through."""
    bench = Bench()
    bench.cpu.set_limit(10 * US)

    def driver() -> None:
        while True:
            try:
                bench.io[0].read8(0)
            except Exception:
                bench.log.append("swallowed")

    assert ends(bench, driver).rule == "time-limit"
    assert bench.log == []


def test_end_from_inside_a_handler_leaves_nothing_open() -> None:
    """The end passes through handlers and masks; depth and masks are undone on its way."""
    bench = Bench()
    bench.serve(then=lambda: bench.cpu.sleep(math.inf))

    ends(bench, lambda: bench.io[0].write8(1, 1))

    assert (bench.cpu.depth, bench.cpu.masked) == (0, False)


def test_first_end_stays() -> None:
    """What ends a run later is not what ended it."""
    bench = Bench()
    bench.cpu.set_limit(10 * US)
    first = ends(bench, lambda: bench.cpu.sleep(1))

    with pytest.raises(RunEnded) as again:
        bench.cpu.end(RunEnded("spinning", "something else"))

    assert again.value is first


def test_end_raised_again_and_again_does_not_grow() -> None:
    """A driver that swallows the end in a loop does not fill memory with tracebacks."""
    bench = Bench()
    bench.cpu.set_limit(10 * US)
    ended = ends(bench, lambda: bench.cpu.sleep(1))
    depths = []
    for _ in range(3):
        with pytest.raises(RunEnded):
            bench.io[0].read8(0)
        trace, depth = ended.__traceback__, 0
        while trace is not None:
            trace, depth = trace.tb_next, depth + 1
        depths.append(depth)

    assert len(set(depths)) == 1


@pytest.mark.parametrize("inside", ["a handler", "a sleep", "a mask"])
def test_a_processor_that_begins_anew(inside: str) -> None:
    """Once what has ended the run has come out, nothing of it is left but the time that it took."""
    bench = Bench(lines={4: LineRules(edge=True)})
    bench.clock.schedule(30 * US, lambda: bench.board.reset("somebody pressed the button"))
    if inside == "a handler":
        bench.serve(then=lambda: bench.cpu.sleep(1))
        bench.pulse(10 * US)
    if inside == "a mask":
        bench.cpu.mask()
    ended = ends(bench, lambda: bench.cpu.sleep(1))
    assert ended.rule == "board-reset"
    began_ps = bench.clock.now_ps
    bench.wire().set(1)

    bench.cpu.restart()
    bench.log.clear()
    bench.cpu.sleep(50e-6)

    line = bench.cpu.interrupts.line(4)
    assert (bench.cpu.ended, bench.cpu.depth, bench.cpu.masked) == (None, 0, False)
    assert (line.handlers, line.latched, bench.log) == ([], False, [])
    assert bench.clock.now_ps == began_ps + 50 * US
    assert bench.cpu.idle_ps == (60 if inside == "a handler" else 80) * US
    bench.cpu.connect(4, lambda: bench.log.append("served"))
    bench.wire().set(0)
    bench.wire().set(1)
    bench.cpu.time()
    assert bench.log == ["served"]
