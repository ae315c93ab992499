"""Every kind of register access against a reference that knows nothing but single bits.

The reference is written from the rules of Accellera SystemRDL 2.0 (January 2018): property onwrite
as truth tables of one bit, onread, singlepulse (9.6.1-g), hwset and hwclr, hwenable and hwmask,
swwe and swwel, precedence, sticky and the interrupt types (9.5 to 9.9). The device under test gets
the same accesses through its ports, its clock moving now and then.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

from hypothesis import given, settings
from hypothesis import strategies as st

from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.register import (
    HW_ACCESS,
    INTR,
    ONREAD,
    ONWRITE,
    PRECEDENCE,
    STICKY,
    SW_ACCESS,
    Field,
    Register,
)

CYCLE_PS = 10  # of a device clock of 100 GHz, so that pulses end within a few steps
WIDTH = 16

# New bit for (old bit, written bit) = 00, 01, 10, 11; None where no rule is named.
TRUTH = {
    None: "0101",
    "woset": "0111",
    "woclr": "0010",
    "wot": "0110",
    "wzs": "1011",
    "wzc": "0001",
    "wzt": "1001",
    "wclr": "0000",
    "wset": "1111",
    "wuser": "0011",
}


@dataclass
class ReferenceBit:
    """One bit of a field, as the words of the declaration have it."""

    said: Field
    value: bool = False
    input: bool = False
    hardware_at: int = -1  # when hardware with precedence last changed it


@dataclass
class Reference:
    """A register as a list of fields as lists of bits."""

    fields: tuple[Field, ...]
    now: int = 0
    gate: bool = False
    bits: dict[str, list[ReferenceBit]] = field(default_factory=dict)
    written: set[str] = field(default_factory=set)
    pulse_ends: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.bits = {one.name: [ReferenceBit(one) for _ in range(one.width)] for one in self.fields}
        self.reset()

    def number(self) -> int:
        """Put the register together."""
        return sum(
            bit.value << (one.low + place)
            for one in self.fields
            for place, bit in enumerate(self.bits[one.name])
        )

    def reset(self) -> None:
        """Take reset values where there are some; the input is taken to be the value."""
        self.written.clear()
        for one in self.fields:
            for place, bit in enumerate(self.bits[one.name]):
                if one.reset is not None:
                    bit.value = bool(one.reset >> place & 1)
                bit.input = bit.value

    def read(self) -> int:
        """Return what software sees, then clear or set what reading clears or sets."""
        seen = 0
        for one in self.fields:
            if one.sw not in ("rw", "r", "rw1"):
                continue
            for place, bit in enumerate(self.bits[one.name]):
                seen |= bit.value << (one.low + place)
                if one.onread in ("rclr", "rset"):
                    self.soften(bit, one.onread == "rset")
        return seen

    def write(self, data: int) -> None:
        """Write by software, where it may."""
        for one in self.fields:
            once_over = one.sw in ("rw1", "w1") and one.name in self.written
            gated = (one.swwe and not self.gate) or (one.swwel and self.gate)
            if one.sw in ("r", "na") or once_over or gated:
                continue
            self.written.add(one.name)
            for place, bit in enumerate(self.bits[one.name]):
                wanted = data >> (one.low + place) & 1
                self.soften(bit, TRUTH[one.onwrite][2 * bit.value + wanted] == "1")
                if one.singlepulse and wanted and bit.value:
                    self.pulse_ends[one.name] = self.now + CYCLE_PS

    def soften(self, bit: ReferenceBit, value: bool) -> None:
        """Change a bit by software, unless hardware has precedence and was there just now."""
        if bit.hardware_at != self.now:
            bit.value = value

    def updatable(self, one: Field, place: int) -> bool:
        """Say whether hardware may update this bit."""
        enabled = one.hwenable is None or bool(one.hwenable >> place & 1)
        return enabled and not one.hwmask >> place & 1

    def sticky(self, one: Field) -> str:
        """Interrupt fields hold each bit unless they say otherwise."""
        return one.sticky or ("stickybit" if one.intr else "nonsticky")

    def hw_write(self, data: int) -> None:
        """Present a value at the hardware side."""
        for one in self.fields:
            bits = self.bits[one.name]
            locked = self.sticky(one) == "sticky" and any(bit.value for bit in bits)
            changed = False
            for place, bit in enumerate(bits):
                level = bool(data >> (one.low + place) & 1)
                seen = self.seen(one, bit.input, level)
                bit.input = level
                if one.hw in ("rw", "w") and self.updatable(one, place) and not locked:
                    new = seen or (self.sticky(one) == "stickybit" and bit.value)
                    changed = changed or new != bit.value
                    bit.value = new
            if changed:
                self.note(one, range(one.width))

    def seen(self, one: Field, before: bool, level: bool) -> bool:
        """Return what an input means to the field: its level or its edges."""
        edges = {"posedge": not before and level, "negedge": before and not level}
        if one.intr == "bothedge":
            return edges["posedge"] or edges["negedge"]
        return edges.get(one.intr or "", level)

    def hw_change(self, data: int, value: bool) -> None:
        """Set or clear bits from the hardware side; all of them must be declared so."""
        for one in self.fields:
            sticky = self.sticky(one)
            declared = one.hwset if value else one.hwclr
            bits = self.bits[one.name]
            locked = sticky == "sticky" and any(bit.value for bit in bits)
            if not declared and (locked or (sticky == "stickybit" and not value)):
                continue
            places = [
                place
                for place in range(one.width)
                if data >> (one.low + place) & 1 and self.updatable(one, place)
            ]
            for place in places:
                bits[place].value = value
            self.note(one, places)

    def note(self, one: Field, places: list[int] | range) -> None:
        """Remember what hardware with precedence did at this instant."""
        if one.precedence == "hw":
            for place in places:
                if self.updatable(one, place):
                    self.bits[one.name][place].hardware_at = self.now

    def wait(self, length: int) -> None:
        """Let time pass; pulses end."""
        self.now += length
        for name, end in list(self.pulse_ends.items()):
            if end <= self.now:
                self.bits[name][0].value = False
                del self.pulse_ends[name]


Words = dict[str, Any]
GATES: st.SearchStrategy[Words] = st.sampled_from(
    [{}, {"swwe": "GATE.OPEN"}, {"swwel": "GATE.OPEN"}]
)


@st.composite
def fields(draw: st.DrawFn) -> tuple[Field, ...]:
    """Draw up to four fields side by side, with gaps, and any words that go together."""
    drawn: list[Field] = []
    low = draw(st.integers(0, 2))
    for name in "ABCD"[: draw(st.integers(1, 4))]:
        width = draw(st.integers(1, 3))
        drawn.append(draw(one_field(name, low, width)))
        low += width + draw(st.integers(0, 1))
    return tuple(drawn)


@st.composite
def one_field(draw: st.DrawFn, name: str, low: int, width: int) -> Field:
    """Draw a field."""
    sw = draw(st.sampled_from(SW_ACCESS))
    onread = draw(st.sampled_from((None, *ONREAD))) if sw in ("rw", "r", "rw1") else None
    writable = sw in ("rw", "w", "rw1", "w1")
    if writable and width == 1 and draw(st.booleans()):
        return Field(name, low, sw=sw, hw="r", onread=onread, singlepulse=True, **draw(GATES))
    masks = st.integers(0, (1 << width) - 1)
    update: Words = draw(st.sampled_from([{}, {"hwenable": draw(masks)}, {"hwmask": draw(masks)}]))
    return Field(
        name, low, width, sw=sw, onread=onread,
        reset=draw(st.none() | masks),
        hw=draw(st.sampled_from(HW_ACCESS)),
        onwrite=draw(st.sampled_from((None, *ONWRITE))) if writable else None,
        hwset=draw(st.booleans()), hwclr=draw(st.booleans()),
        precedence=draw(st.sampled_from(PRECEDENCE)),
        sticky=draw(st.sampled_from((None, *STICKY))),
        intr=draw(st.sampled_from((None, *INTR))),
        **update,
        **draw(GATES),
    )  # fmt: skip


VALUES = st.integers(0, (1 << WIDTH) - 1)
STEPS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["write", "hw_write", "hw_set", "hw_clear"]), VALUES),
        st.tuples(st.just("wait"), st.integers(1, CYCLE_PS)),
        st.tuples(st.sampled_from(["read", "reset", "gate"]), st.just(0)),
    ),
    max_size=25,
)


def build(declared: tuple[Field, ...]) -> Device:
    """Build a device with the register and, at another offset, the gate of its writes."""

    class Tide(Device):
        REGISTERS: ClassVar[tuple[Register, ...]] = (
            Register("R", 0, declared, width=WIDTH),
            Register("GATE", 2, (Field("OPEN", 0),), width=WIDTH),
        )

    device = Tide("tide", Clock())
    device.clock_hz = 10**12 // CYCLE_PS
    device.connect_ports()
    return device


def step(kind: str, value: int, device: Device, reference: Reference) -> None:
    """Do one thing to both and compare what software sees."""
    live, port = device.registers["R"], device.ports["R"]
    settable = live.declaration.mask_of(lambda one: one.hwset or one.hw in ("rw", "w"))
    clearable = live.declaration.mask_of(lambda one: one.hwclr or one.hw in ("rw", "w"))
    match kind:
        case "read":
            assert port.read() == reference.read()
        case "write":
            port.write(value)
            reference.write(value)
        case "hw_write":
            live.hw_write(value)
            reference.hw_write(value)
        case "hw_set":
            live.hw_set(value & settable)
            reference.hw_change(value & settable, True)
        case "hw_clear":
            live.hw_clear(value & clearable)
            reference.hw_change(value & clearable, False)
        case "gate":
            device.ports["GATE"].write(device.peek("GATE") ^ 1)
            reference.gate = not reference.gate
        case "reset":
            live.reset()
            reference.reset()
        case _:
            device.clock.run_until(device.clock.now_ps + value)
            reference.wait(value)


@settings(max_examples=250)
@given(declared=fields(), steps=STEPS)
def test_register_is_its_declaration(
    declared: tuple[Field, ...], steps: list[tuple[str, int]]
) -> None:
    """After every step the stored value is the reference's, and so is every value read."""
    device, reference = build(declared), Reference(declared)

    for kind, value in steps:
        step(kind, value, device, reference)

        assert device.peek("R") == reference.number(), (kind, value)


@given(declared=fields(), value=VALUES, data=VALUES)
def test_byte_lanes_are_a_write_of_those_bits_alone(
    declared: tuple[Field, ...], value: int, data: int
) -> None:
    """A write in one byte lane does there what a whole write does, and nothing elsewhere."""
    whole, part = build(declared), build(declared)
    for device in (whole, part):
        device.registers["R"].value = value

    whole.ports["R"].write(data)
    part.registers["R"].enable = 0x00FF
    part.ports["R"].write(data)

    assert part.peek("R") == (whole.peek("R") & 0x00FF) | (value & 0xFF00)


@given(declared=fields(), value=VALUES)
def test_looking_changes_nothing(declared: tuple[Field, ...], value: int) -> None:
    """`peek` of a register and of each of its fields has no side effect, whatever is declared."""
    device = build(declared)
    device.registers["R"].value = value

    seen = {one.name: device.peek(f"R.{one.name}") for one in declared}

    assert seen == {one.name: (value & one.mask) >> one.low for one in declared}
    assert device.peek("R") == value
