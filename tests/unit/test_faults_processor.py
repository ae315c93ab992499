"""The processor is taken away: frozen as a whole, or its interrupts masked elsewhere."""

from __future__ import annotations

from emu.faults.spell import fault
from tests.unit.faults_bench import MS_PS, SCR, US_PS, Bench


def test_a_stalled_processor_stands_still_while_characters_arrive() -> None:
    """One access ends 2 ms late, and the line went on meanwhile."""
    bench = Bench(fault("cpu-stalled", "cpu", start="1 ms", duration="2 ms"))
    bench.set_up()
    bench.wait(MS_PS - 2 * US_PS)
    bench.far.say(b"tide")

    for _ in range(20):
        bench.io.read8(SCR)

    assert bench.board.clock.now_ps >= 3 * MS_PS
    assert 2 * MS_PS - US_PS < bench.board.clock.stalled_ps <= 2 * MS_PS
    assert len(bench.receive()) == 4
    assert bench.armed.waivers() == {}


def test_a_stall_is_over_when_its_time_is() -> None:
    """Acting ends with the stall, and its end is when the fault was last active."""
    bench = Bench(fault("cpu-stalled", "cpu", start="1 ms", duration="2 ms"))
    assert bench.armed.pending
    assert not bench.armed.acting()

    bench.wait(5 * MS_PS)

    assert not bench.armed.pending
    assert bench.armed.last_active_ps == 3 * MS_PS


def test_masked_interrupts_are_served_when_the_mask_is_lifted() -> None:
    """Main code goes on, the handler waits for the end of the mask."""
    bench = Bench(fault("cpu-masked", "cpu", start="1 ms", duration="2 ms"))
    bench.set_up(interrupts=1)
    served: list[int] = []

    def handler() -> None:
        served.append(bench.board.clock.now_ps)
        bench.receive()

    bench.board.cpu.connect(5, handler)
    bench.wait(MS_PS)
    bench.far.say(b"A")
    for _ in range(100):
        bench.wait(MS_PS // 10)

    assert len(served) == 1
    assert 3 * MS_PS <= served[0] < 3 * MS_PS + 200 * US_PS
    assert not bench.board.cpu.masked


def test_waiting_for_a_masked_interrupt_takes_time() -> None:
    """A loop around a pending interrupt that may not be served yet comes to its end."""
    bench = Bench(fault("cpu-masked", "cpu", duration="1 ms"))
    bench.set_up(interrupts=1)
    served: list[int] = []

    def handler() -> None:
        served.append(bench.board.clock.now_ps)
        bench.receive()

    bench.board.cpu.connect(5, handler)
    bench.far.say(b"A")
    turns = 0
    while not served:
        bench.board.cpu.wait_for_interrupt()
        turns += 1

    assert turns < 10_000
    assert served[0] >= MS_PS


def test_stalls_repeat_with_their_period() -> None:
    """Three stalls of 1 ms in every 4 ms freeze 3 ms in all."""
    bench = Bench(fault("cpu-stalled", "cpu", start="1 ms", duration="1 ms", every="4 ms", count=3))

    bench.board.cpu.work(50_000 * 30)

    assert bench.counts == (3,)
    assert bench.board.clock.stalled_ps == 3 * MS_PS
