"""What a correct driver of a 16550 may do although it looks like a bug.

The one idea: each test is an argument against an accusation, in driver code, mostly with a fault
that deceives the driver.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from emu.kernel.bus import BusError
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import driver_place
from emu.rules.attach import attach_rules
from emu.rules.finding import Findings
from tests.quality.snippets.bench import FCR, IER, IIR, LCR, LINE, LSR, MCR, MSR, RBR, THR, Bench


@pytest.fixture
def bench() -> Bench:
    """Return a bench with a 16-byte FIFO."""
    return Bench()


def armed(fault: Callable[[Bench], None], fifo: int = 16) -> Bench:
    """Return a bench on which a fault was put in place before the rules."""
    return Bench(fifo, before_rules=fault)


def reading(register: str, change: Callable[[int], int]) -> Callable[[Bench], None]:
    """Return a fault that changes what a register reads as."""

    def wrap(read: ReadPort) -> ReadPort:
        return lambda: change(read())

    return lambda bench: bench.uart.ports[register].wrap_read(wrap)


def dropping(register: str, data: int) -> Callable[[Bench], None]:
    """Return a fault that loses writes of one value."""

    def wrap(write: WritePort) -> WritePort:
        return lambda value: None if value == data else write(value)

    return lambda bench: bench.uart.ports[register].wrap_write(wrap)


def failing(register: str) -> Callable[[Bench], None]:
    """Return a fault that ends every read of a register in a bus error."""

    def wrap(_read: ReadPort) -> ReadPort:
        def fail() -> int:
            raise BusError("the device did not answer")

        return fail

    return lambda bench: bench.uart.ports[register].wrap_read(wrap)


def rules(bench: Bench) -> list[str]:
    """Return the rules found broken."""
    return [one.rule for one in bench.finish()]


def test_stale_registers_may_be_read_blindly(bench: Bench) -> None:
    """Reading LSR, RBR, IIR and MSR to clear them is good practice at start and at the end."""

    def clear() -> None:
        for register in (LSR, RBR, IIR, MSR):
            bench.io.read8(register)

    bench.call("open", clear)
    bench.call("close", clear)

    assert rules(bench) == []


def test_a_recovery_may_read_blindly(bench: Bench) -> None:
    """Whoever sets the device up again in the same call may clear the receiver as ``open`` does."""
    bench.open()

    def recover() -> None:
        bench.io.read8(RBR)
        bench.io.write8(LCR, 0x03)

    bench.call("read", recover)

    assert rules(bench) == []


def test_ready_as_shown_is_reason_enough() -> None:
    """A status that lies about a character excuses the read of it."""
    bench = armed(reading("LSR", lambda value: value | 0x01))
    bench.open()

    def read() -> None:
        if bench.io.read8(LSR) & 0x01:
            bench.io.read8(RBR)

    bench.call("read", read)

    assert rules(bench) == []


def test_room_as_shown_is_reason_enough() -> None:
    """A status that lies about room excuses filling the FIFO again."""
    bench = armed(reading("LSR", lambda value: value | 0x20))
    bench.open()

    def write() -> None:
        for _ in range(3):
            if bench.io.read8(LSR) & 0x20:
                for byte in range(16):
                    bench.io.write8(THR, byte)

    bench.call("write", write)

    assert rules(bench) == []


def test_a_fifo_may_be_assumed_until_the_device_denies_it() -> None:
    """A part without FIFO is overfilled unknowingly, unless IIR has said that there is none."""
    found = []
    for ask in (False, True):
        bench = Bench(fifo=0)
        bench.open()

        def write(bench: Bench = bench, *, ask: bool = ask) -> None:
            if ask:
                bench.io.read8(IIR)
            if bench.io.read8(LSR) & 0x20:
                for byte in b"neap":
                    bench.io.write8(THR, byte)

        bench.call("write", write)
        found.append(rules(bench))

    assert found == [[], ["write-when-full"]]


def test_waiting_long_enough_is_as_good_as_looking(bench: Bench) -> None:
    """A transmitter that stands still is given up after the time its contents take."""
    bench.open()

    def write() -> None:
        for byte in b"ebb":
            bench.io.write8(THR, byte)

    bench.call("write", write)
    bench.uart.halt(True)
    bench.wait(4)
    bench.call("open", lambda: bench.io.write8(LCR, 0x1A))

    assert rules(bench) == []


def test_a_lost_write_is_not_the_drivers() -> None:
    """Only what the driver tried to write counts against it, so lost clean-up is no finding."""

    def fault(bench: Bench) -> None:
        dropping("IER", 0)(bench)
        dropping("LCR", 0x03)(bench)

    bench = armed(fault)
    bench.open(bench.receive, ier=1)
    bench.close()

    assert rules(bench) == []


@pytest.mark.parametrize("fault", [failing("LSR"), reading("LSR", lambda _: 0xFF)])
def test_giving_up_on_a_device_that_is_gone_is_allowed(fault: Callable[[Bench], None]) -> None:
    """After a bus error or all ones, what is left behind is not held against the driver."""
    bench = armed(fault)

    def open_port() -> None:
        bench.io.write8(MCR, 0x10)
        bench.io.write8(LCR, 0xC3)
        try:
            if bench.io.read8(LSR) == 0xFF:
                return
        except BusError:
            return
        bench.io.write8(LCR, 0x03)

    bench.open_with(open_port)

    assert rules(bench) == []


def test_an_interrupt_that_contradicts_the_status_is_not_held_against_the_handler() -> None:
    """A handler that is told of data and shown none may leave it."""
    bench = armed(reading("LSR", lambda value: value & 0xFE))

    def handler() -> None:
        if not bench.io.read8(IIR) & 0x01:
            bench.io.read8(LSR)

    bench.open(handler, ier=1)
    bench.arrive(b"neap tide")

    assert rules(bench) == []
    assert bench.ended == "interrupt-storm"


def test_a_lost_disable_is_not_held_against_the_handler() -> None:
    """A handler that has turned its interrupt off need not do so for ever."""
    bench = armed(dropping("IER", 1))
    enabled = 0x03

    def handler() -> None:
        nonlocal enabled
        bench.io.read8(LSR)
        if enabled != 0x01:
            enabled = 0x01
            bench.io.write8(IER, enabled)

    bench.open(handler, ier=3)

    assert rules(bench) == []
    assert bench.ended == "interrupt-storm"


def test_clearing_the_receiver_is_allowed_where_the_loss_is_counted(bench: Bench) -> None:
    """Throwing characters away knowingly, with a count, is a decision."""
    bench.open()
    bench.arrive(b"flood")

    def read() -> None:
        bench.io.write8(FCR, 0x83)
        bench.errors.overrun += 1

    bench.call("read", read)

    assert rules(bench) == []


def test_time_frozen_from_outside_is_not_the_drivers(bench: Bench) -> None:
    """A masked block during which the whole processor stood still was not too long by itself."""
    bench.open(bench.receive, ier=1)
    bench.far.say(b"x" * 40)

    def read() -> None:
        clock = bench.board.clock
        with bench.cpu.interrupts_masked():
            until_ps = clock.now_ps + 40 * LINE.character_ps
            clock.schedule(clock.now_ps, lambda: clock.hold(until_ps))
            bench.cpu.work(10)

    bench.call("read", read)
    bench.close()

    assert bench.errors.overrun == 1
    assert rules(bench) == []


def test_polling_by_interrupt_cause_needs_no_handler(bench: Bench) -> None:
    """Causes may be enabled to be seen in IIR; nobody is promised a handler."""
    bench.open(ier=3)
    bench.call("read", lambda: bench.io.read8(IIR))
    bench.close()

    assert rules(bench) == []


def test_counters_that_the_driver_replaces_are_followed(bench: Bench) -> None:
    """A driver that puts new counters in place of the old is not blamed for the old ones."""
    bench.open()
    bench.arrive(b"x" * 18)

    def read() -> None:
        bench.errors = type(bench.errors)()
        bench.receive()

    bench.call("read", read)
    bench.close()

    assert rules(bench) == []


def test_a_run_that_was_cut_off_is_not_judged(bench: Bench) -> None:
    """What a call would have done after the run's end is unknown."""
    bench.open()
    bench.cpu.set_limit(bench.board.clock.now_ps + 10**9)

    def close() -> None:
        bench.io.write8(LCR, 0x83)
        bench.cpu.sleep(1)

    bench.call("close", close)

    assert bench.ended == "time-limit"
    assert rules(bench) == []


def test_what_a_fault_writes_is_nobodys(bench: Bench) -> None:
    """Random state left before ``open`` is no access of the driver's."""
    bench.uart.ports["IER"].write(0xFF)
    bench.uart.ports["THR"].write(0x55)
    bench.uart.ports["LCR"].write(0xC0)

    assert rules(bench) == []


def test_a_second_port_without_a_driver_is_left_alone() -> None:
    """Rules of a port wake with the first call of its driver."""
    bench = Bench()
    findings = Findings(bench.board.clock)
    attach_rules(bench.board, findings)
    bench.open(bench.receive, ier=1)
    bench.arrive(b"spring tide")
    bench.close()

    assert findings.all() == []
    assert driver_place()[0] == __file__


def test_a_port_that_is_not_there_is_named(bench: Bench) -> None:
    """Asking for rules of an unknown port names the nearest."""
    with pytest.raises(Exception, match=r"telemetri.*did you mean 'telemetry'"):
        bench.rules.port("telemetri")
