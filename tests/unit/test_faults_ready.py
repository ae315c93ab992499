"""A flag that software waits for comes late, or never."""

from __future__ import annotations

from emu.faults.spell import fault
from emu.units import parse_duration
from tests.unit.faults_bench import LCR, LSR, MS_PS, Bench


def test_never_ready_reads_as_0() -> None:
    """The field is 0 whatever the device says, its neighbours are not touched."""
    bench = Bench(fault("never-ready", "telemetry.LSR.THRE"))

    assert {bench.io.read8(LSR) for _ in range(5)} == {0x40}


def test_late_by_reads_shows_the_field_after_so_many() -> None:
    """Three reads show 0, the fourth and later ones the truth."""
    bench = Bench(fault("late-ready", "telemetry.LSR.THRE", reads=3))

    assert [bench.io.read8(LSR) & 0x20 for _ in range(6)] == [0, 0, 0, 0x20, 0x20, 0x20]
    assert bench.counts == (3,)


def test_late_by_time_shows_the_field_after_that_time() -> None:
    """The time runs from the first read that shows 0."""
    bench = Bench(fault("late-ready", "telemetry.LSR.THRE", delay="2 ms"))

    bench.wait(5 * MS_PS)
    assert bench.io.read8(LSR) & 0x20 == 0
    bench.wait(2 * MS_PS)
    assert bench.io.read8(LSR) & 0x20


def test_each_new_rise_is_late_again() -> None:
    """A write that clears THRE makes its next rise a new occasion."""
    bench = Bench(fault("late-ready", "telemetry.LSR.THRE", reads=1))
    bench.set_up()

    seen = []
    for _ in range(2):
        seen += [bench.io.read8(LSR) & 0x20 for _ in range(2)]
        bench.io.write8(0, 0x41)
        bench.wait(MS_PS)

    assert seen == [0, 0x20, 0, 0x20]


def test_the_first_rise_alone_may_be_late() -> None:
    """An occasion is a rise that is seen, so count=1 makes one rise late."""
    bench = Bench(fault("late-ready", "telemetry.LSR.THRE", reads=1, count=1))
    bench.set_up()

    seen = [bench.io.read8(LSR) & 0x20 for _ in range(2)]
    bench.io.write8(0, 0x41)
    bench.wait(MS_PS)
    seen.append(bench.io.read8(LSR) & 0x20)

    assert seen == [0, 0x20, 0x20]


def test_a_flag_that_reading_clears_is_shown_late_and_not_lost() -> None:
    """OE hidden by a read that clears it in the device is shown by a later read, once."""
    bench = Bench(fault("late-ready", "telemetry.LSR.OE", reads=1))
    bench.uart.overrun(0x41)  # type: ignore[attr-defined]

    assert [bench.io.read8(LSR) & 2 for _ in range(4)] == [0, 2, 0, 0]


def test_the_end_of_the_window_shows_the_field_at_once() -> None:
    """A fault that is over hides nothing any more."""
    bench = Bench(fault("late-ready", "telemetry.LSR.THRE", reads=1000, until="1 ms"))

    assert bench.io.read8(LSR) & 0x20 == 0
    bench.wait(parse_duration("1 ms"))
    assert bench.io.read8(LSR) & 0x20


def test_a_short_wait_waives_nothing_and_an_endless_one_does() -> None:
    """A driver sits a short wait out; a flag that never comes makes sending impossible."""
    short = Bench(fault("late-ready", "telemetry.LSR.THRE", reads=2))
    long = Bench(fault("late-ready", "telemetry.LSR.THRE", reads=10_000))
    for bench in (short, long):
        for _ in range(100):
            bench.io.read8(LSR)

    assert short.armed.waivers() == {}
    assert sorted(long.armed.waivers()) == ["drain", "sent"]


def test_a_setting_that_comes_late_counts_as_not_taken() -> None:
    """Nobody waits for a setting to read back: once hidden, it is misread."""
    bench = Bench(fault("late-ready", "telemetry.LCR.DLAB", reads=1))
    bench.io.write8(LCR, 0x83)

    assert bench.io.read8(LCR) == 0x03
    assert "start" in bench.armed.waivers()
    assert bench.armed.estranged("telemetry")


def test_a_value_that_is_shown_with_owed_bits_is_misread() -> None:
    """Bits of a character that was hidden come up in the next one, and the bench knows it."""
    bench = Bench(fault("late-ready", "telemetry.RBR.DATA", reads=1, count=1))
    bench.set_up()
    bench.far.say(b"\x01\x02")
    bench.wait(MS_PS)

    assert [data for _, data in bench.receive()] == [0, 3]
    assert [one.detail for one in bench.armed.injections] == [
        "RBR read 0x00 instead of 0x01", "RBR read 0x03 instead of 0x02",
    ]  # fmt: skip


def test_one_long_wait_is_as_stubborn_as_many() -> None:
    """A single flag that is hidden for longer than anybody waits excuses the call that waited."""
    bench = Bench(fault("late-ready", "telemetry.LSR.TEMT", delay="4 ms", count=1))
    for _ in range(2):
        bench.io.read8(LSR)
        bench.wait(3 * MS_PS)

    assert "drain" in bench.armed.waivers()
