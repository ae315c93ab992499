"""The watchdog ends a driver that spins without simulated time passing, and nobody else."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
import tokenize
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

import emu.kernel.watchdog
from emu.errors import AccessError, RunEnded
from emu.kernel.watchdog import LOOKS, TRIES, Watchdog
from tests.unit.cpu_bench import Bench

SECONDS = 0.02


def spin() -> None:
    """Compute for ever."""
    while True:
        pass


def spin_masked(bench: Bench) -> None:
    """Call the bench for ever without time passing."""
    while True:
        with bench.cpu.interrupts_masked():
            pass


def in_thread(work: Callable[[], object]) -> list[BaseException]:
    """Run `work` in a thread and return what it raised."""
    raised: list[BaseException] = []

    def run() -> None:
        try:
            work()
        except BaseException as error:
            raised.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join(10)
    assert not thread.is_alive()
    return raised


def watched(bench: Bench, driver: Callable[[], object], *, thread: bool = False) -> RunEnded:
    """Run a driver under a watchdog and return what ended it."""

    def run() -> None:
        with Watchdog(bench.clock, bench.cpu, SECONDS):
            driver()

    if thread:
        (ended,) = in_thread(run)
    else:
        with pytest.raises(RunEnded) as caught:
            run()
        ended = caught.value
    assert type(ended) is RunEnded
    return ended


@pytest.mark.parametrize("thread", [False, True])
def test_spinning_driver_is_ended_at_its_line(thread: bool) -> None:
    """The verdict names the file and line that spin, and every further bench call repeats it."""
    bench = Bench()

    ended = watched(bench, spin, thread=thread)

    first = spin.__code__.co_firstlineno
    assert (ended.rule, ended.file) == ("spinning", __file__)
    assert first + 2 <= ended.line <= first + 3
    assert "stood still for 0.02 s" in ended.message
    with pytest.raises(RunEnded) as again:
        bench.io[0].read8(0)
    assert again.value is ended


@pytest.mark.parametrize("thread", [False, True])
def test_calls_in_which_no_time_passes_are_spinning_too(thread: bool) -> None:
    """A loop that only masks and unmasks never gets anywhere; its own line is named."""
    bench = Bench()

    ended = watched(bench, lambda: spin_masked(bench), thread=thread)

    first = spin_masked.__code__.co_firstlineno
    assert (ended.rule, ended.file) == ("spinning", __file__)
    assert first < ended.line <= first + 4


def test_driver_asleep_in_the_system_is_reached() -> None:
    """A real sleep is broken off by the signal, long before its end."""
    bench = Bench()
    before_s = time.monotonic()

    ended = watched(bench, lambda: time.sleep(30))

    assert ended.rule == "spinning"
    assert time.monotonic() - before_s < 10


class Slow:
    """Stand for a bench call that takes long in real time while simulated time stands still."""

    def __init__(self) -> None:
        bench = {"__name__": "emu.kernel.slow"}
        exec(compile(SLOW, os.path.join(BENCH, "slow.py"), "exec"), bench)  # noqa: PTH118, S102
        self.call: Callable[[float], object] = bench["call"]  # type: ignore[assignment]


BENCH = str(Path(emu.kernel.watchdog.__file__).parent)
SLOW = """
import time, tokenize, collections

def call(seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        collections.Counter("the tide comes in and goes out" * 10)
        list(tokenize.generate_tokens(iter(["tide = 1\\n", ""]).__next__))
"""


@pytest.mark.parametrize("thread", [False, True])
def test_the_bench_itself_is_not_accused(thread: bool) -> None:
    """What the bench does before a driver is entered, libraries included, is nobody's spinning."""
    bench = Bench()

    def run() -> None:
        with Watchdog(bench.clock, bench.cpu, SECONDS):
            Slow().call(4 * SECONDS)

    if thread:
        assert in_thread(run) == []
    else:
        run()
    assert bench.cpu.ended is None


def test_one_long_call_of_the_bench_is_not_the_drivers() -> None:
    """A driver that waits for the bench to come back from a single call is not spinning."""
    bench = Bench()
    slow = Slow()

    def driver() -> None:
        slow.call(4 * SECONDS)

    with Watchdog(bench.clock, bench.cpu, SECONDS):
        driver()
    assert bench.cpu.ended is None


def test_a_driver_in_a_library_is_named_by_its_own_line() -> None:
    """A driver that spins through the standard library is named, not the library."""
    bench = Bench()

    def driver() -> None:
        while True:
            list(tokenize.generate_tokens(iter(["tide = 1\n", ""]).__next__))

    ended = watched(bench, driver)

    assert (ended.rule, ended.file) == ("spinning", __file__)
    first = driver.__code__.co_firstlineno
    assert first < ended.line <= first + 2


def test_driver_that_lets_time_pass_is_left_alone() -> None:
    """However long it takes in real time, a driver whose simulated time moves is not spinning."""
    bench = Bench()
    end_s = time.monotonic() + 3 * SECONDS
    with Watchdog(bench.clock, bench.cpu, SECONDS):
        while time.monotonic() < end_s:
            bench.cpu.work(1)

    assert bench.cpu.ended is None


@pytest.mark.parametrize("thread", [False, True])
def test_driver_that_is_done_in_time_is_left_alone(thread: bool) -> None:
    """Leaving the block takes the watchdog away: what spins afterwards is not its business."""
    bench = Bench()

    def run() -> None:
        with Watchdog(bench.clock, bench.cpu, SECONDS):
            bench.cpu.sleep(1e-6)
        end_s = time.monotonic() + 2 * SECONDS
        while time.monotonic() < end_s:
            pass

    raised: list[BaseException] = []
    if thread:
        raised = in_thread(run)
    else:
        run()

    assert raised == []
    assert bench.cpu.ended is None


def stubborn(tries: list[str], gave_up: threading.Event) -> None:
    """Swallow whatever is raised, and go on."""
    while not gave_up.is_set():
        try:
            while not gave_up.is_set():
                time.sleep(0.0005)
        except BaseException:
            tries.append("swallowed")


@pytest.mark.parametrize("thread", [False, True])
def test_stubborn_driver_meets_the_last_resort(thread: bool) -> None:
    """After it swallowed the end three times, the caller is told in another thread, once."""
    bench = Bench()
    gave_up = threading.Event()
    tries: list[str] = []
    resorts: list[tuple[str, bool]] = []

    def last_resort(ended: RunEnded) -> None:
        here = threading.current_thread() is threading.main_thread()
        resorts.append((ended.rule, here))
        gave_up.set()

    def run() -> None:
        with Watchdog(bench.clock, bench.cpu, SECONDS, last_resort=last_resort):
            stubborn(tries, gave_up)

    if thread:
        in_thread(run)
    else:
        run_quietly(run)

    assert resorts == [("spinning", False)]
    assert len(tries) >= TRIES


def run_quietly(work: Callable[[], object]) -> None:
    """Run something that may be ended by the last of several tries, or by the last resort."""
    with suppress(RunEnded):
        work()


def test_bare_except_around_everything_does_not_keep_the_run_alive() -> None:
    """A loop that swallows whatever is raised ends, by a later try or the last resort."""
    bench = Bench()
    gave_up = threading.Event()

    def driver() -> None:
        while True:
            try:
                if gave_up.is_set():
                    return
            except BaseException:  # noqa: S110 - the worst that a driver does
                pass

    def run() -> None:
        with Watchdog(bench.clock, bench.cpu, SECONDS, last_resort=lambda _: gave_up.set()):
            driver()

    run_quietly(run)

    assert bench.cpu.ended is not None
    assert bench.cpu.ended.rule == "spinning"


def test_driver_that_swallows_another_ending_comes_to_its_end() -> None:
    """Bench calls that raise again and again are no way on, though time moves in them."""
    bench = Bench()
    bench.cpu.set_limit(10**6)
    gave_up = threading.Event()

    def driver() -> None:
        while not gave_up.is_set():
            try:
                bench.io[0].read8(0)
            except BaseException:  # noqa: S112 - the worst that a driver does
                continue

    def run() -> None:
        with Watchdog(bench.clock, bench.cpu, SECONDS, last_resort=lambda _: gave_up.set()):
            driver()

    run_quietly(run)

    assert bench.cpu.ended is not None
    assert bench.cpu.ended.rule == "time-limit"


def test_signal_handler_and_timer_are_put_back() -> None:
    """A timer and handler of the caller's own go on where they were."""
    fired: list[int] = []
    bench = Bench()
    before = signal.signal(signal.SIGALRM, lambda *_: fired.append(1))
    signal.setitimer(signal.ITIMER_REAL, 100, 50)
    try:
        with Watchdog(bench.clock, bench.cpu, SECONDS):
            bench.cpu.sleep(1)
        left_s, interval_s = signal.getitimer(signal.ITIMER_REAL)
        signal.raise_signal(signal.SIGALRM)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)

    assert (fired, interval_s) == ([1], 50)
    assert 90 < left_s <= 100


def test_watchdogs_nest() -> None:
    """An inner one takes over and hands back; the outer one is still there to end the driver."""
    outer, inner = Bench(), Bench()

    def driver() -> None:
        with Watchdog(inner.clock, inner.cpu, 50.0):
            inner.cpu.sleep(1)
        spin()

    ended = watched(outer, driver)

    assert outer.cpu.ended is ended
    assert inner.cpu.ended is None


def test_time_without_driver_code_is_not_counted() -> None:
    """Looks that find only the bench's own frames, or its caller's, accuse nobody."""
    bench = Bench()
    watchdog = Watchdog(bench.clock, bench.cpu, 50.0)
    with watchdog:
        looks = [watchdog.look(None) for _ in range(3 * LOOKS)]

    assert (set(looks), bench.cpu.ended) == ({None}, None)


@pytest.mark.parametrize("seconds", [0, -1, float("nan")])
def test_no_time_at_all_is_refused(seconds: float) -> None:
    """A watchdog needs some time to watch."""
    bench = Bench()

    with pytest.raises(AccessError, match=r"watchdog: seconds=.*allowed: above 0"):
        Watchdog(bench.clock, bench.cpu, seconds)


TRACED = """
import sys
from emu.kernel.watchdog import Watchdog
from tests.unit.test_watchdog import SECONDS, Bench, in_thread, spin

def done():
    pass

for driver, ends in ((done, 0), (spin, 1)):
    bench = Bench()

    def run():
        with Watchdog(bench.clock, bench.cpu, SECONDS):
            driver()

    assert len(in_thread(run)) == ends
    sys.settrace(lambda *_: None)
    done()
    sys.settrace(None)
print("done")
"""


@pytest.mark.slow
def test_a_watchdog_in_a_thread_leaves_nothing_behind() -> None:
    """After a watchdog in a thread, whether it barked or not, code can still be traced."""
    command = [sys.executable, "-c", TRACED]
    root = Path(__file__).resolve().parents[2]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True, cwd=root)

    assert ran.stdout == "done\n"
