"""A processor that is late on purpose: what passes meanwhile, what is served, what is excused."""

from __future__ import annotations

import pytest

from emu.errors import RunEnded
from emu.kernel.freeze import pause, stall
from tests.unit.cpu_bench import ENTRY_PS, EXIT_PS, US, Bench


def ticks(bench: Bench, *times_us: int) -> list[int]:
    """Let something happen at some times, and return the list of when it did."""
    seen: list[int] = []
    for time_us in times_us:
        bench.clock.schedule(time_us * US, lambda: seen.append(bench.clock.now_ps // US))
    return seen


@pytest.mark.parametrize(("events", "happened"), [(1, [3]), (2, [3, 5]), (3, [3, 5, 9])])
def test_a_stall_lasts_for_so_many_events(events: int, happened: list[int]) -> None:
    """A stall ends with the last of the events it waits for, not before and not after."""
    bench = Bench()
    seen = ticks(bench, 3, 5, 9)
    stall(bench.cpu, bench.clock, events)
    assert seen == happened
    assert bench.clock.now_ps == happened[-1] * US


def test_events_at_one_instant_pass_together() -> None:
    """Hardware does not stop in the middle of an instant, so a stall may pass more than asked."""
    bench = Bench()
    seen = ticks(bench, 3, 3, 3, 7)
    stall(bench.cpu, bench.clock, 1)
    assert seen == [3, 3, 3]


def test_a_stall_ends_when_nothing_more_is_scheduled() -> None:
    """A stall for more events than there are lasts until the last of them."""
    bench = Bench()
    seen = ticks(bench, 3, 5)
    assert not stall(bench.cpu, bench.clock, 1000)
    assert (seen, bench.clock.now_ps) == ([3, 5], 5 * US)


def test_what_an_event_schedules_counts_too() -> None:
    """Events that come of events are waited for like those scheduled before."""
    bench = Bench()
    seen: list[int] = []

    def again() -> None:
        seen.append(bench.clock.now_ps // US)
        bench.clock.schedule(bench.clock.now_ps + 2 * US, again)

    bench.clock.schedule(US, again)
    stall(bench.cpu, bench.clock, 4)
    assert seen == [1, 3, 5, 7]


def test_interrupts_are_served_after_a_stall() -> None:
    """An interrupt that came during a stall is served once, at its end, if nothing masks it."""
    bench = Bench()
    bench.serve()
    bench.pulse(2 * US)
    ticks(bench, 9)
    assert stall(bench.cpu, bench.clock, 2)
    assert [time for _, time in bench.log] == [9 * US + ENTRY_PS]


def test_a_masked_interrupt_stays_pending_after_a_stall() -> None:
    """While interrupts are masked a stall lets no handler in; it comes at the unmask."""
    bench = Bench()
    bench.serve()
    bench.pulse(2 * US)
    with bench.cpu.interrupts_masked():
        assert not stall(bench.cpu, bench.clock, 1)
        assert bench.log == []
    assert bench.served == [0]


def test_a_stall_in_a_handler_lets_no_other_in() -> None:
    """In a handler that may not be interrupted a stall only lets time pass."""
    bench = Bench(gauges=(4, 5))
    bench.serve(0, lambda: bench.log.append(stall(bench.cpu, bench.clock, 1)))
    bench.serve(1)
    bench.pulse(US)
    bench.pulse(5 * US, 1)
    bench.cpu.work(1000)
    assert [one if isinstance(one, bool) else one[0] for one in bench.log] == [0, False, 1]


def test_stalled_time_is_nobodys() -> None:
    """Time in a stall is booked as stalled, and neither as main work nor as idle."""
    bench = Bench()
    ticks(bench, 40)
    bench.cpu.work(100)
    stall(bench.cpu, bench.clock, 1)
    assert bench.split() == {
        "main": 2 * US, "polled": 0, "handler": 0, "idle": 0, "stalled": 38 * US,
    }  # fmt: skip


def test_time_stalled_by_a_fault_meanwhile_is_booked_once() -> None:
    """What freezes the processor during a stall does not add to it twice."""
    bench = Bench()
    bench.clock.schedule(3 * US, lambda: bench.clock.hold(8 * US))
    stall(bench.cpu, bench.clock, 1)
    assert bench.clock.now_ps == 8 * US
    assert bench.split()["stalled"] == 8 * US
    assert bench.split()["main"] == 0


@pytest.mark.parametrize("freeze", [stall, pause])
def test_bounds_move_along(freeze: object) -> None:
    """Neither the bound of a call nor that of the run ends it for being frozen past them."""
    bench = Bench()
    ticks(bench, 50, 60)
    bench.cpu.set_limit(20 * US)
    bench.cpu.guard(10 * US, lambda: RunEnded("call-overdue", "too late"))
    assert callable(freeze)
    freeze(bench.cpu, bench.clock, 2)
    bench.cpu.work(400)  # 8 us of the 10 us that were left
    with pytest.raises(RunEnded, match="too late"):
        bench.cpu.work(150)


def test_a_run_without_a_bound_of_a_call_stays_without() -> None:
    """Where no call is bounded, a stall makes no bound."""
    bench = Bench()
    ticks(bench, 5)
    before = bench.cpu.overdue_ps
    stall(bench.cpu, bench.clock, 1)
    assert bench.cpu.overdue_ps == before


def test_handlers_run_during_a_pause() -> None:
    """A pause holds main code alone: each interrupt is served when it comes."""
    bench = Bench()
    bench.serve()
    bench.pulse(2 * US)
    bench.pulse(8 * US)
    ticks(bench, 12)
    assert pause(bench.cpu, bench.clock, 3)
    assert [time for _, time in bench.log] == [2 * US + ENTRY_PS, 8 * US + ENTRY_PS]
    assert bench.clock.now_ps == 12 * US


def test_time_of_handlers_in_a_pause_is_theirs() -> None:
    """A pause is booked as stalled without what handlers took of it."""
    bench = Bench()
    bench.serve()
    bench.pulse(2 * US)
    ticks(bench, 12)
    pause(bench.cpu, bench.clock, 2)
    split = bench.split()
    handler_ps = ENTRY_PS + 200_000 + EXIT_PS
    assert (split["handler"], split["main"]) == (handler_ps, 0)
    assert split["stalled"] == 12 * US - handler_ps


def test_a_pause_in_which_nothing_asks_lets_no_handler_in() -> None:
    """A pause says whether a handler ran."""
    bench = Bench()
    bench.serve()
    ticks(bench, 3)
    assert not pause(bench.cpu, bench.clock, 1)


def test_a_pause_ends_when_nothing_more_is_scheduled() -> None:
    """A pause for more events than there are lasts until the last of them."""
    bench = Bench()
    seen = ticks(bench, 3)
    pause(bench.cpu, bench.clock, 64)
    assert (seen, bench.clock.now_ps) == ([3], 3 * US)


def test_a_stall_that_ends_the_run_is_booked() -> None:
    """Time that passed until an event ended the run was stalled all the same."""
    bench = Bench()

    def end() -> None:
        bench.cpu.end(RunEnded("board-reset", "a reset"))

    bench.clock.schedule(5 * US, end)
    with pytest.raises(RunEnded):
        stall(bench.cpu, bench.clock, 1)
    assert bench.clock.stalled_ps == 5 * US
