"""Faults of single characters: lost or flagged, at the n-th that arrives."""

from __future__ import annotations

import pytest

from emu.devices.uart16550 import Uart16550
from emu.faults.spell import fault
from tests.unit.faults_bench import MS_PS, Bench

OE, PE, FE, BI = 0x02, 0x04, 0x08, 0x10


def received(bench: Bench, data: bytes = b"tide") -> list[tuple[int, int]]:
    """Let the far end say something and return status bits and characters."""
    bench.set_up()
    bench.far.say(data)
    bench.wait(2 * MS_PS)
    return bench.receive()


@pytest.mark.parametrize(
    ("kind", "flags", "data"),
    [("framing-error", FE, ord("d")), ("parity-error", PE, ord("d")), ("break", BI | FE, 0)],
)
def test_the_third_character_is_flagged_and_no_other(kind: str, flags: int, data: int) -> None:
    """FIFO position k is the k-th character, and its neighbours are sound."""
    bench = Bench(fault(kind, "telemetry", first=3, count=1), parity="even")

    assert received(bench) == [(0, ord("t")), (0, ord("i")), (flags, data), (0, ord("e"))]
    assert bench.counts == (1,)
    assert bench.armed.waivers() == {}


def test_a_break_is_a_parity_error_too_where_a_zero_has_a_parity_bit() -> None:
    """With odd parity a line held at space shows a wrong parity bit."""
    bench = Bench(fault("break", "telemetry", count=1), parity="odd")

    assert received(bench, b"A") == [(BI | FE | PE, 0)]


def test_no_parity_error_without_parity() -> None:
    """A frame without a parity bit cannot have one, and nothing is injected."""
    bench = Bench(fault("parity-error", "telemetry"))

    assert received(bench, b"A") == [(0, ord("A"))]
    assert bench.counts == (0,)


def test_a_forced_overrun_loses_one_character_and_raises_the_flag() -> None:
    """The second character is gone, OE says so, and the others are there."""
    bench = Bench(fault("overrun", "telemetry", first=2, count=1))

    assert received(bench) == [(OE, ord("t")), (0, ord("d")), (0, ord("e"))]


def test_a_forced_overrun_without_fifos_loses_the_character_that_waits() -> None:
    """On a 16450 the new character takes the place of the unread one, as overruns do there."""
    bench = Bench(fault("overrun", "telemetry", first=2, count=1))
    bench.set_up()
    bench.io.write8(2, 0)

    bench.far.say(b"ti")
    bench.wait(MS_PS)

    assert bench.receive() == [(OE, ord("i"))]


def test_the_device_tells_its_monitor_of_what_was_made_up() -> None:
    """Whoever keeps the books of the device hears of forced errors as of true ones."""
    heard: list[tuple[str, int, int]] = []

    class Monitor:
        def arrived(self, data: int, flags: int) -> None:
            heard.append(("arrived", data, flags))

        def overran(self, data: int) -> None:
            heard.append(("overran", data, 0))

        def __getattr__(self, name: str) -> object:
            return lambda *_: None

    bench = Bench(
        fault("overrun", "telemetry", first=1, count=1),
        fault("framing-error", "telemetry", first=2, count=1),
    )
    assert isinstance(bench.uart, Uart16550)
    bench.uart.monitor = Monitor()  # type: ignore[assignment]
    received(bench, b"ti")

    assert heard == [("overran", ord("t"), 0), ("arrived", ord("i"), FE)]


def test_a_window_of_time_bounds_the_characters() -> None:
    """Characters outside the window are sound."""
    bench = Bench(fault("framing-error", "telemetry", start="10 ms"))

    assert received(bench, b"A") == [(0, ord("A"))]
    bench.wait(10 * MS_PS)
    bench.far.say(b"B")
    bench.wait(MS_PS)
    assert bench.receive() == [(FE, ord("B"))]


def test_chance_flags_some_characters() -> None:
    """A probability hits some of many, as often as the exact count says."""
    bench = Bench(fault("framing-error", "telemetry", probability="1/2"), seed=5)

    flagged = [flags for flags, _ in received(bench, bytes(range(16)))]

    assert 0 < flagged.count(FE) == bench.counts[0] < 16
