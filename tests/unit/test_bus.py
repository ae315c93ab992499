"""The bus: who answers where, what an access costs, and what happens when nobody answers."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any, ClassVar

import pytest

from emu.devices.ram import Ram
from emu.errors import AccessError, DeclarationError
from emu.kernel.board import Board, BusSettings
from emu.kernel.bus import Bus, BusError, Window
from emu.kernel.device import Device
from emu.kernel.register import Field, Register

ACCESS_PS = 200_000  # 10 cycles of 50 MHz


def device_kind(*registers: Register) -> type[Device]:
    """Declare a kind of device with these registers."""

    class Gauge(Device):
        REGISTERS: ClassVar[tuple[Register, ...]] = registers

    return Gauge


def whole(name: str, offset: int, width: int = 8, **parts: Any) -> Register:
    """Declare a register that is one plain field."""
    return Register(name, offset, (Field("ALL", 0, width),), width=width, **parts)


Bytes = device_kind(whole("A", 0), whole("B", 1), whole("C", 2), whole("D", 3))
Words = device_kind(whole("A", 0, 32), whole("B", 4, 32))


def board(**settings: Any) -> Board:
    """Make a board with this kind of bus."""
    return Board(bus=BusSettings(**settings))


@pytest.mark.parametrize("big_endian", [False, True])
def test_memory_in_every_width_and_both_byte_orders(big_endian: bool) -> None:
    """What is written in one width reads in every other as `struct` would unpack it."""
    bench = board(width_bits=64, big_endian=big_endian)
    io = bench.attach(Ram, "buffer", 0, settings={"size": 64})
    order = ">" if big_endian else "<"
    values = [0x0102_0304_0506_0708, 0x1112_1314_1516_1718]
    for number, value in enumerate(values):
        io.write64(8 * number, value)
    laid = struct.pack(f"{order}2Q", *values)

    assert [io.read8(at) for at in range(16)] == list(laid)
    assert [io.read16(at) for at in range(0, 16, 2)] == list(struct.unpack(f"{order}8H", laid))
    assert [io.read32(at) for at in range(0, 16, 4)] == list(struct.unpack(f"{order}4I", laid))
    assert [io.read64(at) for at in range(0, 16, 8)] == values


def test_window_tells_a_driver_what_the_board_says() -> None:
    """Clock, stride, interrupt number and name come from the board; -1 stands for no line."""
    bench = board()
    wired = bench.attach(Bytes, "tide", 0x100, stride=4, irq=7)
    bare = bench.attach(Bytes, "wind", 0x200)

    assert (wired.name, wired.stride, wired.irq, wired.clock_hz) == ("tide", 4, 7, 0)
    assert (bare.name, bare.stride, bare.irq) == ("wind", 1, -1)


@pytest.mark.parametrize("stride", [1, 2, 4, 8])
@pytest.mark.parametrize("width", [8, 32])
@pytest.mark.parametrize("big_endian", [False, True])
def test_stride_times_access_width(stride: int, width: int, big_endian: bool) -> None:
    """Registers of a byte device are found where stride and width put them, in any combination.

    At a stride below the width several share a word: lowest address in the low bits of a
    little-endian bus, in the high bits of a big-endian one, right-justified in its stride.
    """
    bench = board(big_endian=big_endian)
    io = bench.attach(Bytes, "tide", 0x40, stride=stride, widths=[width])
    device = bench.device("tide")
    for number, port in enumerate(device.ports.values()):
        port.write(0xA0 + number)
    step = max(stride, width // 8)
    read = io.read8 if width == 8 else io.read32
    per_word = step // stride
    words = [[0xA0 + first + part for part in range(per_word)] for first in range(0, 4, per_word)]
    if big_endian:
        words = [word[::-1] for word in words]

    seen = [read(number * step) for number in range(len(words))]

    assert seen == [
        sum(value << (8 * stride * place) for place, value in enumerate(word)) for word in words
    ]


def test_access_takes_its_time_and_wait_states() -> None:
    """Each access costs the bus's time plus the wait states of its region, both ways."""
    bench = board()
    fast = bench.attach(Bytes, "fast", 0x00)
    slow = bench.attach(Bytes, "slow", 0x10, wait_cycles=7)
    times = []
    for access in (
        lambda: fast.read8(0), lambda: fast.write8(0, 1),
        lambda: slow.read8(0), lambda: slow.write8(0, 1),
    ):  # fmt: skip
        before_ps = bench.clock.now_ps
        access()
        times.append(bench.clock.now_ps - before_ps)

    assert times == [ACCESS_PS, ACCESS_PS, 340_000, 340_000]


def test_access_takes_effect_at_its_start_and_events_within_it_have_happened() -> None:
    """A read gives the value of the moment it began; what falls due meanwhile is done after it."""
    bench = board()
    io = bench.attach(Bytes, "tide", 0)
    live = bench.device("tide").registers["A"]
    bench.clock.schedule(ACCESS_PS // 2, lambda: live.put("ALL", 9))

    assert (io.read8(0), live.value, io.read8(0)) == (0, 9, 9)


@pytest.mark.parametrize(
    ("access", "why"),
    [
        (lambda io: io.read32(8), "offset 0x8 lies outside 0x0 to 0x7"),
        (lambda io: io.read32(-4), "offset -0x4 lies outside"),
        (lambda io: io.write32(8, 1), "lies outside"),
        (lambda io: io.read8(0), "8-bit access, and tide takes 32 bits"),
        (lambda io: io.write16(0, 1), "16-bit access"),
        (lambda io: io.read64(0), "64-bit access"),
        (lambda io: io.read32(2), "offset 0x2 is not aligned to 4 bytes"),
        (lambda io: io.write32(6, 1), "offset 0x6 is not aligned"),
    ],
)
def test_access_that_nothing_answers_is_a_bus_error(
    access: Callable[[Window], object], why: str
) -> None:
    """Unmapped, wrong width and misaligned are told apart; the error says what is accepted."""
    io = board().attach(Words, "tide", 0x100)

    with pytest.raises(BusError, match=why) as caught:
        access(io)

    assert caught.value.where.startswith("tide: ")
    assert caught.value.allowed == f"{caught.value.direction}32"


def test_bus_error_carries_the_facts() -> None:
    """Address, direction and width are attributes; a hole in the map is named as such."""
    sparse = device_kind(whole("A", 0), whole("D", 3))
    io = board().attach(sparse, "tide", 0x100, stride=4)

    with pytest.raises(BusError, match=r"tide: write8\(0x4\): no register at offset 0x4") as caught:
        io.write8(4, 1)

    error = caught.value
    assert (error.address, error.direction, error.width_bits) == (0x104, "write", 8)
    assert error.__suppress_context__


def test_driver_may_catch_a_bus_error_which_takes_time_and_is_noted() -> None:
    """The failed access lasts as long as any other, and the journal has its offset and device."""
    bench = board()
    io = bench.attach(Words, "tide", 0x100, wait_cycles=1)
    seen: list[str] = []
    try:
        io.read32(8)
    except BusError:
        seen.append("recovered")
    io.read32(0)

    who = [bench.journal.sources[entry[1]].kind for entry in bench.journal.entries]
    assert (seen, who, bench.clock.now_ps) == (["recovered"], ["bus error", "read"], 2 * 220_000)
    assert bench.journal.entries[0][2:] == (8, "tide")
    assert bench.bus.accesses() == {"tide": (1, 0, 0)}


def test_events_fall_due_during_a_failed_access() -> None:
    """A bus error is no way around time: hardware goes on before the driver hears of it."""
    bench = board()
    io = bench.attach(Words, "tide", 0)
    ran: list[int] = []
    bench.clock.schedule(ACCESS_PS, lambda: ran.append(1))

    with pytest.raises(BusError):
        io.read32(8)

    assert ran == [1]


@pytest.mark.parametrize("value", [0x100, -1, 1 << 40])
def test_value_that_does_not_fit_is_refused_without_effect(value: int) -> None:
    """A value wider than the access is the driver's mistake: nothing happens, no time passes."""
    bench = board()
    io = bench.attach(Bytes, "tide", 0)

    with pytest.raises(
        AccessError, match=r"tide: write8\(0x0\): value .* allowed: 0x0 to 0xff; value & 0xff is 0x"
    ):
        io.write8(0, value)

    assert (bench.clock.now_ps, len(bench.journal.entries)) == (0, 0)


@pytest.mark.parametrize(
    ("base", "size", "other"),
    [
        (0x108, 0x10, "wind at 0x00000110-0x0000011f"),  # its end reaches in
        (0x11F, 0x01, "wind at 0x00000110-0x0000011f"),  # its last byte
        (0x110, 0x10, "wind at 0x00000110-0x0000011f"),  # the same range
        (0x118, 0x04, "wind at 0x00000110-0x0000011f"),  # within
        (0x100, 0x80, "wind at 0x00000110-0x0000011f"),  # around both
        (0x12F, 0x08, "swell at 0x00000130-0x0000013f"),
    ],
)
def test_overlap_is_refused_with_both_ranges(base: int, size: int, other: str) -> None:
    """Two devices never answer the same address; the message shows both inclusive ranges."""
    bench = board()
    bench.attach(Bytes, "swell", 0x130, size=0x10)
    bench.attach(Bytes, "wind", 0x110, size=0x10)
    span = rf"{base:#010x}-{base + max(size, 4) - 1:#010x}"

    with pytest.raises(DeclarationError, match=f"device tide: {span} overlaps {other}"):
        bench.attach(Bytes, "tide", base, size=size)

    assert list(bench.bus.windows) == ["swell", "wind"]


def test_overlap_names_an_address_that_is_really_free() -> None:
    """The fix goes past every neighbour in the way, and is aligned."""
    bench = board()
    bench.attach(Bytes, "swell", 0x110, size=0x12)
    bench.attach(Bytes, "wind", 0x124, size=0x10)

    with pytest.raises(DeclarationError, match="the next free address is 0x134"):
        bench.attach(Words, "tide", 0x10C)

    bench.attach(Words, "tide", 0x134)


def test_ranges_may_touch() -> None:
    """The byte after one device may be the first of the next, on both sides."""
    bench = board()
    for name, base in (("mid", 0x14), ("low", 0x10), ("high", 0x18)):
        bench.attach(Bytes, name, base)

    assert [region.device.name for region in bench.bus.regions] == ["low", "mid", "high"]


@pytest.mark.parametrize(
    ("kind", "base", "parts", "message"),
    [
        (Words, 2, {}, "base 0x2 is not aligned; allowed: a multiple of 4"),
        (Bytes, 4, {"stride": 8}, "base 0x4 is not aligned; allowed: a multiple of 8"),
        (Bytes, 2, {"widths": [8, 32]}, "base 0x2 is not aligned"),
        (Bytes, 0, {"stride": 3}, "stride=3; allowed: 1, 2, 4 or 8, at least 1"),
        (Words, 0, {"stride": 2}, "stride=2; allowed: 1, 2, 4 or 8, at least 4"),
        (Bytes, 0, {"widths": [64]}, "access width 64; allowed: 8 to 32 bits"),
        (Bytes, 0, {"widths": [12]}, "access width 12"),
        (Bytes, 0xFFFF_FFFF, {}, "lies outside the address space; allowed: 0x0 to 0xffffffff"),
        (Bytes, -4, {}, "lies outside the address space"),
        (device_kind(), 0, {}, "neither registers nor memory"),
    ],
)
def test_place_that_cannot_be_is_refused(
    kind: type[Device], base: int, parts: dict[str, Any], message: str
) -> None:
    """Alignment, stride, width and address space are checked when the device is attached."""
    with pytest.raises(DeclarationError, match=f"device tide: .*{message}"):
        board().attach(kind, "tide", base, **parts)


def test_one_name_one_device() -> None:
    """A second device of the same name is refused and leaves the first in place."""
    bench = board()
    first = bench.attach(Bytes, "tide", 0)

    with pytest.raises(DeclarationError, match="device tide: this name is on the bus already"):
        bench.attach(Bytes, "tide", 0x100)

    assert bench.window("tide") is first


def test_bus_of_an_odd_width_is_refused() -> None:
    """A bus is 8, 16, 32 or 64 bits wide."""
    with pytest.raises(DeclarationError, match="bus: width_bits=24; allowed: 8, 16, 32, 64"):
        board(width_bits=24)


@pytest.mark.parametrize(("width_bits", "lanes"), [(8, [0x44, 0x33, 0x22, 0x11]), (16, [0x3344])])
def test_wide_device_on_a_narrow_bus_is_reached_in_lanes(width_bits: int, lanes: list[int]) -> None:
    """Without widths of its own a region takes the width of the bus where registers are wider."""
    bench = board(width_bits=width_bits)
    io = bench.attach(Words, "tide", 0)
    bench.device("tide").registers["A"].put("ALL", 0x1122_3344)
    read = io.read8 if width_bits == 8 else io.read16

    assert [read(at * width_bits // 8) for at in range(len(lanes))] == lanes


def test_widths_said_twice_count_once() -> None:
    """The same width given twice is one width."""
    bench = board()
    bench.attach(Bytes, "tide", 0, widths=[32, 8, 32])

    assert bench.bus.regions[0].widths == (8, 32)


@pytest.mark.parametrize(
    ("address", "name"),
    [(0x0F, None), (0x10, "tide"), (0x1F, "tide"), (0x20, None), (0x3C, "wind"), (0x40, None)],
)
def test_find_tells_who_answers_at_an_address(address: int, name: str | None) -> None:
    """Both ends of a range belong to it, gaps belong to nobody."""
    bench = board()
    bench.attach(Bytes, "tide", 0x10, size=0x10)
    bench.attach(Bytes, "wind", 0x3C)

    region = bench.bus.find(address)

    assert (region.device.name if region else None) == name


def test_size_can_be_more_than_registers_need_but_not_less() -> None:
    """A region may claim room for later; it never cuts registers off."""
    bench = board()
    bench.attach(Bytes, "tide", 0x00, size=0x40, stride=4)
    bench.attach(Bytes, "wind", 0x40, size=1, stride=4)

    assert [region.size for region in bench.bus.regions] == [0x40, 0x10]


@pytest.mark.slow
def test_thousands_of_devices() -> None:
    """Two thousand windows answer each for itself, and an address leads to its device."""
    bench = board()
    count = 2_000
    order = [number * 7 % count for number in range(count)]  # attached in no particular order
    windows: dict[int, Window] = {
        number: bench.attach(Bytes, f"buoy{number}", 0x1000 + 4 * number) for number in order
    }
    for number in range(0, count, 17):
        windows[number].write8(1, number & 0xFF)

    assert [windows[number].read8(1) for number in range(0, count, 17)] == [
        number & 0xFF for number in range(0, count, 17)
    ]
    found = bench.bus.find(0x1000 + 4 * 1_234 + 3)
    assert found is not None
    assert found.device.name == "buoy1234"


def test_exact_counts_of_accesses() -> None:
    """Fresh reads, equal reads in a row and writes are counted one by one, open rows included."""
    bench = board()
    io = bench.attach(Bytes, "tide", 0)
    other = bench.attach(Bytes, "wind", 0x10)
    for _ in range(5):
        io.read8(0)
    io.read8(1)
    io.write8(0, 3)
    for _ in range(4):
        io.read8(0)
    other.write8(0, 1)

    assert bench.bus.accesses() == {"tide": (3, 7, 1), "wind": (0, 0, 1)}
    bench.journal.settle()
    assert bench.bus.accesses() == {"tide": (3, 7, 1), "wind": (0, 0, 1)}


def test_write_is_in_the_journal_before_what_it_causes() -> None:
    """A device that reacts at once writes its own entries after the access that made it."""
    reacting = device_kind(whole("A", 0))

    class Reacting(reacting):  # type: ignore[misc, valid-type]
        def after_write_A(self, _old: int, new: int) -> None:
            note((self.clock.now_ps, -1, "reaction", new))

    bench = board()
    note = bench.journal.append
    io = bench.attach(Reacting, "tide", 0)

    io.write8(0, 5)

    assert [entry[2] for entry in bench.journal.entries] == [0, "reaction"]


def test_bus_without_a_board() -> None:
    """A bus works from its parts alone, with the address width it is told."""
    bench = Board()
    bus = Bus(bench.clock, bench.cpu, bench.journal, width_bits=16, access_ps=5, address_bits=8)
    device = Bytes("tide", bench.clock)
    device.connect_ports()
    io = bus.attach(device, 0xFC)

    io.write8(3, 0x7F)

    assert (io.read8(3), bench.clock.now_ps) == (0x7F, 10)
    with pytest.raises(DeclarationError, match="allowed: 0x0 to 0xff"):
        bus.attach(Bytes("wind", bench.clock), 0x100)
