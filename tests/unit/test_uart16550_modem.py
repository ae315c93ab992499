"""Modem wires and local loopback of the serial controller.

Sources: PC16550D datasheet, National Semiconductor, TL/C/8652, June 1995, 8.8 (MCR, loopback) and
8.9 (MSR); loopback wiring also in TL16C552A (SLLS189D), the Intel386 EX manual (figure 11-22) and
the IBM 5150 Technical Reference (page 2-144). RI follows OUT1 in loopback as on the 16550; the
16C452 connects it to nothing. Checks: 4 outputs, 4 inputs, 8 deltas, 4 loopback wires, 6 rules.
Modem wires are logical: 1 is asserted, which is low at the pin.
"""

from __future__ import annotations

import pytest

from tests.serial_port import SerialPort, edges_of

LOOP = 0x10
# Wire, bit of MCR that drives it.
OUTPUTS = [("dtr", 0), ("rts", 1), ("out1", 2), ("out2", 3)]
# Wire, status bit in MSR, delta bit in MSR.
INPUTS = [("cts", 4, 0), ("dsr", 5, 1), ("ri", 6, 2), ("dcd", 7, 3)]
# MCR bit, MSR bit in loopback: DTR to DSR, RTS to CTS, OUT1 to RI, OUT2 to DCD.
LOOPED = [(0, 5), (1, 4), (2, 6), (3, 7)]


class TestWires:
    """Outputs and inputs."""

    @pytest.mark.parametrize(("wire", "bit"), OUTPUTS)
    def test_output(self, wire: str, bit: int) -> None:
        """A bit of MCR asserts its output, and no other (8.8)."""
        port = SerialPort()
        port.write("MCR", 1 << bit)

        assert {name: port.uart.signals[name].level for name, _ in OUTPUTS} == {
            name: int(name == wire) for name, _ in OUTPUTS
        }
        port.write("MCR", 0)
        assert port.uart.signals[wire].level == 0

    @pytest.mark.parametrize(("wire", "status", "delta"), INPUTS)
    def test_input(self, wire: str, status: int, delta: int) -> None:
        """An asserted input shows in its status bit, and no other (8.9)."""
        port = SerialPort()
        port.uart.signals[wire].set(1)

        assert port.read("MSR") & 0xF0 == 1 << status
        port.uart.signals[wire].set(0)
        assert port.read("MSR") & 0xF0 == 0
        assert delta < 4


class TestDeltas:
    """The low half of MSR (8.9)."""

    @pytest.mark.parametrize(("wire", "status", "delta"), [one for one in INPUTS if one[0] != "ri"])
    @pytest.mark.parametrize("level", [1, 0])
    def test_any_change(self, *, wire: str, status: int, delta: int, level: int) -> None:
        """DCTS, DDSR and DDCD are set by a change in either direction."""
        port = SerialPort()
        port.uart.signals[wire].set(1 - level)
        port.read("MSR")
        port.uart.signals[wire].set(level)

        assert port.read("MSR") == level << status | 1 << delta

    @pytest.mark.parametrize(("level", "delta"), [(1, 0), (0, 4)])
    def test_trailing_edge_of_ring(self, level: int, delta: int) -> None:
        """TERI is set when the RI pin goes from low to high, which ends the ring, and only then."""
        port = SerialPort()
        port.uart.signals["ri"].set(1 - level)
        port.read("MSR")
        port.uart.signals["ri"].set(level)

        assert port.read("MSR") == level << 6 | delta

    def test_a_change_and_back_is_kept(self) -> None:
        """The delta says that the wire changed since the last read, not that it differs."""
        port = SerialPort()
        port.uart.signals["cts"].set(1)
        port.uart.signals["cts"].set(0)

        assert port.read("MSR") == 0x01

    def test_a_read_clears_all_four(self) -> None:
        """A read of MSR clears the deltas and leaves the levels."""
        port = SerialPort()
        for wire, *_ in INPUTS:
            port.uart.signals[wire].set(1)
        port.uart.signals["ri"].set(0)

        assert port.read("MSR") == 0xBF
        assert port.read("MSR") == 0xB0

    @pytest.mark.parametrize(("wire", "status", "delta"), INPUTS)
    def test_interrupt(self, wire: str, status: int, delta: int) -> None:
        """Any delta raises the modem interrupt if IER bit 3 is set; a ring when it ends."""
        port = SerialPort()
        port.write("IER", 0x08)
        port.uart.signals[wire].set(1)
        assert port.irq == (wire != "ri")
        port.uart.signals[wire].set(0)

        assert (port.irq, port.read("IIR")) == (1, 0x00)
        assert port.read("MSR") == 1 << delta, status
        assert port.irq == 0

    def test_a_look_keeps_the_deltas(self) -> None:
        """A look from a test or report clears nothing."""
        port = SerialPort()
        port.uart.signals["cts"].set(1)

        assert [port.uart.peek("MSR") for _ in range(2)] == [0x11, 0x11]


class TestLoopback:
    """MCR bit 4 (8.8)."""

    @pytest.mark.parametrize(("control", "status"), LOOPED)
    def test_modem_wiring(self, control: int, status: int) -> None:
        """Each modem input follows one output bit, with the bit's own polarity (8.9)."""
        port = SerialPort()
        port.write("MCR", LOOP | 1 << control)

        assert port.read("MSR") & 0xF0 == 1 << status

    def test_the_output_pins_are_inactive(self) -> None:
        """DTR, RTS, OUT1 and OUT2 are high at the pin whatever MCR says."""
        port = SerialPort()
        port.write("MCR", LOOP | 0x0F)

        assert [port.uart.signals[name].level for name, _ in OUTPUTS] == [0] * 4

    def test_the_input_pins_are_disconnected(self) -> None:
        """A change of a modem pin shows neither as a level nor as a delta."""
        port = SerialPort()
        port.write("MCR", LOOP)
        port.read("MSR")
        for wire, *_ in INPUTS:
            port.uart.signals[wire].set(1)

        assert port.read("MSR") == 0

    def test_modem_interrupt_from_the_bits_of_mcr(self) -> None:
        """The modem interrupt works, its sources are the low bits of MCR; IER still decides."""
        port = SerialPort()
        port.write("MCR", LOOP)
        port.read("MSR")
        port.write("MCR", LOOP | 0x02)
        assert port.irq == 0
        port.write("IER", 0x08)

        assert (port.irq, port.read("IIR"), port.read("MSR")) == (1, 0x00, 0x11)

    @pytest.mark.parametrize("fcr", [None, 0x01])
    def test_what_is_sent_is_received(self, fcr: int | None) -> None:
        """The transmitter feeds the receiver, with both interrupts working."""
        port = SerialPort(fcr=fcr)
        port.write("MCR", LOOP)
        port.write("IER", 0x01)
        port.write("THR", 0xA7)
        port.wait_bits(12)

        assert (port.irq, port.read("RBR")) == (1, 0xA7)

    def test_the_pin_marks(self) -> None:
        """SOUT stays at mark while characters go round."""
        port = SerialPort()
        edges = edges_of(port.uart.sout, port.clock)
        port.write("MCR", LOOP)
        port.write("THR", 0x00)
        port.wait_bits(20)

        assert (edges, port.uart.sout.level) == ([], 1)

    def test_the_receiver_does_not_hear_the_pin(self) -> None:
        """SIN is disconnected."""
        port = SerialPort()
        port.write("MCR", LOOP)
        port.arrive(0x41)

        assert not port.read("LSR") & 1

    def test_a_pin_given_later_is_heard_unless_looped(self) -> None:
        """The input can be led to another wire, in loopback too, where it counts afterwards."""
        port = SerialPort()
        other = SerialPort()
        port.uart.wire_input(other.uart.sout)
        assert port.uart.signals["sin"] is other.uart.sout
        port.write("MCR", LOOP)
        third = SerialPort()
        port.uart.wire_input(third.uart.sout)

        assert port.uart.sin is third.uart.sout
        port.write("THR", 0x31)
        port.wait_bits(12)
        assert port.read("RBR") == 0x31

    def test_entering_in_the_middle_of_a_character(self) -> None:
        """The pin marks at once; the rest of the character goes round, found broken or not."""
        port = SerialPort()
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0x00)
        port.wait_bits(1 + 4)
        port.write("MCR", LOOP)
        port.wait_bits(1)

        assert [level for _, level in edges] == [0, 1]
        assert edges[1][0] == 5 * port.bit_ps
        port.wait_bits(10)
        port.write("THR", 0x42)
        port.wait_bits(12)
        port.read("LSR")
        while port.uart.receive_level > 1:
            port.read("RBR")
        assert port.read("RBR") == 0x42

    def test_leaving_in_the_middle_of_a_character(self) -> None:
        """The rest of the character that was going round shows on the pin."""
        port = SerialPort()
        port.write("MCR", LOOP)
        port.write("THR", 0x00)
        port.wait_bits(1 + 4)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("MCR", 0)
        port.wait_bits(12)

        assert edges == [(5 * port.bit_ps, 0), (10 * port.bit_ps, 1)]
        assert not port.read("LSR") & 1
