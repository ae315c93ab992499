"""How registers lie on a bus: strides, access widths, lanes, joined neighbours, banks, wrappers."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, ClassVar

import pytest

from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.register import Field, Register
from emu.kernel.view import View


def whole(name: str, offset: int, width: int = 8, reset: int = 0, **parts: Any) -> Register:
    """Declare a register that is one plain field."""
    return Register(name, offset, (Field("ALL", 0, width, reset=reset),), width=width, **parts)


def device_of(*registers: Register) -> Device:
    """Build a device with these registers."""

    class Gauge(Device):
        REGISTERS: ClassVar[tuple[Register, ...]] = registers

    device = Gauge("gauge", Clock())
    device.connect_ports()
    device.reset()
    return device


def view_of(
    device: Device, widths: Iterable[int] = (8,), stride: int = 1, *, big_endian: bool = False
) -> View:
    """Lay a device out."""
    return View(device, stride=stride, widths=widths, big_endian=big_endian)


FOUR = tuple(whole(name, offset, reset=0x11 * (offset + 1)) for offset, name in enumerate("ABCD"))


@pytest.mark.parametrize("stride", [1, 2, 4, 8])
@pytest.mark.parametrize("big_endian", [False, True])
def test_byte_registers_lie_a_stride_apart(stride: int, big_endian: bool) -> None:
    """Register n answers 8-bit accesses at n times the stride and nowhere else."""
    view = view_of(device_of(*FOUR), stride=stride, big_endian=big_endian)

    assert {offset: read() for offset, read in view.readers[8].items()} == {
        number * stride: 0x11 * (number + 1) for number in range(4)
    }


@pytest.mark.parametrize("stride", [4, 8])
@pytest.mark.parametrize("big_endian", [False, True])
def test_words_at_a_wide_stride_show_one_byte_register_each(stride: int, big_endian: bool) -> None:
    """A 32-bit access shows the register in its low bits and takes no more than its width."""
    device = device_of(*FOUR)
    view = view_of(device, (32,), stride, big_endian=big_endian)

    view.writers[32][stride](0xFFFF_FFA5)

    assert [read() for read in view.readers[32].values()] == [0x11, 0xA5, 0x33, 0x44]
    assert list(view.readers[32]) == [0, stride, 2 * stride, 3 * stride]


@pytest.mark.parametrize(
    ("stride", "big_endian", "words"),
    [
        (1, False, {0: 0x4433_2211}),
        (1, True, {0: 0x1122_3344}),
        (2, False, {0: 0x0022_0011, 4: 0x0044_0033}),
        (2, True, {0: 0x0011_0022, 4: 0x0033_0044}),
    ],
)
def test_words_at_a_narrow_stride_join_neighbours(
    stride: int, big_endian: bool, words: dict[int, int]
) -> None:
    """Several registers in one access take the places that the bus's byte order gives them."""
    device = device_of(*FOUR)
    view = view_of(device, (32,), stride, big_endian=big_endian)
    seen = {offset: read() for offset, read in view.readers[32].items()}
    view.writers[32][0](seen[0] ^ 0xFFFF_FFFF)

    assert seen == words
    assert (device.peek("A"), device.peek("B")) == (0xEE, 0xDD)


def test_joined_word_with_a_hole() -> None:
    """Places without a register read 0 and take nothing."""
    device = device_of(whole("A", 0, reset=1), whole("D", 3, reset=4))
    view = view_of(device, (16, 32))

    view.writers[32][0](0x5555_5502)

    assert (device.peek("A"), device.peek("D")) == (2, 0x55)
    assert {at: read() for at, read in view.readers[16].items()} == {0: 2, 2: 0x5500}


@pytest.mark.parametrize(
    ("big_endian", "lanes"),
    [(False, [0x44, 0x33, 0x22, 0x11]), (True, [0x11, 0x22, 0x33, 0x44])],
)
def test_lanes_of_a_wide_register(big_endian: bool, lanes: list[int]) -> None:
    """Narrow accesses reach each part of a wide register, in the order of the bus's bytes."""
    device = device_of(whole("WIDE", 0, 32, reset=0x1122_3344))
    view = view_of(device, (8, 16), 4, big_endian=big_endian)
    seen = [view.readers[8][offset]() for offset in range(4)]
    halves = [view.readers[16][offset]() for offset in (0, 2)]
    view.writers[8][1](0xEE)

    assert seen == lanes
    assert halves == ([0x3344, 0x1122] if not big_endian else [0x1122, 0x3344])
    assert device.peek("WIDE") == (0x11EE_3344 if big_endian else 0x1122_EE44)


def test_lane_write_leaves_other_lanes_without_side_effect() -> None:
    """Writing one byte clears pending bits there and keeps pending bits elsewhere."""
    pending = Register("PEND", 0, (Field("EV", 0, 32, onwrite="woclr", reset=0),), width=32)
    device = device_of(pending)
    device.registers["PEND"].value = 0xFFFF_FFFF
    view = view_of(device, (8,), 4)

    view.writers[8][2](0x0F)

    assert device.peek("PEND") == 0xFFF0_FFFF
    assert device.registers["PEND"].enable == -1


def test_lane_write_that_fails_leaves_no_lane_behind() -> None:
    """After a write that raised, the next one reaches the whole register again."""
    device = device_of(whole("WIDE", 0, 32))
    device.ports["WIDE"].write = lambda _data: (_ for _ in ()).throw(OSError("gone"))
    view = view_of(device, (8,), 4)

    with pytest.raises(OSError, match="gone"):
        view.writers[8][0](1)

    assert device.registers["WIDE"].enable == -1


MIXED = (
    whole("BYTE", 0, 8, reset=0x01),
    whole("HALF", 2, 16, reset=0x0203),
    whole("WORD", 4, 32, reset=0x0405_0607),
)


@pytest.mark.parametrize(
    ("big_endian", "words"),
    [(False, {0: 0x0203_0001, 4: 0x0405_0607}), (True, {0: 0x0100_0203, 4: 0x0405_0607})],
)
def test_registers_of_different_widths_in_one_word(big_endian: bool, words: dict[int, int]) -> None:
    """A wide access joins narrow registers and leaves one as wide as itself alone, both ways."""
    device = device_of(*MIXED)
    view = view_of(device, (8, 16, 32), big_endian=big_endian)
    seen = {offset: read() for offset, read in view.readers[32].items()}
    for offset, value in words.items():
        view.writers[32][offset](~value & 0xFFFF_FFFF)

    assert seen == words
    assert [device.peek(name) for name in ("BYTE", "HALF", "WORD")] == [0xFE, 0xFDFC, 0xFBFA_F9F8]


def test_one_way_registers_share_an_offset() -> None:
    """Reads go to the one, writes to the other, in whatever order they are declared."""
    reader, writer = whole("RBR", 0, reset=7, only="r"), whole("THR", 0, only="w")
    for pair in ((reader, writer), (writer, reader)):
        device = device_of(*pair)
        view = view_of(device, (8, 32), 4)
        view.writers[8][0](9)
        view.writers[32][0](10)

        assert (view.readers[8][0](), view.readers[32][0]()) == (7, 7)
        assert (device.peek("RBR"), device.peek("THR")) == (7, 10)


def test_lone_one_way_register_answers_both() -> None:
    """Reading what can only be written gives 0; writing what can only be read does nothing."""
    device = device_of(whole("IN", 0, reset=7, only="r"), whole("OUT", 1, only="w"))
    view = view_of(device)

    view.writers[8][0](1)
    view.writers[8][1](2)

    assert [view.readers[8][offset]() for offset in (0, 1)] == [7, 0]
    assert (device.peek("IN"), device.peek("OUT")) == (7, 2)


BANKED = (
    whole("DATA", 0, reset=0x10, bank=0),
    whole("MASK", 1, reset=0x20, bank=0),
    whole("LOW", 0, reset=0x30, bank=1),
    whole("HIGH", 1, reset=0x40, bank=1),
    whole("LINE", 3, reset=0x50),
)


@pytest.mark.parametrize(
    ("width", "shown"),
    [(8, [0x10, 0x30, 0x10]), (32, [0x5000_2010, 0x5000_4030, 0x5000_2010])],
)
def test_bank_switch_shows_other_registers(width: int, shown: list[int]) -> None:
    """The tables are filled again in place, for single and for joined accesses."""
    device = device_of(*BANKED)
    view = view_of(device, (width,))
    table = view.readers[width]
    seen = []
    for bank in (0, 1, 0):
        device.select_bank(bank)
        seen.append(table[0]())

    assert seen == shown


def test_bank_without_a_register_at_an_offset() -> None:
    """What no register of the bank answers is not in the table."""
    device = device_of(*BANKED[:3], BANKED[4])
    view = view_of(device)
    device.select_bank(1)
    first = sorted(view.readers[8])
    device.select_bank(2)

    assert (first, sorted(view.writers[8])) == ([0, 3], [3])


def test_wrapped_port_survives_a_bank_switch() -> None:
    """A fault on a register of a hidden bank shows when the bank does, and only there."""
    device = device_of(*BANKED)
    view = view_of(device, (8, 32))
    device.ports["LOW"].wrap_read(lambda read: lambda: read() | 0x80)
    device.ports["LINE"].wrap_write(lambda _write: lambda _data: None)
    before = (view.readers[8][0](), view.readers[32][0]())
    device.select_bank(1)
    view.writers[32][0](0x7766_5544)

    assert before == (0x10, 0x5000_2010)
    assert (view.readers[8][0](), view.readers[32][0]()) == (0xC4, 0x5000_55C4)


def test_wrapped_wide_register_is_wrapped_in_every_lane() -> None:
    """A wrapper put on later is in front of narrow accesses too."""
    device = device_of(whole("WIDE", 0, 32, reset=0x1234))
    view = view_of(device, (8, 32), 4)

    device.ports["WIDE"].wrap_read(lambda read: lambda: read() | 0xFF00_0000)

    assert (view.readers[8][3](), view.readers[8][1](), view.readers[32][0]()) == (
        0xFF, 0x12, 0xFF00_1234,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("stride", "width", "seen"), [(4, 32, 0xFFFF_FF11), (4, 8, 0x11), (1, 32, 0x4433_2211)]
)
def test_bits_beyond_a_register(stride: int, width: int, seen: int) -> None:
    """What shows beyond a narrow register fills its own place only, never a neighbour's."""
    device = device_of(*FOUR)
    device.ports["A"].beyond = lambda: -1
    view = view_of(device, (width,), stride)

    assert view.readers[width][0]() == seen
