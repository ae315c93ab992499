"""Faults of a whole device: gone, reset, stopped, or random at the start."""

from __future__ import annotations

from emu.faults.spell import fault
from tests.unit.faults_bench import IER, LCR, LSR, MS_PS, SCR, US_PS, Bench


def test_a_device_that_is_gone_reads_as_ones_and_takes_nothing() -> None:
    """Reads give ones and have no side effect, writes vanish, and then it is back."""
    bench = Bench(fault("all-ones", "telemetry", until="100 us"))
    bench.uart.overrun(0x41)  # type: ignore[attr-defined]

    assert [bench.io.read8(offset) for offset in range(8)] == [0xFF] * 8
    bench.io.write8(SCR, 0x55)
    bench.wait(100 * US_PS)

    assert bench.io.read8(SCR) == 0
    assert bench.io.read8(LSR) & 2


def test_ones_are_as_wide_as_the_access() -> None:
    """A 32-bit read of a byte register that is gone gives 32 ones, and 8 bits once it is back."""
    bench = Bench(fault("all-ones", "telemetry", count=1), stride=4)

    assert bench.io.read32(4 * LSR) == 0xFFFF_FFFF
    assert bench.io.read32(4 * LSR) == 0x60


def test_two_outages_of_one_device_do_not_disturb_each_other() -> None:
    """Each of two faults gives ones of full width in its own turn."""
    bench = Bench(
        fault("all-ones", "telemetry", first=1, count=1),
        fault("all-ones", "telemetry", first=1, count=1),
        stride=4,
    )

    reads = [bench.io.read32(4 * LSR) for _ in range(3)]

    assert reads == [0xFFFF_FFFF, 0xFFFF_FFFF, 0x60]


def test_both_banks_are_gone() -> None:
    """The divisor latch behind the bank bit gives ones too."""
    bench = Bench(fault("all-ones", "telemetry", start="10 us"))
    bench.io.write8(LCR, 0x83)
    bench.wait(10 * US_PS)

    assert bench.io.read8(0) == 0xFF
    assert bench.io.read8(1) == 0xFF


def test_a_gone_device_excuses_only_what_no_driver_could_know() -> None:
    """A character read right after an honest status is excused, one after ones is not."""
    going = Bench(fault("all-ones", "telemetry", first=2))
    gone = Bench(fault("all-ones", "telemetry"))
    for bench in (going, gone):
        bench.io.read8(LSR)
        bench.io.read8(0)

    assert "order" in going.armed.waivers()
    assert "order" not in gone.armed.waivers()


def test_ones_in_a_data_register_tell_nothing() -> None:
    """After an honest status, a character of ones may be one, and what is written next is lost."""
    bench = Bench(fault("all-ones", "telemetry", first=2))
    bench.io.read8(LSR)
    bench.io.read8(0)
    bench.io.write8(0, 0x55)

    reason = "the device went between announcing room and taking the character"
    assert f"all-ones on telemetry: {reason}" in bench.armed.waivers()["sent"]


def test_a_reset_in_flight_clears_the_settings_at_its_time() -> None:
    """At 1 ms, and not before, the device is as after power-on."""
    bench = Bench(fault("reset-in-flight", "telemetry", start="1 ms"))
    bench.set_up(interrupts=1)

    bench.wait(MS_PS // 2)
    assert bench.uart.peek("LCR") == 0x03
    bench.wait(MS_PS)

    assert bench.uart.peek("LCR") == 0
    assert bench.uart.peek("IER") == 0
    assert [one.time_ps for one in bench.armed.injections] == [MS_PS]
    assert not bench.armed.pending


def test_resets_repeat_for_their_count() -> None:
    """With a period and a count there are so many, evenly spaced."""
    bench = Bench(fault("reset-in-flight", "telemetry", start="1 ms", every="2 ms", count=3))

    bench.wait(20 * MS_PS)

    assert [one.time_ps // MS_PS for one in bench.armed.injections] == [1, 3, 5]


def test_repeats_end_with_the_window() -> None:
    """No moment comes at or after the end of the window."""
    bench = Bench(fault("reset-in-flight", "telemetry", every="1 ms", until="3 ms"))

    bench.wait(20 * MS_PS)

    assert [one.time_ps // MS_PS for one in bench.armed.injections] == [0, 1, 2]


def test_a_stopped_device_neither_sends_nor_receives_nor_interrupts() -> None:
    """While it stands still registers answer and nothing else happens; then it goes on."""
    bench = Bench(fault("device-stops", "telemetry", start="1 ms", until="5 ms"))
    bench.set_up(interrupts=1)
    bench.wait(MS_PS)

    bench.io.write8(0, 0x41)
    bench.far.say(b"tide")
    bench.wait(3 * MS_PS)
    assert bench.io.read8(LSR) & 0x61 == 0
    assert bench.far.received == b""
    assert not bench.uart.irq.level

    bench.wait(3 * MS_PS)
    assert bench.far.received == b"A"
    assert bench.io.read8(LSR) & 0x61 == 0x60


def test_a_device_receives_again_once_it_goes_on() -> None:
    """What comes after the stop arrives whole, and what came during it does not."""
    bench = Bench(fault("device-stops", "telemetry", until="2 ms"))
    bench.set_up()

    bench.far.say(b"ebb")
    bench.wait(3 * MS_PS)
    bench.far.say(b"flow")
    bench.wait(3 * MS_PS)

    assert bytes(data for _, data in bench.receive()) == b"flow"


def test_an_interrupt_that_is_pending_falls_while_the_device_stands_still() -> None:
    """The line is quiet during the stop and asserted again after it."""
    bench = Bench(fault("device-stops", "telemetry", start="2 ms", until="3 ms"))
    bench.set_up(interrupts=1)
    bench.far.say(b"A")

    levels = []
    for _ in range(4):
        bench.wait(MS_PS)
        levels.append(bench.uart.irq.level)

    assert levels == [1, 0, 1, 1]


def test_random_state_comes_before_the_driver_and_from_the_seed() -> None:
    """The same seed leaves the same state, another seed another one, and it is over then."""

    def state(seed: int) -> list[int]:
        bench = Bench(fault("random-state", "telemetry"), seed=seed, start=False)
        bench.armed.before_open()
        bench.armed.start()
        assert bench.counts == (1,)
        assert not bench.armed.pending
        return [bench.uart.peek(name) for name in ("IER", "LCR", "MCR", "SCR", "DLL", "DLM")]

    assert state(3) == state(3) != state(4)


def test_random_state_waives_nothing() -> None:
    """Coping with it is what the promise about any start is for."""
    bench = Bench(fault("random-state", "telemetry"), start=False)
    bench.armed.before_open()

    assert bench.counts == (1,)
    assert bench.armed.waivers() == {}


def test_other_faults_do_not_see_the_random_state_being_made() -> None:
    """Faults on writes do not act before the start."""
    bench = Bench(fault("bus-error", "telemetry"), fault("random-state", "telemetry"), start=False)

    bench.armed.before_open()

    assert bench.counts == (0, 1)


def test_a_device_without_behaviour_of_its_own_can_stop() -> None:
    """Standing still means nothing to memory."""
    bench = Bench(fault("device-stops", "log"))

    bench.wait(MS_PS)

    assert bench.board.devices["log"].halted
    assert bench.io.read8(IER) == 0


def test_characters_from_before_the_stop_still_bring_their_time_out() -> None:
    """A burst that the stop cuts short is announced once the device goes on."""
    bench = Bench(fault("device-stops", "telemetry", start="280 us", until="5 ms"))
    bench.set_up(interrupts=1)
    bench.io.write8(2, 0x87)

    bench.far.say(b"abcdef")
    bench.wait(20 * MS_PS)

    assert bench.io.read8(2) == 0xCC
    assert bytes(data for _, data in bench.receive()) == b"abc"
