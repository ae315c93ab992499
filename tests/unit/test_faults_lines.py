"""Noise on a wire and a far end that drifts: waveforms change, and everything follows from that."""

from __future__ import annotations

from fractions import Fraction

from emu.faults.spell import fault
from tests.unit.faults_bench import MS_PS, Bench


def test_noise_garbles_what_arrives() -> None:
    """Glitches as wide as a bit make other characters, or more of them, than were sent."""
    bench = Bench(fault("noise", "telemetry.sin", per_second=2000, width="8 us"))
    bench.set_up()

    bench.far.say(bytes(16))
    bench.wait(2 * MS_PS)

    assert [data for _, data in bench.receive()] != [0] * 16
    assert bench.counts[0] > 0


def test_noise_stays_in_its_window_and_near_its_rate() -> None:
    """All glitches lie in the window, and there are about as many as asked for."""
    bench = Bench(
        fault("noise", "telemetry.sin", per_second=1000, width="1 us", start="10 ms",
              until="110 ms")
    )  # fmt: skip

    bench.wait(300 * MS_PS)

    times = [one.time_ps for one in bench.armed.injections]
    assert 70 < len(times) < 130
    assert times[0] > 10 * MS_PS
    assert times[-1] < 110 * MS_PS
    assert not bench.armed.pending


def test_noise_comes_at_the_same_times_with_the_same_seed() -> None:
    """The times are random, but from the seed."""

    def times(seed: int) -> list[int]:
        bench = Bench(fault("noise", "telemetry.sin", per_second=1000, count=20), seed=seed)
        bench.wait(300 * MS_PS)
        return [one.time_ps for one in bench.armed.injections]

    assert len(times(1)) == 20
    assert times(1) == times(1) != times(2)


def test_noise_on_the_output_spoils_the_far_end_as_a_witness() -> None:
    """What the far end hears is no longer what was sent, and the bench knows it."""
    bench = Bench(fault("noise", "telemetry.sout", per_second=5000, width="8 us"))
    bench.set_up()
    assert not bench.armed.far_end_spoiled("telemetry")

    for _ in range(8):
        bench.io.write8(0, 0x55)
    bench.wait(2 * MS_PS)

    assert bytes(bench.far.received) != b"\x55" * 8
    assert bench.armed.far_end_spoiled("telemetry")
    assert not bench.armed.far_end_spoiled("log")


def test_a_drift_goes_in_steps_and_back_at_the_end() -> None:
    """Half way through it is half way off, then all the way, and the end of the window ends it."""
    bench = Bench(fault("baud-drift", "telemetry.sin", to="+2 %", over="16 ms", until="40 ms"))

    errors = []
    for _ in range(5):
        bench.wait(8 * MS_PS + MS_PS // 2)
        errors.append(bench.far.baud_error)

    one = Fraction(1, 100)
    assert errors == [one, 2 * one, 2 * one, 2 * one, 0]
    assert bench.counts == (16,)


def test_a_drift_counts_from_the_error_the_far_end_has() -> None:
    """A clock that is off already drifts on from there."""
    bench = Bench(fault("baud-drift", "telemetry.sin", to="+2 %"))
    bench.far.configure(Fraction(1, 100))

    bench.wait(MS_PS)

    assert bench.far.baud_error == Fraction(3, 100)


def test_a_far_drift_corrupts_what_arrives_and_a_small_one_does_not() -> None:
    """The receiver's own sampling decides: 2 % is within its reach, 10 % is not."""

    def received(to: str) -> list[tuple[int, int]]:
        bench = Bench(fault("baud-drift", "telemetry.sin", to=to))
        bench.set_up()
        bench.wait(MS_PS)
        bench.far.say(b"tide")
        bench.wait(MS_PS)
        return bench.receive()

    assert received("+2 %") == [(0, data) for data in b"tide"]
    assert received("-10 %") != [(0, data) for data in b"tide"]


def test_a_drift_that_the_window_cuts_short_stops_there() -> None:
    """No step comes after the end."""
    bench = Bench(fault("baud-drift", "telemetry.sin", to="+2 %", over="20 ms", until="10 ms"))

    bench.wait(30 * MS_PS)

    assert bench.far.baud_error == 0
    assert bench.counts == (7,)
    assert not bench.armed.pending


def test_a_glitch_excuses_an_output_at_space_while_it_lasts() -> None:
    """Noise on the output may hold it at space just when a closed port is looked at."""
    bench = Bench(
        fault("noise", "telemetry.sout", per_second=5000, until="2 ms"),
        fault("noise", "telemetry.sin", per_second=5000, until="2 ms"),
    )
    bench.wait(3 * MS_PS)

    assert min(bench.counts) > 0
    reason = "a glitch held the line at space just then"
    assert bench.armed.waivers() == {"quiet": [f"noise on telemetry.sout: {reason}"]}
    assert bench.armed.waivers(2 * MS_PS) == {}
