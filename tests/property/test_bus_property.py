"""Registers on a bus against plain bytes: what `int.from_bytes` says of any layout and access."""

from __future__ import annotations

from typing import ClassVar, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emu.devices.ram import Ram
from emu.errors import DeclarationError
from emu.kernel.board import Board, BusSettings
from emu.kernel.bus import WIDTHS, BusError, Window
from emu.kernel.device import Device
from emu.kernel.register import Field, Register

Order = Literal["big", "little"]
ORDERS: st.SearchStrategy[Order] = st.sampled_from(["big", "little"])
WIDTH = st.sampled_from(WIDTHS)
ROOM = 32


@st.composite
def layouts(draw: st.DrawFn) -> tuple[Register, ...]:
    """Draw registers of any widths, aligned, with holes between; the first one fixes the unit."""
    registers = [Register("R0", 0, (Field("ALL", 0, 8),))]
    end = 1
    while True:
        width = draw(WIDTH)
        size = width // 8
        offset = -(-(end + draw(st.integers(0, 3))) // size) * size
        if offset + size > ROOM:
            return tuple(registers)
        name = f"R{len(registers)}"
        registers.append(Register(name, offset, (Field("ALL", 0, width),), width=width))
        end = offset + size


ACCESSES = st.lists(
    st.tuples(WIDTH, st.integers(0, ROOM - 1), st.integers(0, 2**64 - 1), st.booleans()),
    min_size=1, max_size=20,
)  # fmt: skip


def attach(registers: tuple[Register, ...], order: Order) -> Window:
    """Put a device with these registers on a 64-bit bus that takes every width."""

    class Gauge(Device):
        REGISTERS: ClassVar[tuple[Register, ...]] = registers

    bench = Board(bus=BusSettings(width_bits=64, big_endian=order == "big"))
    return bench.attach(Gauge, "gauge", 0, widths=WIDTHS, size=ROOM)


def present(registers: tuple[Register, ...]) -> list[bool]:
    """Say for each byte whether a register is there."""
    taken = [False] * ROOM
    for one in registers:
        size = one.width // 8
        taken[one.offset : one.offset + size] = [True] * size
    return taken


def access(io: Window, width: int, offset: int, value: int | None) -> object:
    """Read, or write `value`, in some width."""
    if value is None:
        answer: object = getattr(io, f"read{width}")(offset)
        return answer
    getattr(io, f"write{width}")(offset, value)
    return None


@given(registers=layouts(), order=ORDERS, accesses=ACCESSES)
def test_register_file_is_bytes(
    registers: tuple[Register, ...], order: Order, accesses: list[tuple[int, int, int, bool]]
) -> None:
    """Packed registers of any widths act as bytes with holes, for any aligned access.

    A hole reads 0 and takes nothing; an access that meets no register at all is a bus error.
    """
    io = attach(registers, order)
    memory, taken = bytearray(ROOM), present(registers)
    for width, place, value, writing in accesses:
        size = width // 8
        offset = place // size * size
        span = range(offset, offset + size)
        data = value % (1 << width)
        if not any(taken[at] for at in span):
            with pytest.raises(BusError, match="no register at offset"):
                access(io, width, offset, data if writing else None)
        elif writing:
            access(io, width, offset, data)
            for at, byte in zip(span, data.to_bytes(size, order), strict=True):
                memory[at] = byte if taken[at] else 0
        else:
            expected = int.from_bytes(memory[offset : offset + size], order)
            assert access(io, width, offset, None) == expected


@given(order=ORDERS, accesses=ACCESSES, wait_cycles=st.integers(0, 9))
def test_memory_is_bytes_and_every_access_takes_its_time(
    order: Order, accesses: list[tuple[int, int, int, bool]], wait_cycles: int
) -> None:
    """Memory agrees with a byte array; aligned or not, answered or not, time passes alike."""
    bench = Board(bus=BusSettings(width_bits=64, big_endian=order == "big"))
    io = bench.attach(Ram, "buffer", 0, settings={"size": ROOM}, wait_cycles=wait_cycles)
    memory = bytearray(ROOM)
    for width, offset, value, writing in accesses:
        size = width // 8
        data = value % (1 << width)
        if offset % size:
            with pytest.raises(BusError, match="not aligned"):
                access(io, width, offset, data if writing else None)
        elif writing:
            access(io, width, offset, data)
            memory[offset : offset + size] = data.to_bytes(size, order)
        else:
            expected = int.from_bytes(memory[offset : offset + size], order)
            assert access(io, width, offset, None) == expected

    assert bench.clock.now_ps == len(accesses) * (10 + wait_cycles) * 20_000


class Byte(Device):
    """One register."""

    REGISTERS: ClassVar[tuple[Register, ...]] = (Register("R", 0, (Field("F", 0),)),)


@given(places=st.lists(st.tuples(st.integers(0, 60), st.integers(1, 12)), min_size=1, max_size=12))
def test_no_address_ever_belongs_to_two_devices(places: list[tuple[int, int]]) -> None:
    """A device is accepted exactly if its whole range is free, and then owns all of it."""
    bench = Board()
    owner: dict[int, str] = {}
    for number, (base, size) in enumerate(places):
        name, span = f"d{number}", range(base, base + size)
        taken = {owner[at] for at in span if at in owner}
        if taken:
            with pytest.raises(DeclarationError, match="overlaps") as caught:
                bench.attach(Byte, name, base, size=size)
            assert any(f"overlaps {other} at" in str(caught.value) for other in taken)
        else:
            bench.attach(Byte, name, base, size=size)
            owner.update(dict.fromkeys(span, name))

    for at in range(80):
        region = bench.bus.find(at)
        assert (region.device.name if region else None) == owner.get(at)
