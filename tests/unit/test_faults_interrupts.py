"""Faults of an interrupt line: no cause, too late, lost, stuck, or a cause that has gone."""

from __future__ import annotations

from emu.devices.uart16550 import Uart16550
from emu.faults.arm import arm
from emu.faults.plan import FaultPlan
from emu.faults.spell import fault
from emu.kernel.board import Board, LineRules
from tests.unit.faults_bench import LSR, MS_PS, US_PS, Bench

QUIET = 0xC1


def listen(bench: Bench) -> list[tuple[int, int]]:
    """Connect a handler that serves the port, and return its notes: time in us, what IIR said."""
    bench.set_up(interrupts=1)
    notes: list[tuple[int, int]] = []

    def handler() -> None:
        notes.append((bench.board.clock.now_ps // US_PS, bench.io.read8(2)))
        bench.receive()

    bench.board.cpu.connect(5, handler)
    return notes


def test_a_spurious_interrupt_finds_no_cause() -> None:
    """The handler runs at the time of the fault and the device says that nothing is pending."""
    bench = Bench(fault("spurious-interrupt", "telemetry.irq", start="1 ms"))
    notes = listen(bench)

    bench.wait(3 * MS_PS)

    assert notes == [(1000, QUIET)]
    assert bench.armed.waivers() == {}


def test_spurious_interrupts_repeat() -> None:
    """With a period they come again and again."""
    bench = Bench(fault("spurious-interrupt", "telemetry.irq", every="1 ms", count=3))
    notes = listen(bench)

    bench.wait(10 * MS_PS)

    assert [iir for _, iir in notes] == [QUIET] * 3


def test_a_withdrawn_interrupt_comes_when_its_cause_has_gone() -> None:
    """After the handler has emptied the device it is entered once more for nothing."""
    bench = Bench(fault("withdrawn-interrupt", "telemetry.irq", count=1))
    notes = listen(bench)

    bench.far.say(b"AB")
    bench.wait(MS_PS)

    assert [iir for _, iir in notes] == [0xC4, QUIET, 0xC4]
    assert bench.counts == (1,)


def test_a_cause_that_polling_takes_away_while_masked_still_brings_the_handler() -> None:
    """The interrupt is delivered at the unmask although main code has read the character."""
    bench = Bench(fault("withdrawn-interrupt", "telemetry.irq", count=1))
    notes = listen(bench)

    with bench.board.cpu.interrupts_masked():
        bench.far.say(b"A")
        bench.wait(MS_PS)
        assert bench.receive() == [(0, ord("A"))]

    assert [iir for _, iir in notes] == [QUIET]


def test_a_lost_interrupt_is_not_seen_until_the_next_assertion() -> None:
    """The first character brings no handler; polled away, the second one does."""
    bench = Bench(fault("lost-interrupt", "telemetry.irq", count=1))
    notes = listen(bench)

    bench.far.say(b"A")
    bench.wait(5 * MS_PS)
    assert notes == []
    assert bench.uart.irq.level == 1
    bench.receive()
    bench.far.say(b"B")
    bench.wait(5 * MS_PS)

    assert len(notes) == 1


def test_the_second_assertion_alone_is_lost() -> None:
    """An occasion is an assertion, so the first goes through."""
    bench = Bench(fault("lost-interrupt", "telemetry.irq", first=2, count=1))
    notes = listen(bench)

    for data in (b"A", b"B", b"C"):
        bench.far.say(data)
        bench.wait(5 * MS_PS)

    assert len(notes) == 1
    assert bench.counts == (1,)
    assert [data for _, data in bench.receive()] == [ord("B"), ord("C")]


def test_a_delayed_interrupt_comes_that_much_later() -> None:
    """The handler runs 3 ms after it would have."""
    plain, late = (
        Bench(*faults)
        for faults in ((), (fault("delayed-interrupt", "telemetry.irq", duration="3 ms"),))
    )
    times = []
    for bench in (plain, late):
        notes = listen(bench)
        bench.far.say(b"A")
        bench.wait(10 * MS_PS)
        times.append(notes[0][0])

    assert 2990 < times[1] - times[0] <= 3000


def test_a_delayed_interrupt_whose_cause_goes_first_never_comes() -> None:
    """Polled away during the delay, there is nothing left to deliver."""
    bench = Bench(fault("delayed-interrupt", "telemetry.irq", duration="3 ms"))
    notes = listen(bench)

    bench.far.say(b"A")
    bench.wait(2 * MS_PS)
    bench.receive()
    bench.wait(10 * MS_PS)

    assert notes == []


def test_a_stuck_line_calls_for_its_handler_for_the_whole_window() -> None:
    """The handler runs over and over without a cause, and stops with the window."""
    bench = Bench(fault("stuck-interrupt", "telemetry.irq", start="1 ms", until="1.02 ms"))
    notes = listen(bench)

    bench.wait(3 * MS_PS)

    assert len(notes) > 3
    assert all(1000 <= at <= 1022 and iir == QUIET for at, iir in notes)
    assert sorted(bench.armed.waivers()) == ["quiet", "time"]


def test_a_stuck_line_gives_way_to_the_truth_at_the_end() -> None:
    """A character that is still there keeps the line asserted after the window."""
    bench = Bench(fault("stuck-interrupt", "telemetry.irq", until="3 ms"))
    bench.set_up(interrupts=1)
    line = bench.board.cpu.interrupts.line(5)

    bench.far.say(b"A")
    bench.wait(4 * MS_PS)
    assert line.asserted == 1
    bench.receive()

    assert line.asserted == 0


def test_a_stuck_edge_line_brings_one_interrupt_and_then_none() -> None:
    """A line that does not fall cannot rise again."""
    bench = Bench(fault("stuck-interrupt", "telemetry.irq", until="5 ms"), edge=True)
    notes = listen(bench)

    bench.far.say(b"A")
    bench.wait(4 * MS_PS)

    assert len(notes) == 1
    assert bench.io.read8(LSR) & 1


def test_a_lost_edge_is_lost_for_good() -> None:
    """On an edge line too the assertion is not latched."""
    bench = Bench(fault("lost-interrupt", "telemetry.irq", count=1), edge=True)
    notes = listen(bench)

    bench.far.say(b"A")
    bench.wait(5 * MS_PS)

    assert notes == []


def test_an_interrupt_fault_on_a_quiet_line_injects_nothing() -> None:
    """Without an assertion there is no occasion."""
    bench = Bench(
        fault("lost-interrupt", "telemetry.irq"),
        fault("delayed-interrupt", "telemetry.irq"),
        fault("withdrawn-interrupt", "telemetry.irq"),
    )
    listen(bench)

    bench.wait(5 * MS_PS)

    assert bench.counts == (0, 0, 0)


def test_a_shared_line_is_delayed_and_released_by_its_true_level() -> None:
    """Where two devices share a line, a delayed rise whose cause goes first never comes."""
    board = Board("harbour")
    for number, name in enumerate(("telemetry", "gauge")):
        board.attach(Uart16550, name, 0x1000 * (number + 1), irq=5)
    board.interrupt(5, LineRules(shared=True))
    board.power_on()
    plan = FaultPlan.of([fault("delayed-interrupt", "telemetry.irq", duration="3 ms")])
    armed = arm(plan, board)
    armed.start()
    line = board.cpu.interrupts.line(5)

    for level in (1, 0):
        board.devices["gauge"].irq.set(level)
    board.cpu.sleep(0.005)
    assert (line.asserted, armed.counts) == (0, (1,))
    board.devices["gauge"].irq.set(1)
    board.cpu.sleep(0.005)

    assert line.asserted == 1
