"""The serial controller against a simple model of it, driven by random accesses and arrivals.

The one idea: the model counts cycles of the 16x clock like hardware, one by one, and keeps plain
lists; the controller schedules events and keeps flags. Both must show the same registers and the
same interrupt line after every step. Source of the model's rules: PC16550D datasheet, National
Semiconductor, TL/C/8652, June 1995, 8.4 to 8.11 and Table IV. Waveforms are left to
`tests/property/test_line_property.py`.
"""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from tests.serial_port import SerialPort, edges_of

CHARACTER = 160  # cycles of the 16x clock in a character of 8N1
LEVELS = (1, 4, 8, 14)
FIFO = 16


class Model:
    """Say what each register should hold, cycle by cycle."""

    def __init__(self) -> None:
        self.ier = 0
        self.fifo = False
        self.trigger = 1
        self.received: list[tuple[int, int]] = []
        self.last = 0
        self.latched = 0  # OE, PE, FE, BI as LSR shows them
        self.bit7 = False
        self.quiet_cycles = 0
        self.timed_out = False
        self.waiting: list[int] = []
        self.until_start = 0  # cycles until an idle transmitter begins
        self.shifting = 0  # cycles until the last stop bit ends
        self.until_empty = 0  # cycles until a late empty indication
        self.empty = True
        self.had_two = False
        self.transmit_interrupt = False
        self.inputs = 0
        self.deltas = 0

    # what registers show

    @property
    def lsr(self) -> int:
        """LSR."""
        idle = not self.waiting and not self.shifting
        return (
            bool(self.received)
            | self.latched
            | self.empty << 5
            | idle << 6
            | (self.bit7 and self.fifo) << 7
        )

    @property
    def msr(self) -> int:
        """MSR."""
        return self.inputs << 4 | self.deltas

    @property
    def source(self) -> int:
        """The low bits of IIR."""
        table = (
            (4, self.latched, 6),
            (1, len(self.received) >= self.trigger, 4),
            (1, self.timed_out, 12),
            (2, self.transmit_interrupt, 2),
            (8, self.deltas, 0),
        )
        return next((code for bit, active, code in table if self.ier & bit and active), 1)

    @property
    def iir(self) -> int:
        """IIR."""
        return self.source | (0xC0 if self.fifo else 0)

    # time

    def cycle(self) -> None:
        """Let one cycle of the 16x clock pass."""
        if self.shifting:
            self.shifting -= 1
            if not self.shifting and self.waiting:
                self.begin()
                return self.count_silence()
        elif self.until_start:
            self.until_start -= 1
            if not self.until_start and self.waiting:
                self.begin()
                return self.count_silence()
        if self.until_empty:
            self.until_empty -= 1
            if not self.until_empty:
                self.show_empty()
        return self.count_silence()

    def begin(self) -> None:
        """Move a character to the shift register."""
        self.waiting.pop(0)
        self.shifting = CHARACTER
        if not self.waiting:
            if self.fifo and not self.had_two:
                self.until_empty = CHARACTER - 16
            else:
                self.show_empty()

    def show_empty(self) -> None:
        """Indicate an empty holding register or FIFO."""
        self.empty = True
        self.had_two = False
        self.transmit_interrupt = True

    def count_silence(self) -> None:
        """Count towards the time-out."""
        self.quiet_cycles += 1
        if self.fifo and self.received and self.quiet_cycles == 4 * CHARACTER + 8:
            self.timed_out = True

    # accesses

    def arrive(self, data: int, flags: int) -> None:
        """Take a character."""
        if self.fifo and len(self.received) == FIFO:
            self.latched |= 2
            return
        if not self.fifo and self.received:
            self.latched |= 2
            self.received.clear()
        self.received.append((data, flags))
        self.quiet_cycles = 0
        if flags:
            self.bit7 = True
            if len(self.received) == 1:
                self.latched |= flags

    def read_rbr(self) -> int:
        """Read RBR."""
        if self.received:
            self.last, _ = self.received.pop(0)
            self.quiet_cycles = 0
            self.timed_out = False
            if self.received:
                self.latched |= self.received[0][1]
        return self.last

    def read_lsr(self) -> int:
        """Read LSR."""
        value = self.lsr
        self.latched = 0
        self.bit7 = any(flags for _, flags in self.received[1:])
        return value

    def read_iir(self) -> int:
        """Read IIR."""
        value = self.iir
        if self.source == 2:
            self.transmit_interrupt = False
        return value

    def read_msr(self) -> int:
        """Read MSR."""
        value = self.msr
        self.deltas = 0
        return value

    def write_thr(self, data: int) -> None:
        """Write THR."""
        if not self.fifo and self.waiting:
            self.waiting.pop()
        if len(self.waiting) < FIFO:
            self.waiting.append(data)
        self.had_two |= len(self.waiting) > 1
        self.empty = False
        self.until_empty = 0
        self.transmit_interrupt = False
        if not self.shifting and not self.until_start:
            self.until_start = 16

    def write_ier(self, value: int) -> None:
        """Write IER."""
        if value & 2 and not self.ier & 2 and self.empty:
            self.transmit_interrupt = True
        self.ier = value & 0x0F

    def write_fcr(self, value: int) -> None:
        """Write FCR."""
        on = bool(value & 1)
        changed = on != self.fifo
        self.fifo = on
        self.trigger = LEVELS[value >> 6] if on else 1
        if changed or (on and value & 2):
            self.received.clear()
            self.latched &= 2  # the datasheet says nothing of OE here; it is not of the FIFO
            self.bit7 = self.timed_out = False
        if changed or (on and value & 4):
            self.transmit_interrupt |= not self.empty
            self.waiting.clear()
            self.until_start = 0
            self.empty = True
            self.had_two = False
            self.until_empty = 0
        self.transmit_interrupt |= changed

    def set_inputs(self, inputs: int) -> None:
        """Follow CTS, DSR, RI and DCD."""
        changed = inputs ^ self.inputs
        self.deltas |= changed & 0b1011 | changed & ~inputs & 0b0100
        self.inputs = inputs


class Controller(RuleBasedStateMachine):
    """Do the same to the controller and to the model, and compare."""

    def __init__(self) -> None:
        super().__init__()
        # 16 cycles a bit of exactly 10 us, so that every step falls on a cycle.
        self.port = SerialPort()
        self.model = Model()

    @rule(data=st.integers(0, 255), flags=st.sampled_from([0, 0, 0, 4, 8, 0x18]))
    def arrive(self, data: int, flags: int) -> None:
        """Let a character arrive."""
        self.port.uart.receive(data, flags)
        self.model.arrive(data, flags)

    @rule(count=st.integers(2, 18))
    def arrive_many(self, count: int) -> None:
        """Let several characters arrive at one moment."""
        for number in range(count):
            self.arrive(number, 0)

    @rule(data=st.integers(0, 255), count=st.sampled_from([1, 1, 2, 17]))
    def write_thr(self, data: int, count: int) -> None:
        """Send characters."""
        for _ in range(count):
            self.port.write("THR", data)
            self.model.write_thr(data)

    @rule(value=st.integers(0, 255))
    def write_ier(self, value: int) -> None:
        """Enable other interrupts."""
        self.port.write("IER", value)
        self.model.write_ier(value)

    @rule(value=st.one_of(st.integers(0, 255), st.sampled_from([0x00, 0x01, 0xC1, 0x43, 0x85])))
    def write_fcr(self, value: int) -> None:
        """Control the FIFOs."""
        self.port.write("FCR", value)
        self.model.write_fcr(value)

    @rule()
    def read_rbr(self) -> None:
        """Read data."""
        assert self.port.read("RBR") == self.model.read_rbr()

    @rule()
    def read_lsr(self) -> None:
        """Read line status."""
        assert self.port.read("LSR") == self.model.read_lsr()

    @rule()
    def read_iir(self) -> None:
        """Read the interrupt source."""
        assert self.port.read("IIR") == self.model.read_iir()

    @rule()
    def read_msr(self) -> None:
        """Read modem status."""
        assert self.port.read("MSR") == self.model.read_msr()

    @rule(inputs=st.integers(0, 15))
    def change_inputs(self, inputs: int) -> None:
        """Let the modem wires change."""
        for bit, wire in enumerate(("cts", "dsr", "ri", "dcd")):
            self.port.uart.signals[wire].set(inputs >> bit & 1)
        self.model.set_inputs(inputs)

    @rule(cycles=st.one_of(st.integers(1, 40), st.sampled_from([144, 160, 648, 1000])))
    def wait(self, cycles: int) -> None:
        """Let time pass."""
        self.port.wait(cycles * self.port.tick_ps)
        for _ in range(cycles):
            self.model.cycle()

    @invariant()
    def same_registers(self) -> None:
        """Show the same in every register and on the interrupt line."""
        uart, model = self.port.uart, self.model
        assert uart.peek("LSR") == model.lsr
        assert uart.peek("IIR") == model.iir
        assert uart.peek("MSR") == model.msr
        assert uart.receive_level == len(model.received)
        assert uart.busy == bool(model.waiting or model.shifting or model.until_start)
        assert self.port.irq == (model.source != 1)


TestController = pytest.mark.slow(Controller.TestCase)
TestController.settings = settings(max_examples=60, stateful_step_count=40)


class Fed:
    """A controller at the end of a stream, looked at now and then.

    Args:
        stream: characters with the idle bit times before each.
        ahead: put all on the wire at once instead of each when its time comes.
    """

    def __init__(self, stream: list[tuple[int, int]], fcr: int, *, ahead: bool) -> None:
        self.port = port = SerialPort(fcr=fcr)
        port.write("IER", 0x05)
        self.edges = edges_of(port.uart.irq, port.clock)
        at_ps = 0
        for data, gap in stream:
            at_ps += gap * port.bit_ps
            if ahead:
                port.far.send(data, at_ps)
            else:
                port.clock.schedule(at_ps, partial(self.send, data, at_ps))
            at_ps += port.character_ps

    def send(self, data: int, at_ps: int) -> None:
        """Put one character on the wire, now."""
        self.port.far.send(data, at_ps)

    def look(self, wait_ps: int, reads: int) -> tuple[list[int], list[int]]:
        """Let time pass, look at the registers, and read as a driver would."""
        self.port.wait(wait_ps)
        shown = [self.port.uart.peek(name) for name in ("LSR", "IIR", "RBR")]
        values = [self.port.read("RBR") for _ in range(min(reads, self.port.uart.receive_level))]
        return [*shown, self.port.uart.receive_level, self.port.read("LSR")], values


@pytest.mark.slow
@given(
    rows=st.lists(
        st.tuples(
            st.sampled_from([0x41, 0x00, 0xFF]),
            st.integers(1, 24),
            st.sampled_from([0, 0, 1, 15, 45, 400]),
        ),
        min_size=1,
        max_size=6,
    ),
    fcr=st.sampled_from([0x00, 0x01, 0x41, 0x81, 0xC1]),
    looks=st.lists(
        st.tuples(
            st.integers(1, 40_000).map(lambda us: us * 10**6), st.sampled_from([0, 1, 3, 8, 64])
        ),
        max_size=12,
    ),
)
@example(rows=[(0x41, 60, 0)], fcr=0x41, looks=[(17 * 10**9, 64)] * 6)
@example(rows=[(0x41, 60, 0)], fcr=0xC1, looks=[(30 * 10**9, 5)] * 4)
@settings(max_examples=60)
def test_a_stream_put_on_the_wire_ahead_is_the_same_to_a_driver(
    rows: list[tuple[int, int, int]], fcr: int, looks: list[tuple[int, int]]
) -> None:
    """Registers, data and interrupts are the same whether characters were planned or not."""
    stream = [(data, 0 if number else gap) for data, count, gap in rows for number in range(count)]
    one_by_one, ahead = (Fed(stream, fcr, ahead=way) for way in (False, True))
    for wait_ps, reads in [*looks, *[(10**11, 64)] * 3]:
        assert ahead.look(wait_ps, reads) == one_by_one.look(wait_ps, reads)

    assert ahead.edges == one_by_one.edges
