"""The processor: where simulated time goes, and how long sleeping, working and waiting take."""

from __future__ import annotations

import math

import pytest

from emu.errors import AccessError
from emu.kernel.clock import PS_PER_S
from tests.unit.cpu_bench import ACCESS_PS, CYCLE_PS, ENTRY_PS, EXIT_PS, TIME_PS, US, Bench

# time


def test_where_time_goes() -> None:
    """Work, polling, handler and sleep each have their own account, and nothing is left over."""
    bench = Bench()
    bench.serve(then=lambda: bench.cpu.work(5))
    bench.pulse(20 * US)

    bench.cpu.work(100)  # 2 us of main work
    for _ in range(4):
        bench.io[0].read8(0)  # one new value, three repeated
    bench.cpu.time()
    bench.cpu.sleep(30e-6)

    handler_ps = ENTRY_PS + ACCESS_PS + 5 * CYCLE_PS + EXIT_PS
    assert bench.split() == {
        "main": 100 * CYCLE_PS + ACCESS_PS,
        "polled": 3 * ACCESS_PS + TIME_PS,
        "handler": handler_ps,
        "idle": 30 * US - handler_ps,
        "stalled": 0,
    }


def test_time_is_seconds_and_costs_an_access() -> None:
    """A loop that looks at the time makes it pass, so that a time-out always comes."""
    bench = Bench()

    assert [bench.cpu.time(), bench.cpu.time()] == [TIME_PS / PS_PER_S, 2 * TIME_PS / PS_PER_S]


def test_polling_by_a_handler_is_handler_time() -> None:
    """Equal reads inside a handler are never counted as polling by main code, nor the other way."""
    bench = Bench()

    def poll() -> None:
        for _ in range(10):
            bench.io[0].read8(2)

    bench.serve(then=poll)
    for _ in range(3):
        bench.io[0].read8(2)
    bench.wire().set(1)
    for _ in range(3):
        bench.io[0].read8(2)

    split = bench.split()
    assert split["handler"] == ENTRY_PS + 11 * ACCESS_PS + EXIT_PS
    assert split["polled"] + split["main"] == 6 * ACCESS_PS


def test_time_of_a_handler_that_raises_is_handler_time() -> None:
    """An exception out of a handler leaves masks, depth and accounts in order."""
    bench = Bench()

    def fail() -> None:
        for _ in range(9):
            bench.io[0].read8(2)
        raise OSError("flooded")

    bench.serve(then=fail)
    bench.pulse(ACCESS_PS)
    with pytest.raises(OSError, match="flooded"):
        bench.io[0].read8(0)

    assert (bench.cpu.depth, bench.cpu.masked) == (0, False)
    assert bench.split() == {
        "main": ACCESS_PS, "polled": 0, "handler": ENTRY_PS + 10 * ACCESS_PS, "idle": 0,
        "stalled": 0,
    }  # fmt: skip


def test_sleep_and_work_are_lengthened_differently() -> None:
    """Work lasts its own cycles plus handlers; a sleep ends at its deadline or with the handler."""
    bench = Bench()
    bench.serve(then=lambda: bench.cpu.work(500))
    handler_ps = ENTRY_PS + ACCESS_PS + 500 * CYCLE_PS + EXIT_PS
    bench.pulse(US)
    bench.cpu.work(100)
    worked_ps = bench.clock.now_ps
    bench.pulse(worked_ps + 19 * US)
    bench.cpu.sleep(20e-6)

    assert worked_ps == 100 * CYCLE_PS + handler_ps
    assert bench.clock.now_ps == worked_ps + 19 * US + handler_ps


def test_sleep_without_interruption_is_exact() -> None:
    """Events that concern nobody do not change when a sleep ends."""
    bench = Bench()
    for at_ps in range(0, 10 * US, 777_777):
        bench.clock.schedule(at_ps, lambda: None)

    bench.cpu.sleep(5.000001e-6)

    assert bench.clock.now_ps == 5_000_001


def test_stall_during_work_and_sleep() -> None:
    """While the processor is frozen nothing counts as work or sleep."""
    bench = Bench()
    bench.clock.schedule(US, lambda: bench.clock.hold(11 * US))
    bench.cpu.work(100)
    bench.clock.schedule(bench.clock.now_ps + US, lambda: bench.clock.hold(100 * US))
    bench.cpu.sleep(10e-6)

    split = bench.split()
    assert (split["main"], bench.clock.now_ps) == (100 * CYCLE_PS, 100 * US)
    assert split["idle"] + split["stalled"] == 98 * US


@pytest.mark.parametrize("seconds", [-1e-12, -math.inf, math.nan])
@pytest.mark.parametrize("call", ["sleep", "wait_for_interrupt"])
def test_time_that_cannot_be_is_refused(call: str, seconds: float) -> None:
    """A negative time-out is the driver's mistake, not a short one."""
    with pytest.raises(AccessError, match="allowed: 0 or more seconds"):
        getattr(Bench().cpu, call)(seconds)


@pytest.mark.parametrize("cycles", [-1, 1.5, "9"])
def test_work_that_cannot_be_is_refused(cycles: int) -> None:
    """Cycles are counted in whole numbers, so that time stays an integer."""
    with pytest.raises(AccessError, match=r"cpu.work: cycles=.*a whole number, 0 or more"):
        Bench().cpu.work(cycles)


# waiting


def test_wait_returns_whether_an_interrupt_came() -> None:
    """True once a handler has run, False when the time-out is over, which is exact."""
    bench = Bench()
    bench.serve()
    bench.pulse(7 * US)
    woken = bench.cpu.wait_for_interrupt(20e-6)
    came_ps = bench.clock.now_ps
    quiet = bench.cpu.wait_for_interrupt(20e-6)

    assert (woken, quiet, bench.served) == (True, False, [0])
    assert came_ps == 7 * US + ENTRY_PS + ACCESS_PS + EXIT_PS
    assert bench.clock.now_ps == came_ps + 20 * US


def test_wait_wakes_while_masked_and_the_handler_runs_at_the_unmask() -> None:
    """A pending interrupt ends the sleep of a masked processor without being served yet."""
    bench = Bench()
    bench.serve()
    bench.pulse(7 * US)
    with bench.cpu.interrupts_masked():
        woken = bench.cpu.wait_for_interrupt(1)
        state = (woken, bench.clock.now_ps, list(bench.served))

    assert state == (True, 7 * US, [])
    assert bench.log == [(0, 7 * US + ENTRY_PS)]


def test_wait_with_an_interrupt_pending_returns_at_once_but_takes_time() -> None:
    """A loop around a wait that never sleeps still lets simulated time pass."""
    bench = Bench()
    bench.serve()
    with bench.cpu.interrupts_masked():
        bench.wire().set(1)
        before_ps = bench.clock.now_ps
        woken = bench.cpu.wait_for_interrupt(1)
        took_ps = bench.clock.now_ps - before_ps

    assert (woken, took_ps) == (True, TIME_PS)


def test_line_without_a_handler_does_not_wake() -> None:
    """Nobody is connected, so nothing ends the wait but its time-out."""
    bench = Bench()
    bench.pulse(7 * US)

    assert not bench.cpu.wait_for_interrupt(20e-6)
    assert bench.clock.now_ps == 20 * US


def test_wait_for_ever_is_ended_by_an_interrupt() -> None:
    """No time-out and infinity mean the same."""
    bench = Bench()
    bench.serve()
    for timeout in (None, math.inf):
        bench.pulse(bench.clock.now_ps + US)

        assert bench.cpu.wait_for_interrupt(timeout)


def test_deadline_and_interrupt_at_one_instant() -> None:
    """An interrupt that comes exactly at the deadline counts as having come."""
    bench = Bench()
    bench.serve()
    bench.pulse(20 * US)

    assert bench.cpu.wait_for_interrupt(20e-6)
