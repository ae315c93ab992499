"""What another program leaves in a controller is a state that it can really be in."""

from __future__ import annotations

from emu.scenario.leftovers import leave
from emu.scenario.model import Leftovers
from tests.serial_port import SerialPort


def test_registers_and_characters() -> None:
    """Registers hold what was written, characters wait unread, and the interrupt is pending."""
    uart = SerialPort(fifo=16).uart
    left = {"LCR": 0x83, "DLL": 12, "DLM": 1, "FCR": 0x41, "MCR": 0x13, "IER": 0x05, "SCR": 0x5A}
    leave(uart, Leftovers(left, b"boot> "))
    assert [uart.peek(one) for one in ("LCR", "DLL", "DLM", "MCR", "IER", "SCR")] == [
        0x83, 12, 1, 0x13, 0x05, 0x5A,
    ]  # fmt: skip
    assert uart.receive_level == 6
    assert uart.irq.level == 1


def test_what_is_not_named_stays() -> None:
    """Registers that are not named keep what they hold."""
    uart = SerialPort(fifo=16).uart
    leave(uart, Leftovers({"SCR": 0x5A}))
    leave(uart, Leftovers({"MCR": 0x03}))
    assert (uart.peek("SCR"), uart.peek("MCR")) == (0x5A, 0x03)


def test_more_than_fits_is_lost() -> None:
    """The FIFO holds what it holds; the overrun flag is up, as after a real one."""
    uart = SerialPort(fifo=16).uart
    leave(uart, Leftovers({"FCR": 0x01}, bytes(20), bytes(20)))
    assert uart.receive_level == 16
    assert uart.transmit_level == 16
    assert uart.peek("LSR.OE") == 1


def test_the_deep_fifo_of_a_part_with_one() -> None:
    """FCR is written after LCR, whose DLAB bit the 64-byte FIFO needs."""
    uart = SerialPort(fifo=64).uart
    leave(uart, Leftovers({"FCR": 0x21, "LCR": 0x83}, bytes(40)))
    assert uart.receive_level == 40
