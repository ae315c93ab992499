"""Plain memory: any width, any aligned offset, zeros at power-on, kept over a reset."""

from __future__ import annotations

import pytest

from emu.devices.ram import MOST_BYTES, Ram
from emu.errors import DeclarationError
from emu.kernel.board import Board, BusSettings
from emu.kernel.bus import BusError, Window
from emu.kernel.clock import Clock


def memory(size: object = 64, *, big_endian: bool = False) -> tuple[Board, Window]:
    """Return a board with a 64-bit bus and some memory, and the window on it."""
    board = Board("harbour", bus=BusSettings(width_bits=64, big_endian=big_endian))
    window = board.attach(Ram, "tide_log", 0x2000, settings={"size": size})
    board.power_on()
    return board, window


def test_holds_zeros_after_power_on() -> None:
    """A fresh memory reads zero everywhere."""
    _, io = memory()

    assert [io.read64(offset) for offset in range(0, 64, 8)] == [0] * 8


@pytest.mark.parametrize("width", [8, 16, 32, 64])
def test_answers_in_every_width(width: int) -> None:
    """What is written in a width reads back in it, at the first and at the last place."""
    _, io = memory()
    value = 0x8877665544332211 & ((1 << width) - 1)
    for offset in (0, 64 - width // 8):
        getattr(io, f"write{width}")(offset, value)
        assert getattr(io, f"read{width}")(offset) == value


@pytest.mark.parametrize(("big_endian", "first"), [(False, 0x44), (True, 0x11)])
def test_byte_order_is_that_of_the_bus(first: int, *, big_endian: bool) -> None:
    """The byte at the lowest address is the least or the most significant one."""
    _, io = memory(big_endian=big_endian)
    io.write32(8, 0x11223344)

    assert io.read8(8) == first


def test_widths_share_the_same_bytes() -> None:
    """A narrow write changes its bytes of a wide word and no others."""
    _, io = memory()
    io.write64(0, 0x1111111111111111)
    io.write16(2, 0xABCD)

    assert io.read64(0) == 0x11111111ABCD1111


@pytest.mark.parametrize(("width", "offset"), [(16, 1), (32, 2), (64, 4), (8, 64), (8, -1)])
def test_misaligned_and_outside_are_bus_errors(width: int, offset: int) -> None:
    """An access that is not aligned or not inside ends in a bus error, read or write."""
    _, io = memory()
    with pytest.raises(BusError):
        getattr(io, f"read{width}")(offset)
    with pytest.raises(BusError):
        getattr(io, f"write{width}")(offset, 0)


def test_keeps_its_bytes_over_a_reset() -> None:
    """A reset leaves memory as it is."""
    board, io = memory()
    io.write8(5, 0x42)
    board.device("tide_log").reset()

    assert io.read8(5) == 0x42


@pytest.mark.parametrize(("size", "taken"), [(8, 8), ("64 KiB", 65536), (None, 65536)])
def test_size(size: object, taken: int) -> None:
    """The size is read as people write it; it is 64 KiB unless something else is said."""
    device = Ram("tide_log", Clock(), {} if size is None else {"size": size})

    assert device.size_bytes(1) == taken


@pytest.mark.parametrize("size", [4, 12, MOST_BYTES + 8])
def test_sizes_that_cannot_be(size: int) -> None:
    """A size that is too small, too great or no multiple of 8 is refused with what is allowed."""
    with pytest.raises(DeclarationError) as caught:
        Ram("tide_log", Clock(), {"size": size})

    assert caught.value.where == "device tide_log"
    assert f"size={size}" in str(caught.value)
    assert str(MOST_BYTES) in caught.value.allowed
