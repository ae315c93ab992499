"""The processor serves interrupts: where, in which order, how deep, and how often."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from itertools import pairwise

import pytest

from emu.errors import AccessError
from emu.kernel.board import LineRules
from emu.kernel.bus import BusError
from emu.kernel.cpu import ENTER, EXIT, MASK, UNMASK
from tests.unit.cpu_bench import ACCESS_PS, ENTRY_PS, EXIT_PS, US, Bench


def test_handler_runs_before_the_call_returns_in_which_its_line_rose() -> None:
    """An interrupt that the driver's own write raises is served before that write returns."""
    bench = Bench()
    bench.serve()

    bench.io[0].write8(1, 1)

    assert bench.log == [(0, ACCESS_PS + ENTRY_PS)]
    assert bench.clock.now_ps == 2 * ACCESS_PS + ENTRY_PS + EXIT_PS


def failing_read(bench: Bench) -> None:
    """Read where nothing answers."""
    with suppress(BusError):
        bench.io[0].read8(3)


@pytest.mark.parametrize(
    "call",
    [
        lambda bench: bench.io[0].read8(0),
        lambda bench: bench.io[0].write8(0, 1),
        lambda bench: bench.cpu.time(),
        lambda bench: bench.cpu.work(10),
        lambda bench: bench.cpu.sleep(200e-9),
        lambda bench: bench.cpu.wait_for_interrupt(1),
        failing_read,
    ],
)
def test_every_call_in_which_time_passes_serves_interrupts(
    call: Callable[[Bench], object],
) -> None:
    """Whatever the driver does, a line that rises meanwhile is served at the end of it."""
    bench = Bench()
    bench.serve()
    bench.pulse(100_000)

    call(bench)

    assert bench.served == [0]


def test_no_handler_runs_while_masked_and_all_run_at_the_unmask() -> None:
    """Blocks nest: only leaving the outermost one lets a pending handler run, and at once."""
    bench = Bench()
    bench.serve()
    seen = []
    with bench.cpu.interrupts_masked():
        bench.wire().set(1)
        with bench.cpu.interrupts_masked():
            bench.cpu.work(10)
        bench.io[0].read8(0)
        seen.append((bench.served, bench.cpu.masked))
    seen.append((bench.served, bench.cpu.masked))

    assert seen == [([], True), ([0], False)]


def test_mask_is_taken_off_when_the_block_raises() -> None:
    """An exception inside a masked block does not leave interrupts masked."""
    bench = Bench()
    bench.serve()
    with suppress(OSError), bench.cpu.interrupts_masked():
        bench.wire().set(1)
        raise OSError("leak")

    assert (bench.served, bench.cpu.masked) == ([0], False)


def test_masking_inside_a_handler_changes_nothing_for_main_code() -> None:
    """A handler may mask and unmask; the line that waits is served after it, not inside it."""
    bench = Bench(gauges=(4, 5))
    depths: list[int] = []

    def mask_and_raise() -> None:
        with bench.cpu.interrupts_masked():
            bench.wire(1).set(1)
        depths.append(len(bench.log))

    bench.serve(0, mask_and_raise)
    bench.serve(1)
    bench.io[0].write8(1, 1)

    assert (depths, bench.served) == ([1], [0, 1])


def test_observers_see_masks_in_pairs_even_under_a_mask_from_outside() -> None:
    """The driver's own masking is told as 1, 0, whatever other code on the core holds meanwhile."""
    bench = Bench()
    told: list[int] = []
    bench.cpu.on_mask.append(lambda: told.append(1))
    bench.cpu.on_unmask.append(lambda: told.append(0))
    with bench.cpu.interrupts_masked():
        bench.cpu.hold_interrupts(10 * US)
    during = bench.cpu.masked
    with bench.cpu.interrupts_masked():
        bench.cpu.sleep(20e-6)

    assert (told, during, bench.cpu.masked) == ([1, 0, 1, 0], True, False)
    marks = [one[2] for one in bench.board.journal.entries if one[2] in (MASK, UNMASK)]
    assert marks == [MASK, UNMASK, MASK, UNMASK]


def test_interrupts_held_from_outside_come_when_they_are_let_go() -> None:
    """A hold ends by itself, in the middle of a sleep or of work, and the handler runs then."""
    for during in ("sleep", "work"):
        bench = Bench()
        bench.serve()
        bench.cpu.hold_interrupts(10 * US)
        bench.pulse(5 * US)
        if during == "sleep":
            bench.cpu.sleep(50e-6)
        else:
            bench.cpu.work(2_500)

        assert bench.log == [(0, 10 * US + ENTRY_PS)]


def test_hold_that_is_refused_masks_nothing() -> None:
    """A hold into the past is an error and leaves interrupts as they were."""
    bench = Bench()
    bench.cpu.sleep(1e-6)

    with pytest.raises(AccessError, match="lies in the past"):
        bench.cpu.hold_interrupts(0)

    assert not bench.cpu.masked


def test_level_line_is_served_again_until_it_is_quiet() -> None:
    """A handler that returns with its line high is entered again; one that clears it is not."""
    bench = Bench()
    left = [3]

    def handle() -> None:
        bench.log.append((0, 0))
        left[0] -= 1
        if not left[0]:
            bench.io[0].write8(1, 0)

    bench.cpu.connect(4, handle)
    bench.io[0].write8(1, 1)

    assert bench.served == [0, 0, 0]


def test_edge_line_is_served_once_for_each_rise() -> None:
    """A wire that stays high is one edge; edges while masked are one delivery."""
    bench = Bench(lines={4: LineRules(edge=True)})
    bench.cpu.connect(4, lambda: bench.log.append((0, 0)))
    bench.wire().set(1)
    bench.cpu.work(1000)
    with bench.cpu.interrupts_masked():
        for level in (0, 1, 0, 1, 0):
            bench.wire().set(level)
    bench.cpu.work(1000)

    assert bench.served == [0, 0]


def test_edge_during_its_own_handler_is_kept() -> None:
    """Serving forgets the edge at entry, so one that comes during the handler is served next."""
    bench = Bench(lines={4: LineRules(edge=True)})

    def handle() -> None:
        bench.log.append((0, 0))
        if len(bench.log) == 1:
            bench.wire().set(0)
            bench.wire().set(1)

    bench.cpu.connect(4, handle)
    bench.io[0].write8(1, 1)

    assert bench.served == [0, 0]


PRIORITIES = {4: LineRules(priority=1), 5: LineRules(priority=2), 6: LineRules(priority=3)}


def test_pending_lines_are_served_by_priority() -> None:
    """What came up while masked runs in the order of importance."""
    bench = Bench(gauges=(4, 5, 6), lines=PRIORITIES)
    for number in range(3):
        bench.serve(number)
    with bench.cpu.interrupts_masked():
        for number in range(3):
            bench.wire(number).set(1)

    assert bench.served == [2, 1, 0]


@pytest.mark.parametrize(
    ("nesting", "marks"),
    [
        (False, [(ENTER, 4), (EXIT, 4), (ENTER, 6), (EXIT, 6), (ENTER, 5), (EXIT, 5)]),
        (True, [(ENTER, 4), (ENTER, 6), (EXIT, 6), (ENTER, 5), (EXIT, 5), (EXIT, 4)]),
    ],
)
def test_nesting(nesting: bool, marks: list[tuple[int, int]]) -> None:
    """With nesting a more important line interrupts a handler; without, it waits for its end."""
    bench = Bench(gauges=(4, 5, 6), lines=PRIORITIES, nesting=nesting)

    def meanwhile() -> None:
        bench.wire(2).set(1)
        bench.wire(1).set(1)
        bench.cpu.work(10)

    bench.serve(0, meanwhile)
    bench.serve(1)
    bench.serve(2)
    bench.io[0].write8(1, 1)

    entries = bench.board.journal.entries
    assert [one[2:] for one in entries if one[1] == 0 and one[2] in (ENTER, EXIT)] == marks


def test_equal_or_lower_priority_does_not_nest() -> None:
    """Nesting lets through only what is more important than what runs."""
    bench = Bench(gauges=(4, 5), nesting=True)
    order: list[str] = []

    def first() -> None:
        bench.wire(1).set(1)
        bench.cpu.work(10)
        order.append("first over")

    bench.serve(0, first)
    bench.serve(1, lambda: order.append("second"))
    bench.io[0].write8(1, 1)

    assert order == ["first over", "second"]


def test_sleeping_handler_is_woken_by_a_more_important_line_only() -> None:
    """In a handler's sleep a higher line is served at once although a lower one is pending."""
    bench = Bench(gauges=(4, 5, 6), lines=PRIORITIES, nesting=True)

    def sleeper() -> None:
        bench.wire(0).set(1)  # lower than the one that runs
        bench.pulse(bench.clock.now_ps + 10 * US, 2)
        bench.cpu.sleep(50e-6)

    bench.serve(0)
    bench.serve(1, sleeper)
    bench.serve(2)
    bench.io[1].write8(1, 1)

    came = dict(bench.log)
    assert bench.served == [1, 2, 0]
    assert came[2] - came[1] == ACCESS_PS + 10 * US + ENTRY_PS


def test_nested_handler_time_counts_once() -> None:
    """A handler within a handler is part of the outer one's time."""
    bench = Bench(gauges=(4, 6), lines={6: LineRules(priority=3)}, nesting=True)

    def meanwhile() -> None:
        bench.io[1].write8(1, 1)

    bench.serve(0, meanwhile)
    bench.serve(1)
    bench.io[0].write8(1, 1)

    assert bench.split()["handler"] == 2 * (ENTRY_PS + EXIT_PS) + 3 * ACCESS_PS
    assert bench.split()["main"] == ACCESS_PS


def test_shared_line_calls_every_handler() -> None:
    """Each handler of a shared line is called at each delivery, in the order of connection."""
    bench = Bench(gauges=(4, 4), lines={4: LineRules(shared=True)})
    bench.cpu.connect(4, bench.handler(0))
    bench.cpu.connect(4, bench.handler(1))

    bench.io[1].write8(1, 1)

    assert bench.served == [0, 1]


def test_shared_line_can_lose_one_handler() -> None:
    """Disconnecting names the handler; the other goes on serving."""
    bench = Bench(gauges=(4, 4), lines={4: LineRules(shared=True)})
    first, second = bench.handler(0), bench.handler(1)
    bench.cpu.connect(4, first)
    bench.cpu.connect(4, second)
    bench.cpu.disconnect(4, first)

    bench.io[1].write8(1, 1)

    assert bench.served == [1]


def test_software_interrupt_is_served_before_the_call_returns_or_at_the_unmask() -> None:
    """A line without a wire is raised by the program, once for each raise that was served."""
    bench = Bench(lines={9: LineRules(software=True)})
    bench.cpu.connect(9, lambda: bench.log.append((9, 0)))
    bench.cpu.raise_interrupt(9)
    at_once = list(bench.served)
    with bench.cpu.interrupts_masked():
        bench.cpu.raise_interrupt(9)
        bench.cpu.raise_interrupt(9)
        masked = list(bench.served)

    assert (at_once, masked, bench.served) == ([9], [9], [9, 9])


def test_moderation_delivers_at_most_once_in_its_time() -> None:
    """However often the line asks, handlers start at least T apart, and none is forgotten."""
    period_ps = 50 * US
    bench = Bench(lines={4: LineRules(moderation_ps=period_ps)})
    bench.serve()
    for number in range(1, 100):
        bench.pulse(number * 3 * US)
    bench.cpu.sleep(400e-6)

    starts = [one[0] for one in bench.board.journal.entries if one[1:] == (0, ENTER, 4)]
    gaps = [two - one for one, two in pairwise(starts)]
    assert len(starts) == 7
    assert min(gaps) >= period_ps
    assert max(gaps) < period_ps + 3 * US


def test_connect_serves_what_is_pending_already() -> None:
    """A line that was high before anybody cared is served as soon as somebody does."""
    bench = Bench()
    bench.wire().set(1)
    bench.cpu.work(10)

    bench.serve()

    assert bench.served == [0]


def test_disconnect_stops_deliveries() -> None:
    """After it the line may do what it likes; connecting again is possible."""
    bench = Bench()
    bench.serve()
    bench.cpu.disconnect(4)
    bench.wire().set(1)
    bench.cpu.work(10)
    before = list(bench.served)
    bench.serve()

    assert (before, bench.served) == ([], [0])


def test_wrong_connections_are_refused() -> None:
    """A second handler, an unknown line, no handler to take off, and what cannot be called."""
    bench = Bench()
    with pytest.raises(AccessError, match="interrupt line 4 has no such handler"):
        bench.cpu.disconnect(4)
    with pytest.raises(AccessError, match=r"handler None \(NoneType\) cannot be called"):
        bench.cpu.connect(4, None)  # type: ignore[arg-type]
    bench.serve()
    with pytest.raises(AccessError, match="interrupt line 4 has a handler already; disconnect it"):
        bench.serve()
    with pytest.raises(AccessError, match=r"no interrupt line 5 \(int\); allowed: 4"):
        bench.cpu.connect(5, lambda: None)
    with pytest.raises(AccessError, match="interrupt line 4 has no such handler"):
        bench.cpu.disconnect(4, lambda: None)


def test_observers_of_handlers_and_connections() -> None:
    """`on_connect`, `on_enter` and `on_exit` hear each step with the line it is about."""
    bench = Bench()
    heard: list[tuple[object, ...]] = []
    bench.cpu.on_connect.append(lambda line, on: heard.append(("connect", line.number, on)))
    bench.cpu.on_exit.append(lambda line: heard.append(("exit", line.number)))
    bench.serve()
    bench.io[0].write8(1, 1)
    bench.cpu.disconnect(4)

    assert heard == [("connect", 4, True), ("exit", 4), ("connect", 4, False)]
