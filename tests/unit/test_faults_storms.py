"""Which fault makes an interrupt storm: one that hid the pending cause, and no other."""

from __future__ import annotations

import pytest

from emu.faults.plan import FaultSpec
from emu.faults.spell import fault
from tests.unit.faults_bench import IER, IIR, LCR, LSR, MS_PS, RBR, US_PS, Bench

MSR = 6
LINE_HELD = "stuck-interrupt on telemetry.irq raises it"


def cause_of(bench: Bench, reads: tuple[int, ...], entries: int = 20) -> str:
    """Return what is told of so many entries of a handler that makes these reads."""
    since_ps = bench.board.clock.now_ps
    for _ in range(entries):
        for offset in reads:
            bench.io.read8(offset)
    line = bench.board.cpu.interrupts.line(5)
    return bench.board.cpu.storms.cause(line, since_ps, entries)


def pending(cause: int, *faults: FaultSpec) -> Bench:
    """Return a bench on which `cause`, as IIR names it, is pending."""
    bench = Bench(*faults, parity="even")
    bench.set_up(interrupts=0)
    if cause == 0x6:
        bench.far.speak(type(bench.far.line)(115200, parity="odd"))
    if cause in (0x4, 0x6):
        bench.far.say(b"A")
        bench.wait(MS_PS)
    if cause == 0x0:
        bench.uart.signals["cts"].set(0)
    bench.io.write8(IER, {0x0: 8, 0x2: 2, 0x4: 1, 0x6: 4}[cause])
    assert (bench.uart.peek("IIR") & 0x0F, bench.uart.irq.level) == (cause, 1)
    return bench


@pytest.mark.parametrize(
    ("cause", "path", "value", "reads"),
    [
        (0x4, "LSR.DR", 0, (LSR,)),
        (0x4, "IIR.ID", 1, (IIR, LSR)),
        (0x4, "IIR.NONE", 1, (IIR,)),
        (0x2, "LSR.THRE", 0, (LSR,)),
        (0x2, "LSR.TEMT", 0, (LSR,)),
        (0x6, "IIR.ID", 0, (IIR,)),
        (0x0, "IIR.NONE", 1, (IIR,)),
    ],
)
def test_a_lie_about_the_pending_cause_makes_the_storm(
    cause: int, path: str, value: int, reads: tuple[int, ...]
) -> None:
    """A handler that was told wrong each time about what is pending is not to blame."""
    bench = pending(cause, fault("stuck-field", f"telemetry.{path}", value=value))
    assert cause_of(bench, reads) == (
        f"stuck-field on telemetry.{path} hides what telemetry asks for"
    )


@pytest.mark.parametrize(
    ("cause", "path", "value", "reads"),
    [
        (0x4, "LSR.THRE", 0, (LSR,)),  # data waits, and that is what LSR says
        (0x4, "LSR.OE", 1, (LSR,)),
        (0x4, "MSR.CTS", 0, (MSR, LSR)),
        (0x2, "LSR.DR", 1, (LSR,)),
        (0x2, "MSR.CTS", 0, (MSR,)),
        (0x0, "LSR.DR", 1, (LSR,)),
    ],
)
def test_a_lie_about_something_else_makes_no_storm(
    cause: int, path: str, value: int, reads: tuple[int, ...]
) -> None:
    """A handler that saw the truth about what is pending had what it needs."""
    bench = pending(cause, fault("stuck-field", f"telemetry.{path}", value=value))
    if path == "MSR.CTS":
        bench.uart.signals["cts"].set(1)
    assert cause_of(bench, reads) == ""
    assert bench.counts[0] > 0


def test_a_lie_now_and_then_makes_no_storm() -> None:
    """Told the truth in most entries, the handler could have served its device."""
    bench = pending(0x4, fault("stuck-field", "telemetry.LSR.DR", value=0, probability="20 %"))
    assert cause_of(bench, (LSR,), entries=200) == ""
    assert bench.counts[0] > 20


def test_a_lie_of_the_past_makes_no_storm() -> None:
    """What was hidden before the row began has no part in it."""
    bench = pending(0x4, fault("stuck-field", "telemetry.LSR.DR", value=0, count=20))
    assert cause_of(bench, (LSR,)) != ""
    assert cause_of(bench, (LSR,)) == ""


def test_long_rows_are_judged_by_what_is_remembered() -> None:
    """Only the last thousand lies are kept, and they speak for the entries of their own time."""
    bench = pending(0x4, fault("stuck-field", "telemetry.LSR.DR", value=0))
    assert cause_of(bench, (LSR,), entries=5000) != ""
    rare = pending(0x4, fault("stuck-field", "telemetry.LSR.DR", value=0, probability="1/3"))
    assert cause_of(rare, (LSR,), entries=5000) == ""


def test_a_device_that_does_not_answer_makes_the_storm() -> None:
    """What a device asks for cannot be served while it is not there."""
    bench = pending(0x4, fault("all-ones", "telemetry", start="2 ms"))
    bench.wait(3 * MS_PS)
    assert cause_of(bench, (LSR,)) == "all-ones on telemetry hides what telemetry asks for"


def test_data_that_is_garbled_makes_no_storm() -> None:
    """Wrong data is still fetched, so what goes on asking has another reason."""
    bench = pending(0x4, fault("flip-on-read", "telemetry.RBR"))
    bench.far.say(bytes(40))
    bench.wait(5 * MS_PS)
    assert cause_of(bench, (RBR,), entries=10) == ""
    assert bench.counts == (10,)


def test_a_setting_that_was_not_taken_makes_the_storm() -> None:
    """A driver that has switched an interrupt off is not asked to serve it."""
    bench = pending(0x2, fault("dropped-write", "telemetry.IER", start="2 ms"))
    bench.wait(3 * MS_PS)
    bench.io.write8(IER, 0)
    assert "dropped-write on telemetry.IER has left telemetry set up" in cause_of(bench, (LSR,))


def test_faults_of_another_device_have_no_part() -> None:
    """A line that no device of a fault holds up is nothing to it."""
    bench = Bench(fault("stuck-field", "telemetry.LSR.THRE", value=0))
    bench.set_up()
    assert bench.uart.irq.level == 0
    assert cause_of(bench, (LSR,)) == ""
    assert bench.counts[0] > 0
    assert bench.io.read8(LCR) == 3


def test_a_line_that_is_held_up() -> None:
    """A fault that alone holds the line up is the cause, up to the row in which it lets go."""
    bench = Bench(fault("stuck-interrupt", "telemetry.irq", start="1 ms", until="2 ms"))
    bench.set_up()
    assert cause_of(bench, (LSR,)) == ""
    bench.wait(MS_PS)
    assert cause_of(bench, (LSR,)) == LINE_HELD
    since_ps = bench.board.clock.now_ps
    bench.wait(MS_PS)
    cause = bench.board.cpu.storms.cause
    line = bench.board.cpu.interrupts.line(5)
    assert cause(line, since_ps, 1000) == LINE_HELD
    assert cause(line, bench.board.clock.now_ps, 1000) == ""


def test_a_line_that_the_device_holds_up_all_the_while() -> None:
    """Where the device itself asks without a break, a stuck line changes nothing."""
    bench = pending(0x4, fault("stuck-interrupt", "telemetry.irq", start="2 ms"))
    bench.wait(3 * MS_PS)
    assert cause_of(bench, (LSR,)) == ""
    since_ps = bench.board.clock.now_ps
    bench.io.read8(RBR)
    bench.uart.irq.set(1)
    line = bench.board.cpu.interrupts.line(5)
    assert bench.board.cpu.storms.cause(line, since_ps, 1000) == LINE_HELD


def test_interrupts_without_end_that_a_fault_raises() -> None:
    """A fault that raises the line again at once, each time, is the cause."""
    bench = Bench(fault("spurious-interrupt", "telemetry.irq", every="200 ns"))
    bench.set_up()
    assert cause_of(bench, (LSR,)) == "spurious-interrupt on telemetry.irq raises it"
    slow = Bench(fault("spurious-interrupt", "telemetry.irq", every="5 us"))
    slow.set_up()
    slow.wait(9 * US_PS)
    assert cause_of(slow, (LSR,)) == ""
