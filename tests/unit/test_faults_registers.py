"""Faults between the bus and a register do what they say, in their window, and nothing else."""

from __future__ import annotations

import pytest

from emu.faults.spell import fault
from emu.kernel.bus import BusError
from emu.units import parse_duration
from tests.unit.faults_bench import IER, LCR, LSR, MS_PS, SCR, US_PS, Bench


def test_a_stuck_field_reads_as_its_value_and_its_neighbours_as_they_are() -> None:
    """THRE stuck at 0 hides the room there is; TEMT beside it still shows."""
    bench = Bench(fault("stuck-field", "telemetry.LSR.THRE", value=0))

    assert bench.io.read8(LSR) == 0x40
    assert bench.uart.peek("LSR") == 0x60


def test_a_stuck_field_takes_no_other_value() -> None:
    """A write to a stuck bit that software may write leaves it as it is stuck."""
    bench = Bench(fault("stuck-field", "telemetry.IER.ETBEI", value=1))

    bench.io.write8(IER, 0x01)

    assert bench.uart.peek("IER") == 0x03
    assert bench.armed.injections[0].detail == "IER took 0x03 instead of 0x01"


def test_a_stuck_field_that_is_right_by_chance_injects_nothing() -> None:
    """Only a difference counts as an injection."""
    bench = Bench(fault("stuck-field", "telemetry.LSR.THRE", value=1))

    assert bench.io.read8(LSR) == 0x60
    assert bench.counts == (0,)


def test_a_wide_field_is_stuck_at_any_value_that_fits() -> None:
    """Fields of several bits take a value, not just 0 and 1."""
    bench = Bench(fault("stuck-field", "telemetry.IIR.ID", value=3))

    assert bench.io.read8(2) == 0x07


@pytest.mark.parametrize(("at_us", "value"), [(0, 0x60), (99, 0x60), (101, 0x40), (201, 0x60)])
def test_a_window_of_time_bounds_a_fault(at_us: int, value: int) -> None:
    """Before and after its window a fault changes nothing."""
    spec = fault("stuck-field", "telemetry.LSR.THRE", value=0, start="100 us", until="200 us")
    bench = Bench(spec)

    bench.wait(at_us * US_PS)

    assert bench.io.read8(LSR) == value


def test_a_fault_acts_from_its_first_occasion_for_its_count() -> None:
    """The third and fourth access are hit, no other."""
    bench = Bench(fault("flip-on-read", "telemetry.SCR", mask=0x01, first=3, count=2))

    assert [bench.io.read8(SCR) for _ in range(6)] == [0, 0, 1, 1, 0, 0]
    assert bench.counts == (2,)
    assert not bench.armed.pending


def test_occasions_are_counted_from_the_beginning_of_the_window() -> None:
    """An access before the window is none of the counted."""
    bench = Bench(fault("flip-on-read", "telemetry.SCR", mask=0x01, start="1 ms", first=2, count=1))

    bench.io.read8(SCR)
    bench.wait(MS_PS)

    assert [bench.io.read8(SCR) for _ in range(3)] == [0, 1, 0]


def test_a_probability_hits_some_and_the_same_with_the_same_seed() -> None:
    """Chance is drawn from the seed of the run, and another seed draws otherwise."""
    spec = fault("flip-on-read", "telemetry.SCR", mask=0xFF, probability="30 %")

    def run(seed: int) -> list[int]:
        bench = Bench(spec, seed=seed)
        return [bench.io.read8(SCR) for _ in range(200)]

    assert run(7) == run(7) != run(8)
    assert 30 < sum(1 for value in run(7) if value) < 90


def test_nothing_acts_before_the_start() -> None:
    """Windows count from the start, so a fault of all time waits for it."""
    bench = Bench(fault("flip-on-read", "telemetry.SCR", mask=0xFF), start=False)

    assert bench.io.read8(SCR) == 0
    bench.armed.start()
    assert bench.io.read8(SCR) == 0xFF


def test_flip_on_a_field_inverts_the_field() -> None:
    """A field as target means its bits."""
    bench = Bench(fault("flip-on-read", "telemetry.LSR.TEMT"))

    assert bench.io.read8(LSR) == 0x20


def test_flip_without_mask_inverts_one_bit_at_random() -> None:
    """A register without a mask loses one bit, each time another."""
    bench = Bench(fault("flip-on-read", "telemetry.SCR"))

    values = {bench.io.read8(SCR) for _ in range(50)}

    assert {value.bit_count() for value in values} == {1}
    assert len(values) > 3


def test_a_read_still_has_its_side_effect() -> None:
    """A flipped read is a read: it clears what a read clears."""
    bench = Bench(fault("flip-on-read", "telemetry.LSR.OE"))
    bench.uart.overrun(0x41)  # type: ignore[attr-defined]

    assert bench.io.read8(LSR) & 2 == 0
    assert bench.uart.peek("LSR.OE") == 0


def test_a_dropped_write_does_not_arrive_but_takes_its_time() -> None:
    """The register keeps what it held, and the bus was busy all the same."""
    bench = Bench(fault("dropped-write", "telemetry.SCR", first=2, count=1))

    for value in (0x11, 0x22):
        bench.io.write8(SCR, value)
    after_ps = bench.board.clock.now_ps

    assert bench.uart.peek("SCR") == 0x11
    assert after_ps == 2 * bench.board.bus.access_ps
    assert bench.armed.injections[0].detail == "SCR write of 0x22 lost"


def test_a_write_that_comes_too_soon_after_another_is_ignored() -> None:
    """A register that is busy for a while after a write takes the next only then."""
    bench = Bench(fault("write-ignored-while-busy", "telemetry.SCR", busy_for="10 us"))

    bench.io.write8(SCR, 0x11)
    bench.io.write8(SCR, 0x22)
    assert bench.io.read8(SCR) == 0x11
    bench.wait(10 * US_PS)
    bench.io.write8(SCR, 0x33)

    assert bench.io.read8(SCR) == 0x33
    assert bench.counts == (1,)


def test_a_write_while_a_field_says_busy_is_ignored() -> None:
    """Busy may be what a field of the device says."""
    spec = fault("write-ignored-while-busy", "telemetry.SCR", busy_field="LSR.TEMT", busy_value=0)
    bench = Bench(spec)
    bench.set_up()

    bench.io.write8(SCR, 0x11)
    bench.io.write8(0, 0x55)
    bench.io.write8(SCR, 0x22)

    assert bench.io.read8(SCR) == 0x11


def test_a_bus_error_reaches_the_driver_and_takes_an_access() -> None:
    """The second access fails, time passes, and the register is not touched."""
    bench = Bench(fault("bus-error", "telemetry.SCR", first=2, count=1))
    bench.io.write8(SCR, 0x11)
    before_ps = bench.board.clock.now_ps

    with pytest.raises(BusError, match="did not answer") as caught:
        bench.io.write8(SCR, 0x22)

    assert bench.board.clock.now_ps - before_ps == bench.board.bus.access_ps
    assert (caught.value.address, caught.value.direction) == (0x1007, "write")
    assert bench.io.read8(SCR) == 0x11


def test_a_bus_error_may_be_of_reads_alone_and_of_a_whole_device() -> None:
    """With ``access: read`` writes go through; without a register every one is hit."""
    bench = Bench(fault("bus-error", "telemetry", access="read"))

    bench.io.write8(LCR, 0x03)
    for offset in (LCR, LSR, SCR):
        with pytest.raises(BusError):
            bench.io.read8(offset)

    assert bench.uart.peek("LCR") == 0x03
    assert bench.counts == (3,)


def test_a_refused_read_clears_nothing() -> None:
    """What a read would have cleared is still there after a bus error."""
    bench = Bench(fault("bus-error", "telemetry.LSR", count=1))
    bench.uart.overrun(0x41)  # type: ignore[attr-defined]

    with pytest.raises(BusError):
        bench.io.read8(LSR)

    assert bench.io.read8(LSR) & 2


def test_the_port_of_another_register_is_left_alone() -> None:
    """A fault wraps the port it is about and no other."""
    plain, faulty = Bench(), Bench(fault("flip-on-read", "telemetry.SCR", mask=1))

    wrapped = {
        name
        for name, port in faulty.uart.ports.items()
        if port.read.__qualname__ != plain.uart.ports[name].read.__qualname__
        or port.write.__qualname__ != plain.uart.ports[name].write.__qualname__
    }

    assert wrapped == {"SCR"}


def test_later_faults_stand_nearer_to_the_driver() -> None:
    """Two faults on one register act one after the other, the later last."""
    bench = Bench(
        fault("flip-on-read", "telemetry.SCR", mask=0x0F),
        fault("stuck-field", "telemetry.SCR.DATA", value=0x55),
    )

    assert bench.io.read8(SCR) == 0x55
    assert bench.counts == (1, 1)
    assert bench.armed.injections[1].detail == "SCR read 0x55 instead of 0x0f"


def test_a_fault_costs_no_simulated_time() -> None:
    """A faulty run without effects takes exactly as long as a plain one."""
    never = parse_duration("1 s")
    plain = Bench()
    faulty = Bench(fault("flip-on-read", "telemetry.SCR", mask=1, start="2 s"))

    for bench in (plain, faulty):
        for _ in range(10):
            bench.io.read8(SCR)

    assert plain.board.clock.now_ps == faulty.board.clock.now_ps < never
