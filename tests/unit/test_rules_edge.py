"""A handler on an edge-sensed line: which cause it may leave.

The one idea: only what was pending before the handler began, and had nothing done about it, is
lost.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.rules.finding import Finding
from tests.quality.snippets.bench import IER, IIR, LSR, RBR, THR, Bench
from tests.quality.snippets.flow import both_ways


def found(bench: Bench, handler: Callable[[], None]) -> list[Finding]:
    """Return what is found when two causes are there at once."""
    both_ways(bench, handler)
    return bench.findings.all()


def test_the_cause_that_is_left_is_named() -> None:
    """The finding says which cause was left, and that the line is edge-sensed."""
    bench = Bench()

    def handler() -> None:
        bench.io.read8(IIR)
        bench.io.read8(RBR)

    (one,) = found(bench, handler)
    assert one.rule == "cause-left-on-edge"
    assert "with the empty transmitter pending since before" in one.message
    assert "edge-sensed" in one.message


def test_data_that_is_left_is_named_too() -> None:
    """A handler that looks after the transmitter only leaves received data."""
    bench = Bench()

    def handler() -> None:
        bench.io.read8(IIR)
        bench.io.write8(THR, 0x21)
        bench.io.write8(IER, 0x01)

    assert "received data pending" in found(bench, handler)[0].message


def test_serving_all_that_lsr_shows_is_let_pass() -> None:
    """Who looks once at IIR and then serves receiver and transmitter leaves nothing."""
    bench = Bench()

    def handler() -> None:
        if not bench.io.read8(IIR) & 0x01:
            bench.receive()
            if bench.io.read8(LSR) & 0x20:
                bench.io.write8(IER, 0x01)

    assert found(bench, handler) == []


def test_making_an_edge_is_let_pass() -> None:
    """Turning IER off and on raises the line anew, which is remembered."""
    bench = Bench()

    def handler() -> None:
        cause = bench.io.read8(IIR) & 0x0F
        if cause == 0x04:
            bench.io.read8(RBR)
            bench.io.write8(IER, 0x00)
            bench.io.write8(IER, 0x03)

    assert found(bench, handler) == []


def test_one_cause_for_each_interrupt_will_do_on_a_level_line() -> None:
    """A level line calls the handler again for the next cause."""
    bench = Bench()

    def handler() -> None:
        cause = bench.io.read8(IIR) & 0x0F
        if cause == 0x04:
            bench.io.read8(RBR)
        elif cause == 0x02:
            bench.io.write8(IER, 0x01)

    both_ways(bench, handler, edge=False)

    assert bench.findings.all() == []


def test_after_a_fault_nothing_is_told() -> None:
    """A fault may have changed what the handler was shown."""
    bench = Bench()
    bench.calm = False

    def handler() -> None:
        bench.io.read8(IIR)
        bench.io.read8(RBR)

    assert found(bench, handler) == []


def test_causes_are_told_together() -> None:
    """The controller tells every source that asks, where IIR tells the highest."""
    bench = Bench()
    bench.open(fcr=0x07)
    bench.arrive(b"!")
    for mask in (0x00, 0x01, 0x02, 0x03):
        bench.io.write8(IER, mask)
        assert bench.uart.pending_causes() == mask
