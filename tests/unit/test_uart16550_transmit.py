"""What the serial controller sends and what it says about it.

Source: PC16550D datasheet, National Semiconductor, TL/C/8652, June 1995: 8.1 (break), 8.4 (THRE,
TEMT), 8.5 (clearing), 8.11 (transmitter interrupts), 3.0 (AC tables). Rates and frame lengths are
in `tests/unit/test_uart16550_rates.py`.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from emu.kernel.clock import PS_PER_S
from tests.serial_port import SerialPort, edges_of

THRE, TEMT = 0x20, 0x40
FIFO_ON = 0x01


class TestStatus:
    """THRE and TEMT (8.4)."""

    def test_without_fifo(self) -> None:
        """THRE returns when the character moves on, TEMT when its last stop bit has left."""
        port = SerialPort(fifo=0)
        port.write("THR", 0x41)
        assert port.read("LSR") & (THRE | TEMT) == 0
        port.wait_bits(1.5)
        assert port.read("LSR") & (THRE | TEMT) == THRE
        port.wait_bits(9.4)
        assert port.read("LSR") & (THRE | TEMT) == THRE
        port.wait_bits(0.2)

        assert port.read("LSR") & (THRE | TEMT) == THRE | TEMT

    def test_without_fifo_two_characters_go_back_to_back(self) -> None:
        """The holding register takes a second character while the first is on the wire."""
        port = SerialPort(fifo=0)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0xFF)
        port.wait_bits(1.5)
        port.write("THR", 0xFF)
        assert port.read("LSR") & THRE == 0
        port.wait_bits(22)

        falls = [at_ps for at_ps, level in edges if not level]
        assert falls[1] - falls[0] == port.character_ps

    def test_with_fifo(self) -> None:
        """THRE falls with the first byte and returns when the last has left the FIFO."""
        port = SerialPort(fcr=FIFO_ON)
        for number in range(4):
            port.write("THR", number)
        assert port.read("LSR") & (THRE | TEMT) == 0
        port.wait_bits(1 + 29.5)
        assert port.read("LSR") & THRE == 0
        port.wait_bits(1)
        assert port.read("LSR") & (THRE | TEMT) == THRE
        port.wait_bits(10)

        assert port.read("LSR") & (THRE | TEMT) == THRE | TEMT

    @pytest.mark.parametrize(("fifo", "room"), [(0, 1), (16, 16), (64, 64)])
    def test_excess_is_lost(self, fifo: int, room: int) -> None:
        """A FIFO takes what it holds and no more; probes of the size rely on it (no source)."""
        port = SerialPort(fifo=fifo)
        port.write("LCR", 0x83)
        port.write("FCR", 0x21)
        port.write("LCR", 0x03)
        assert port.uart.transmit_room == room
        edges = edges_of(port.uart.sout, port.clock)
        for _ in range(room + 5):
            port.write("THR", 0xFF)
        port.wait_bits(10 * (room + 10))

        assert len(edges) == 2 * room

    def test_without_fifo_the_last_write_wins(self) -> None:
        """Without FIFOs a second write replaces the character that waits (no source)."""
        port = SerialPort(fifo=0)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0x00)
        port.write("THR", 0xFF)
        port.wait_bits(30)

        assert len(edges) == 2
        assert edges[1][0] - edges[0][0] == port.bit_ps


class TestInterrupt:
    """When the transmitter interrupts (8.11 and Table IV)."""

    @staticmethod
    def sending(fcr: int | None) -> SerialPort:
        """Return a controller with the transmitter interrupt enabled and acknowledged."""
        port = SerialPort(fcr=fcr)
        port.write("IER", 0x02)
        assert port.irq == 1
        port.read("IIR")
        assert port.irq == 0
        return port

    def test_enabling_it_while_empty_raises_it(self) -> None:
        """IER bit 1 going to 1 with THR empty raises it, even after an IIR read had cleared it.

        Linux 8250_port.c, serial8250_do_startup, calls a part without this faulty.
        """
        port = self.sending(None)
        port.write("IER", 0x00)
        port.write("IER", 0x02)

        assert (port.irq, port.read("IIR")) == (1, 0x02)

    def test_writing_ier_unchanged_does_not_raise_it(self) -> None:
        """Only the change from 0 to 1 raises it again."""
        port = self.sending(None)
        port.write("IER", 0x02)

        assert port.irq == 0

    def test_enabling_it_while_full_does_not_raise_it(self) -> None:
        """With a character in THR there is nothing to say yet."""
        port = self.sending(None)
        port.write("IER", 0x00)
        port.write("THR", 0x41)
        port.write("IER", 0x02)

        assert (port.irq, port.read("IIR")) == (0, 0x01)

    def test_a_write_clears_it(self) -> None:
        """Loading THR takes the interrupt away (Table IV)."""
        port = SerialPort()
        port.write("IER", 0x02)
        port.write("THR", 0x41)

        assert (port.irq, port.read("IIR")) == (0, 0x01)

    def test_a_read_of_iir_clears_it_only_as_the_reported_source(self) -> None:
        """While a higher source is reported, the read leaves the transmitter's alone (Table IV)."""
        port = SerialPort()
        port.write("IER", 0x07)
        port.arrive_with(0x08)
        assert port.read("IIR") == 0x06
        port.read("LSR")
        assert port.read("IIR") == 0x04
        port.read("RBR")

        assert port.read("IIR") == 0x02
        assert (port.irq, port.read("IIR")) == (0, 0x01)

    def test_a_status_read_does_not_clear_it(self) -> None:
        """LSR shows THRE and leaves the interrupt pending (Table IV)."""
        port = SerialPort()
        port.write("IER", 0x02)

        assert port.read("LSR") & THRE
        assert port.irq == 1

    def test_first_start_and_interrupt_after_a_write(self) -> None:
        """Start bit 8 to 24, interrupt 16 to 24 cycles of the baud clock after the write (3.0)."""
        port = self.sending(None)
        edges = edges_of(port.uart.sout, port.clock)
        port.wait(port.tick_ps // 3)
        from_ps = port.now_ps
        port.write("THR", 0x41)
        raised_ps = port.wait_irq(PS_PER_S)
        port.wait(port.tick_ps)

        assert 8 <= Fraction(edges[0][0] - from_ps, port.tick_ps) <= 24  # tIRS
        assert 16 <= Fraction(raised_ps - from_ps, port.tick_ps) <= 24  # tSI

    @pytest.mark.parametrize(("lcr", "bits"), [(0x03, 9), (0x1B, 10), (0x07, 10), (0x00, 6)])
    def test_lone_character(self, lcr: int, bits: int) -> None:
        """A FIFO that never held two says empty a character less the last stop bit late (8.11)."""
        port = self.sending(FIFO_ON)
        port.write("LCR", lcr)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0x01)
        raised_ps = port.wait_irq(PS_PER_S)

        assert raised_ps - edges[0][0] == bits * port.bit_ps
        assert port.read("LSR") & (THRE | TEMT) == THRE

    def test_two_characters(self) -> None:
        """A FIFO that held two says empty when the second moves on (8.11)."""
        port = self.sending(FIFO_ON)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0xFF)
        port.write("THR", 0xFF)
        raised_ps = port.wait_irq(PS_PER_S)
        port.wait_bits(1)

        assert raised_ps == edges[2][0]

    def test_two_one_after_the_other_count_as_lone(self) -> None:
        """A second character that comes when the first has left the FIFO is a lone one (8.11)."""
        port = self.sending(FIFO_ON)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0xFF)
        port.wait_bits(3)
        port.write("THR", 0xFF)
        raised_ps = port.wait_irq(PS_PER_S)

        assert raised_ps - edges[2][0] == 9 * port.bit_ps

    def test_first_interrupt_after_a_change_of_mode_is_immediate(self) -> None:
        """A change of FCR bit 0 raises it at once if it is enabled (8.11)."""
        port = self.sending(None)
        port.write("FCR", FIFO_ON)
        assert (port.irq, port.read("IIR")) == (1, 0xC2)
        port.write("FCR", 0)

        assert (port.irq, port.read("IIR")) == (1, 0x02)

    def test_a_new_divisor_moves_a_late_indication_along(self) -> None:
        """A lone character that speeds up says empty a bit before its new end."""
        port = self.sending(FIFO_ON)
        port.write("THR", 0x01)
        port.wait_bits(1 + 2)
        port.set_divisor(8)
        raised_ps = port.wait_irq(PS_PER_S)
        port.wait(port.bit_ps - 1)
        assert not port.read("LSR") & TEMT
        port.wait(2)

        assert port.read("LSR") & TEMT
        assert raised_ps < port.now_ps


class TestClearing:
    """FCR bit 2 and changes of mode (8.5; Table I prints bit 1, the text bit 2)."""

    @pytest.mark.parametrize("fcr", [FIFO_ON | 4, 0])
    def test_what_waits_is_dropped_and_what_shifts_goes_on(self, fcr: int) -> None:
        """The FIFO is emptied, the shift register is untouched."""
        port = SerialPort(fcr=FIFO_ON)
        edges = edges_of(port.uart.sout, port.clock)
        for _ in range(5):
            port.write("THR", 0xFF)
        port.wait_bits(1.5)
        port.write("FCR", fcr)
        assert port.read("LSR") & (THRE | TEMT) == THRE
        port.wait_bits(30)

        assert len(edges) == 2
        assert port.read("LSR") & (THRE | TEMT) == THRE | TEMT

    def test_bit_1_leaves_the_transmitter_alone(self) -> None:
        """Bit 1 clears the receiver only."""
        port = SerialPort(fcr=FIFO_ON)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0xFF)
        port.write("THR", 0xFF)
        port.write("FCR", FIFO_ON | 2)
        port.wait_bits(30)

        assert len(edges) == 4

    def test_clearing_before_the_start_bit(self) -> None:
        """A character cleared before it reached the shift register never shows on the wire."""
        port = SerialPort(fcr=FIFO_ON)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0x41)
        port.write("FCR", FIFO_ON | 4)
        assert port.read("LSR") & (THRE | TEMT) == THRE | TEMT
        port.wait_bits(30)

        assert edges == []
        assert port.read("LSR") & (THRE | TEMT) == THRE | TEMT


class TestBreak:
    """LCR bit 6 (8.1)."""

    def test_forces_the_pin_to_space_and_back(self) -> None:
        """SOUT is at space while the bit is set, at mark after."""
        port = SerialPort()
        port.write("LCR", 0x43)
        assert port.uart.sout.level == 0
        port.write("LCR", 0x03)

        assert port.uart.sout.level == 1

    def test_the_transmitter_goes_on_behind_it(self) -> None:
        """The bit acts on SOUT only: characters are shifted unseen and TEMT comes in time."""
        port = SerialPort()
        edges = edges_of(port.uart.sout, port.clock)
        port.write("LCR", 0x43)
        port.write("THR", 0x55)
        port.wait_bits(11.5)

        assert port.read("LSR") & TEMT
        assert [level for _, level in edges] == [0]

    def test_printed_sequence(self) -> None:
        """Pad character, break at the next THRE, end at TEMT: a break timed by the transmitter."""
        port = SerialPort()
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0x00)
        port.wait_bits(1.5)
        assert port.read("LSR") & THRE
        port.write("LCR", 0x43)
        while not port.read("LSR") & TEMT:
            port.wait(port.tick_ps)
        port.write("LCR", 0x03)

        assert [level for _, level in edges] == [0, 1]
        assert edges[1][0] - edges[0][0] == pytest.approx(10 * port.bit_ps, abs=port.tick_ps)

    @pytest.mark.parametrize("bits", [2.5, 3.5, 4.5, 9.5])
    def test_let_go_in_the_middle_of_a_character(self, bits: float) -> None:
        """When the break ends within a character, its remaining bits show on the pin."""
        port = SerialPort()
        port.write("THR", 0x2A)  # 0, then data 0 1 0 1 0 1 0 0, then 1
        port.wait_bits(1.25)
        port.write("LCR", 0x43)
        port.wait_bits(bits - 0.25)
        port.write("LCR", 0x03)
        levels = (0, 0, 1, 0, 1, 0, 1, 0, 0, 1)

        assert port.uart.sout.level == levels[int(bits)]
        port.wait_bits(12)
        assert port.uart.sout.level == 1


class TestChangesInFlight:
    """What a driver should not do while a character is on the wire, done."""

    def test_divisor(self) -> None:
        """A new divisor stretches the rest of the character under way (a live divider)."""
        port = SerialPort()
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0x55)
        start_ps = port.bit_ps
        port.wait(start_ps + 4 * port.bit_ps)
        slow_ps = 2 * port.bit_ps
        port.set_divisor(32)
        port.wait(12 * slow_ps)

        offsets = [at_ps - start_ps for at_ps, _ in edges]
        bit_ps = slow_ps // 2
        assert offsets == [*(n * bit_ps for n in range(5)),
                           *(4 * bit_ps + n * slow_ps for n in range(1, 6))]  # fmt: skip
        assert port.read("LSR") & TEMT

    def test_divisor_twice_and_a_break_within_one_character(self) -> None:
        """The level behind a break is still right after the divisor changed twice."""
        port = SerialPort()
        port.write("THR", 0x0F)
        port.wait_bits(1 + 7.5)  # data bit 6, a 0
        port.write("LCR", 0x43)
        port.set_divisor(32)
        port.set_divisor(16)
        port.write("LCR", 0x03)
        assert port.uart.sout.level == 0
        port.wait_bits(1.6)

        assert port.uart.sout.level == 1

    def test_word_format(self) -> None:
        """A new word format counts from the next character sent."""
        port = SerialPort(fcr=FIFO_ON)
        edges = edges_of(port.uart.sout, port.clock)
        port.write("THR", 0xFF)
        port.write("THR", 0xFF)
        port.write("THR", 0xFF)
        port.wait_bits(2)
        port.write("LCR", 0x00)
        port.wait_bits(40)
        falls = [at_ps for at_ps, level in edges if not level]

        assert falls[1] - falls[0] == 10 * port.bit_ps
        assert falls[2] - falls[1] == 7 * port.bit_ps

    def test_watchers_hear_what_happens_to_characters(self) -> None:
        """A monitor is told of characters loaded, spilled, begun and cleared, in order."""
        port = SerialPort(fifo=0)
        notes: list[tuple[str, int]] = []

        class Monitor:
            """Note everything."""

            def __getattr__(self, name: str) -> object:
                return lambda *values: notes.append((name, values[0]))

        port.uart.monitor = Monitor()  # type: ignore[assignment]
        port.write("THR", 1)
        port.write("THR", 2)
        port.wait_bits(2)
        port.arrive_with(0, 3)
        port.arrive_with(0, 4)

        assert notes == [("loaded", 1), ("spilled", 1), ("shifting", 2), ("arrived", 3),
                         ("overran", 3), ("arrived", 4)]  # fmt: skip
