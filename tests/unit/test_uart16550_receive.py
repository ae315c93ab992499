"""What the serial controller does with characters that arrive.

Source of every check unless it says otherwise: PC16550D datasheet, National Semiconductor,
TL/C/8652, June 1995, sections 8.4 (LSR), 8.5 (FCR) and 8.11 (FIFO operation). Checks: 4 trigger
levels of 16-byte and 4 of 64-byte FIFOs at both sides, 12 rules of LSR, the time-out with its
worked example and 4 restart rules, 33 four-character times.
"""

from __future__ import annotations

import random

import pytest

from emu.kernel.clock import PS_PER_S
from tests.serial_port import SerialPort

DR, OE, PE, FE, BI, FIFOE = 0x01, 0x02, 0x04, 0x08, 0x10, 0x80
RX, LINE, TIMEOUT, NONE = 0xC4, 0xC6, 0xCC, 0xC1
FIFO_ON = 0x01

# Section 8.5, bits 6 and 7.
TRIGGERS_16 = [(0, 1), (1, 4), (2, 8), (3, 14)]
# linux/serial_reg.h, comment on FIFO triggers; drivers/tty/serial/8250/8250_port.c, PORT_16750.
# TL16C750, SLLS191C, pages 23 and 24 say the same (from memory).
TRIGGERS_64 = [(0, 1), (1, 16), (2, 32), (3, 56)]

# Four characters of 8N1, 8E1 and 8E2 in us, by baud; the rule is that of 8.11.
FOUR_CHARACTERS_US = {
    "8N1": (0x03, {110: 363636.3636, 300: 133333.3333, 600: 66666.6667, 1200: 33333.3333,
                   2400: 16666.6667, 4800: 8333.3333, 9600: 4166.6667, 19200: 2083.3333,
                   38400: 1041.6667, 57600: 694.4444, 115200: 347.2222}),
    "8E1": (0x1B, {110: 400000.0, 300: 146666.6667, 600: 73333.3333, 1200: 36666.6667,
                   2400: 18333.3333, 4800: 9166.6667, 9600: 4583.3333, 19200: 2291.6667,
                   38400: 1145.8333, 57600: 763.8889, 115200: 381.9444}),
    "8E2": (0x1F, {110: 436363.6364, 300: 160000.0, 600: 80000.0, 1200: 40000.0,
                   2400: 20000.0, 4800: 10000.0, 9600: 5000.0, 19200: 2500.0,
                   38400: 1250.0, 57600: 833.3333, 115200: 416.6667}),
}  # fmt: skip
FOUR_CHARACTER_ROWS = [
    (name, lcr, baud, us)
    for name, (lcr, rows) in FOUR_CHARACTERS_US.items()
    for baud, us in rows.items()
]


def listening(fcr: int | None = FIFO_ON, **more: int) -> SerialPort:
    """Return a controller with data, time-out and line-status interrupts on."""
    port = SerialPort(fcr=fcr, **more)
    port.write("IER", 0x05)
    return port


def big_fifo(trigger: int) -> SerialPort:
    """Return a 64-byte part with its 64-byte FIFOs on, as a driver for it would turn them on."""
    port = SerialPort(fifo=64)
    port.write("LCR", 0x83)
    port.write("FCR", 0x21 | trigger << 6)
    port.write("LCR", 0x03)
    port.write("IER", 0x05)
    return port


class TestData:
    """Characters come in order, DR says whether one waits."""

    def test_characters_come_out_in_order(self) -> None:
        """What arrived on the wire is read in the order in which it arrived (8.11)."""
        port = SerialPort(fcr=FIFO_ON)
        port.arrive(*range(0x30, 0x40))

        assert [port.read("RBR") for _ in range(16)] == list(range(0x30, 0x40))

    def test_data_ready_stays_until_the_fifo_is_empty(self) -> None:
        """DR is set with the first character and cleared with the last read (8.4)."""
        port = SerialPort(fcr=FIFO_ON)
        assert not port.read("LSR") & DR
        port.arrive(1, 2)
        port.read("RBR")
        assert port.read("LSR") & DR
        port.read("RBR")

        assert not port.read("LSR") & DR

    def test_data_ready_without_fifo(self) -> None:
        """Without FIFOs DR falls with the one read (8.4)."""
        port = SerialPort(fifo=0)
        port.arrive(0x41)
        assert port.read("LSR") & DR
        assert port.read("RBR") == 0x41

        assert not port.read("LSR") & DR

    @pytest.mark.parametrize("data_bits", [5, 6, 7, 8])
    def test_short_words_are_padded_with_zeros(self, data_bits: int) -> None:
        """A word shorter than 8 bits stands in the low bits of RBR (8.1)."""
        port = SerialPort(lcr=data_bits - 5)
        port.arrive(0xFF)

        assert port.read("RBR") == (1 << data_bits) - 1

    def test_reading_an_empty_buffer_changes_nothing(self) -> None:
        """Without a character RBR repeats the last (not in the datasheet) and clears nothing."""
        port = listening()
        port.arrive(0x41)
        port.read("RBR")
        before = port.uart.peek("LSR"), port.uart.peek("IIR")

        assert port.read("RBR") == 0x41
        assert (port.uart.peek("LSR"), port.uart.peek("IIR")) == before

    def test_peek_leaves_everything_as_it_is(self) -> None:
        """A look at RBR and LSR for a test or report clears nothing."""
        port = listening()
        port.arrive_with(PE, 0x41)

        assert [port.uart.peek("RBR") for _ in range(2)] == [0x41, 0x41]
        assert [port.uart.peek("LSR") & 0x1E for _ in range(2)] == [PE, PE]
        assert port.irq == 1


class TestTrigger:
    """Received data available at the trigger level (8.5, 8.11)."""

    @pytest.mark.parametrize(("bits", "level"), TRIGGERS_16)
    def test_level_of_16_bytes(self, bits: int, level: int) -> None:
        """The interrupt rises with the character that reaches the level, not one before."""
        port = listening(FIFO_ON | bits << 6)
        for _ in range(level - 1):
            port.arrive_with(0)
        assert (port.irq, port.uart.peek("IIR")) == (0, NONE)
        port.arrive_with(0)

        assert (port.irq, port.uart.peek("IIR")) == (1, RX)

    @pytest.mark.parametrize(("bits", "level"), TRIGGERS_64)
    def test_level_of_64_bytes(self, bits: int, level: int) -> None:
        """With 64-byte FIFOs the same bits mean other levels (Linux serial_reg.h)."""
        port = big_fifo(bits)
        for _ in range(level - 1):
            port.arrive_with(0)
        assert port.irq == 0
        port.arrive_with(0)

        assert (port.irq, port.uart.peek("IIR")) == (1, RX | 0x20)

    @pytest.mark.parametrize(("bits", "level"), TRIGGERS_16)
    def test_falls_as_soon_as_the_level_is_below(self, bits: int, level: int) -> None:
        """One read below the trigger takes the interrupt and the indication away (8.11)."""
        port = listening(FIFO_ON | bits << 6)
        for _ in range(level + 1):
            port.arrive_with(0)
        port.read("RBR")
        assert (port.irq, port.uart.peek("IIR")) == (1, RX)
        port.read("RBR")

        assert (port.irq, port.uart.peek("IIR")) == (0, NONE)

    def test_a_change_of_the_trigger_counts_at_once(self) -> None:
        """A lower trigger makes the characters that wait enough (8.5)."""
        port = listening(FIFO_ON | 3 << 6)
        for _ in range(4):
            port.arrive_with(0)
        assert port.irq == 0
        port.write("FCR", FIFO_ON | 1 << 6)

        assert (port.irq, port.uart.receive_level) == (1, 4)

    def test_polled_mode_shows_no_trigger(self) -> None:
        """Without IER bit 0 neither trigger nor time-out is indicated (8.11, polled mode)."""
        port = SerialPort(fcr=FIFO_ON)
        port.arrive(1, 2)
        port.wait(5 * port.character_ps)

        assert (port.irq, port.read("IIR"), port.read("LSR") & DR) == (0, NONE, DR)

    @pytest.mark.parametrize("ier", [0x01, 0x05])
    def test_data_needs_no_line_status_enable(self, ier: int) -> None:
        """IER bit 0 is enough (8.11); only the TL16C550C's text asks for bit 2 as well."""
        port = SerialPort(fcr=FIFO_ON)
        port.write("IER", ier)
        port.arrive(1)

        assert port.uart.peek("IIR") == RX


class TestFifoOf64Bytes:
    """FCR bit 5: Linux 8250_port.c, autoconfig_16550a; TI E2E thread 404525 on the TL16C750."""

    def test_bit_5_counts_only_with_the_divisor_latch_open(self) -> None:
        """FCR = 0x21 gives IIR >> 5 of 6 with DLAB = 0 and 7 with DLAB = 1."""
        port = SerialPort(fifo=64)
        port.write("FCR", 0x21)
        assert port.read("IIR") >> 5 == 6
        port.write("LCR", 0x83)
        port.write("FCR", 0x21)

        assert port.read("IIR") >> 5 == 7

    @pytest.mark.parametrize("dlab", [0x00, 0x80])
    def test_a_16_byte_part_ignores_bit_5(self, dlab: int) -> None:
        """Bit 5 is reserved on the PC16550D (8.5): FIFOs stay at 16 bytes, IIR bit 5 at 0."""
        port = SerialPort()
        port.write("LCR", 0x03 | dlab)
        port.write("FCR", 0x21)

        assert port.read("IIR") == NONE
        assert port.uart.transmit_room == 16

    def test_depth(self) -> None:
        """64 characters fit, the 65th is lost (TL16C750, SLLS191C)."""
        port = big_fifo(0)
        for number in range(65):
            port.arrive_with(0, number)

        assert port.read("LSR") & OE
        assert [port.read("RBR") for _ in range(64)] == list(range(64))

    def test_a_later_write_with_the_latch_closed_keeps_the_depth(self) -> None:
        """FCR written with DLAB = 0 sets the trigger of the 64 bytes and keeps them on."""
        port = big_fifo(0)
        port.write("FCR", FIFO_ON | 1 << 6)
        for _ in range(15):
            port.arrive_with(0)
        assert port.irq == 0
        port.arrive_with(0)

        assert port.uart.peek("IIR") == RX | 0x20


class TestOverrun:
    """OE in both modes (8.4)."""

    def test_without_fifo_the_unread_character_is_destroyed(self) -> None:
        """The new character replaces the unread one, OE says so."""
        port = listening(None)
        port.arrive(0x41, 0x42)

        assert port.irq == 1
        assert port.read("LSR") & (OE | DR) == OE | DR
        assert port.read("RBR") == 0x42
        assert not port.read("LSR") & DR

    def test_with_fifo_the_new_character_is_lost(self) -> None:
        """The sixteen characters are kept, the seventeenth never enters, OE shows at once."""
        port = listening()
        port.arrive(*range(16))
        assert not port.uart.peek("LSR") & OE
        port.arrive(0x99)

        assert port.uart.peek("LSR") & OE
        assert port.uart.peek("IIR") == LINE
        assert [port.read("RBR") for _ in range(16)] == list(range(16))

    def test_overrun_is_not_queued_with_a_character(self) -> None:
        """OE is about the FIFO, so a read of LSR clears it while the FIFO is still full."""
        port = listening()
        port.arrive(*range(17))

        assert port.read("LSR") & (OE | FIFOE) == OE
        assert port.read("LSR") & OE == 0
        assert port.uart.peek("IIR") == RX


class TestErrorsTravelWithTheirCharacter:
    """PE, FE and BI in FIFO mode show when their character is at the top (8.4)."""

    @pytest.mark.parametrize("flag", [PE, FE, BI])
    def test_shown_at_the_top_only(self, flag: int) -> None:
        """The bit is not in LSR until the characters before it were read."""
        port = listening()
        port.arrive_with(0, 1)
        port.arrive_with(flag, 2)
        assert port.read("LSR") & (PE | FE | BI) == 0
        port.read("RBR")

        assert port.uart.peek("IIR") == LINE
        assert port.read("LSR") & (PE | FE | BI) == flag
        assert port.read("LSR") & (PE | FE | BI) == 0

    def test_the_next_error_shows_right_after_the_read(self) -> None:
        """Errors of later characters are up to date once RBR was read (latency table, 3.0)."""
        port = listening()
        for flag in (PE, FE, BI):
            port.arrive_with(flag, flag)
        seen = [(port.read("LSR") & 0x1E, port.read("RBR")) for _ in range(3)]

        assert seen == [(PE, PE), (FE, FE), (BI, BI)]

    def test_a_read_of_lsr_does_not_advance_the_fifo(self) -> None:
        """Only RBR takes a character out (8.4)."""
        port = listening()
        port.arrive_with(PE, 0x41)
        for _ in range(3):
            port.read("LSR")

        assert (port.uart.receive_level, port.read("RBR")) == (1, 0x41)

    def test_without_fifo_the_error_shows_at_once(self) -> None:
        """Without FIFOs the bits are those of the one character, bit 7 stays 0 (8.4)."""
        port = listening(None)
        port.arrive_with(PE | FE, 0x41)

        assert port.read("LSR") & 0x9F == PE | FE | DR
        assert port.read("LSR") & 0x9F == DR


class TestErrorInFifo:
    """LSR bit 7. Of the printed rules this model follows the PC16550D's (8.4)."""

    def test_set_for_an_error_anywhere(self) -> None:
        """It tells of an error that is not at the top yet."""
        port = listening()
        port.arrive_with(0)
        port.arrive_with(FE)

        assert port.read("LSR") & (FIFOE | FE) == FIFOE

    def test_cleared_by_the_read_that_shows_the_last_error(self) -> None:
        """A read of LSR clears it if no later error is left; the character may stay."""
        port = listening()
        port.arrive_with(FE)
        port.arrive_with(0)

        assert port.read("LSR") & FIFOE
        assert not port.read("LSR") & FIFOE

    def test_kept_while_a_later_error_is_left(self) -> None:
        """A read of LSR does not clear it while another error waits further down."""
        port = listening()
        port.arrive_with(FE)
        port.arrive_with(PE)

        assert [port.read("LSR") & FIFOE for _ in range(3)] == [FIFOE] * 3
        port.read("RBR")
        assert port.read("LSR") & FIFOE
        assert not port.read("LSR") & FIFOE

    @pytest.mark.parametrize("fcr", [FIFO_ON | 2, 0])
    def test_gone_with_the_fifo(self, fcr: int) -> None:
        """Clearing the FIFO or turning it off takes data, errors and bit 7 away (8.5)."""
        port = listening()
        port.arrive_with(0)
        port.arrive_with(FE)
        port.write("FCR", fcr)

        assert port.read("LSR") & (FIFOE | DR | FE) == 0
        assert port.irq == 0


class TestFifoControl:
    """FCR (8.5)."""

    @pytest.mark.parametrize(("before", "after"), [(None, FIFO_ON), (FIFO_ON, 0)])
    def test_a_change_of_mode_clears(self, before: int | None, after: int) -> None:
        """Bit 0 changing in either direction clears the receiver."""
        port = SerialPort(fcr=before)
        port.arrive(0x41)
        port.write("FCR", after)

        assert not port.read("LSR") & DR

    @pytest.mark.parametrize("fcr", [0x02, 0xC0, 0xFE])
    def test_other_bits_need_bit_0(self, fcr: int) -> None:
        """Without bit 0 in the same write the others are not programmed: FIFOs are just off."""
        port = listening(None)
        port.write("FCR", fcr)
        port.arrive(0x41)

        assert (port.irq, port.read("IIR")) == (1, 0x04)
        assert port.read("RBR") == 0x41

    def test_clearing_leaves_the_shift_register_alone(self) -> None:
        """A character that is coming in when bit 1 is written arrives whole."""
        port = SerialPort(fcr=FIFO_ON)
        port.arrive(0x41)
        port.far.send(0x42, port.now_ps)
        port.wait_bits(5)
        port.write("FCR", FIFO_ON | 2)
        port.wait_bits(6)

        assert (port.uart.receive_level, port.read("RBR")) == (1, 0x42)

    def test_the_same_value_again_clears_nothing(self) -> None:
        """FCR written without bits 1 and 2 and without a change of bit 0 keeps the data."""
        port = SerialPort(fcr=FIFO_ON)
        port.arrive(0x41)
        port.write("FCR", FIFO_ON)

        assert port.read("RBR") == 0x41

    def test_clear_bits_clear_themselves(self) -> None:
        """Bits 1 and 2 act once: the next character stays."""
        port = SerialPort(fcr=FIFO_ON | 6)
        port.arrive(0x41)

        assert port.read("LSR") & DR
        assert port.uart.peek("FCR") & 6 == 0

    @pytest.mark.parametrize("fcr", [0x01, 0xC7])
    def test_a_16450_has_no_fifo_control(self, fcr: int) -> None:
        """The part without FIFOs ignores the register: IIR bits 6 and 7 stay 0."""
        port = SerialPort(fifo=0, fcr=fcr)
        port.arrive(1, 2)

        assert port.read("IIR") & 0xF8 == 0
        assert port.read("LSR") & OE


class TestTimeout:
    """The character time-out (8.11, rules A to D); it is late by 8 cycles of RCLK (3.0, note 2)."""

    @staticmethod
    def four_characters_ps(port: SerialPort) -> int:
        """Return the interval: four characters and 8 cycles of the 16x clock."""
        return port.rate.half_bits_ps(8 * port.uart.frame.half_bits // 2 + 1)

    def test_worked_example(self) -> None:
        """At 300 baud with 12 bits a character the delay is 160 ms (8.11)."""
        port = listening(FIFO_ON | 3 << 6, clock_hz=1_843_200, divisor=384, lcr=0x1F)
        port.arrive_with(0)
        raised_ps = port.wait_irq(PS_PER_S)

        assert raised_ps - port.rate.ticks_ps(8) == pytest.approx(160 * 10**9, abs=1)
        assert port.read("IIR") == TIMEOUT

    @pytest.mark.parametrize(("name", "lcr", "baud", "us"), FOUR_CHARACTER_ROWS)
    def test_four_character_times(self, name: str, lcr: int, baud: int, us: float) -> None:
        """The interval is four characters in every format and rate, second stop bit included."""
        port = listening(FIFO_ON | 3 << 6, clock_hz=16 * baud, divisor=1, lcr=lcr)
        port.arrive_with(0)
        raised_ps = port.wait_irq(PS_PER_S)

        assert (raised_ps - port.rate.ticks_ps(8)) / 1e6 == pytest.approx(us, abs=6e-5), name

    def test_counts_from_the_last_character_received(self) -> None:
        """Each character starts the interval anew while no time-out is pending (rule D)."""
        port = listening(FIFO_ON | 3 << 6)
        port.arrive_with(0)
        port.wait(3 * port.character_ps)
        port.arrive_with(0)
        from_ps = port.now_ps

        assert port.wait_irq(PS_PER_S) - from_ps == self.four_characters_ps(port)

    def test_counts_from_the_last_read(self) -> None:
        """Each read of the FIFO starts the interval anew while no time-out is pending (rule D)."""
        port = listening(FIFO_ON | 3 << 6)
        port.arrive_with(0)
        port.arrive_with(0)
        port.wait(3 * port.character_ps)
        port.read("RBR")
        from_ps = port.now_ps

        assert port.wait_irq(PS_PER_S) - from_ps == self.four_characters_ps(port)

    def test_a_read_of_lsr_does_not_count(self) -> None:
        """Only characters moving in or out of the FIFO restart the interval (rule A)."""
        port = listening(FIFO_ON | 3 << 6)
        port.arrive_with(0)
        port.wait(3 * port.character_ps)
        port.read("LSR")

        assert port.wait_irq(PS_PER_S) == self.four_characters_ps(port)

    def test_one_read_clears_it_and_characters_left_raise_it_again(self) -> None:
        """A read clears it and restarts; what is left below the trigger raises it again (C)."""
        port = listening(FIFO_ON | 3 << 6)
        port.arrive_with(0)
        port.arrive_with(0)
        port.wait_irq(PS_PER_S)
        port.wait(port.character_ps)
        port.read("RBR")
        from_ps = port.now_ps
        assert (port.irq, port.uart.peek("IIR")) == (0, NONE)

        assert port.wait_irq(PS_PER_S) - from_ps == self.four_characters_ps(port)
        assert port.uart.peek("IIR") == TIMEOUT

    def test_a_pending_one_stays_when_a_character_arrives(self) -> None:
        """Only a read clears a pending time-out (rule C)."""
        port = listening(FIFO_ON | 3 << 6)
        port.arrive_with(0)
        port.wait_irq(PS_PER_S)
        port.arrive_with(0)

        assert port.uart.peek("IIR") == TIMEOUT

    def test_none_from_an_empty_fifo(self) -> None:
        """At least one character must be in the FIFO (rule A)."""
        port = listening(FIFO_ON | 3 << 6)
        port.arrive_with(0)
        port.read("RBR")
        port.wait(20 * port.character_ps)

        assert (port.irq, port.read("IIR")) == (0, NONE)

    def test_none_while_characters_keep_coming(self) -> None:
        """A steady stream never times out before the trigger (rule A)."""
        port = listening(FIFO_ON | 3 << 6)
        port.arrive(*range(13))
        assert port.irq == 0
        port.arrive(13)

        assert port.uart.peek("IIR") == RX

    def test_none_without_fifo(self) -> None:
        """The time-out belongs to FIFO mode (Table IV)."""
        port = listening(None)
        port.arrive_with(0)
        port.wait(20 * port.character_ps)

        assert port.read("IIR") == 0x04

    def test_the_trigger_level_outranks_it(self) -> None:
        """With the level reached the indication is received data available (Table IV)."""
        port = listening(FIFO_ON)
        port.arrive_with(0)
        port.wait(20 * port.character_ps)

        assert port.read("IIR") == RX

    def test_follows_a_faster_rate_at_once(self) -> None:
        """A character left from a slow line does not delay the time-out of a fast one (RCLK)."""
        port = listening(FIFO_ON | 3 << 6, divisor=1600)
        port.arrive_with(0)
        port.wait(port.character_ps)
        port.set_divisor(1)
        port.wait(2)
        port.read("RBR")
        port.arrive_with(0)
        from_ps = port.now_ps

        assert port.wait_irq(PS_PER_S) - from_ps == self.four_characters_ps(port)

    def test_after_a_stream_that_ended_in_an_overrun(self) -> None:
        """What is left of a full FIFO times out though the last character did not get in."""
        port = listening(FIFO_ON | 3 << 6)
        end_ps = port.now_ps
        for _ in range(24):
            end_ps = port.far.send(0x41, end_ps)
        port.clock.run_until(end_ps)
        port.read("LSR")
        for _ in range(5):
            port.read("RBR")
        from_ps = port.now_ps

        assert port.uart.receive_level == 11
        assert port.wait_irq(PS_PER_S) - from_ps == self.four_characters_ps(port)
        assert port.uart.peek("IIR") == TIMEOUT

    def test_gone_with_the_fifo(self) -> None:
        """Clearing the FIFO takes a pending time-out away (8.5)."""
        port = listening(FIFO_ON | 3 << 6)
        port.arrive_with(0)
        port.wait_irq(PS_PER_S)
        port.write("FCR", FIFO_ON | 3 << 6 | 2)

        assert (port.irq, port.read("IIR")) == (0, NONE)


def test_an_open_line_before_the_baud_clock_runs_leaves_nothing() -> None:
    """What passes while the divisor is 0 is not received later, all at once (8.3)."""
    port = SerialPort()
    port.set_divisor(0)
    port.arrive(*b"tide tables")
    assert len(port.uart.sin.pieces) < 4
    port.set_divisor(16)
    port.wait_bits(100)
    assert port.uart.receive_level == 0
    port.arrive(0x41)

    assert port.read("RBR") == 0x41


def test_scrambled_state_is_one_the_device_can_reach() -> None:
    """Random leftovers come from a seed and go through the registers' own write paths."""
    states = []
    for _ in range(2):
        port = SerialPort()
        port.uart.scramble(random.Random(7))
        states.append([port.uart.peek(name) for name in port.uart.registers])

    assert states[0] == states[1]
    assert states[0] != [SerialPort().uart.peek(name) for name in port.uart.registers]
