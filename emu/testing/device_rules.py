"""Try a device model with whatever software may do, and compare it with its own declaration.

The one idea: three devices of the class live side by side and are told the same things. One is
looked at all the time with ``peek``; one gets other values in bits that software cannot write; and
one is left alone. Whatever tells them apart is a mistake in the model. The device that is looked at
is besides held against its declaration and against plain integers.

What is checked:

* after a reset each field shows its reset value;
* bits that software cannot write, reserved ones included, make no difference when written, and a
  register with nothing to write is changed by no write to it;
* a read gives what ``peek`` showed just before, zeros in bits that cannot be read, and then clears
  or sets what the declaration says;
* a written 1 or 0 clears or sets what the declaration says, and where the rest of the write
  changes nothing, the other such bits keep what they held;
* ``peek`` has no side effect, and says the same twice;
* a field that only software may change follows a plain integer, whatever else is done; memory, too.

A field is software's alone if it is declared ``hw="r"`` or ``hw="na"``, or stands in a register
without code of its own, unless the declaration names another way in which hardware changes it.
What a model does beyond that, such as sending a character, is left to its own tests; things that
come from outside are added as rules of a subclass:

    class GaugeRules(DeviceRules):
        DEVICE = Gauge

        @rule(level=st.integers(0, 4095))
        def tide(self, level):
            for gauge in self.devices:
                gauge.float_moves(level)

    TestGauge = GaugeRules.TestCase
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from typing import ClassVar, NoReturn

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from hypothesis.strategies import SearchStrategy

from emu.kernel.board import Board, BusSettings
from emu.kernel.device import Device
from emu.kernel.register import Field, Register
from emu.testing.strategies import register_values

__all__ = ["DeviceRules"]

_AT = 0x1000
_NAME = "device"
_CODE = ("read", "write", "after_read", "after_write", "peek", "burst")
_WIDTHS = (8, 16, 32, 64)

Values = dict[str, int]


class DeviceRules(RuleBasedStateMachine):
    """Base of the tests of a device model; see the module. Its ``TestCase`` is what pytest runs.

    Attributes:
        DEVICE: the class under test.
        SETTINGS: values for its parameters.
        BY_DEVICE: fields, such as ``STATUS.BUSY``, that the device may change at any moment,
            so that nothing is known of what they show after an access.
        LONGEST_WAIT_PS: how long time passes at most in one step.
        devices: the three devices, for rules of a subclass.
    """

    DEVICE: ClassVar[type[Device]]
    SETTINGS: ClassVar[Mapping[str, object]] = {}
    BY_DEVICE: ClassVar[frozenset[str]] = frozenset()
    LONGEST_WAIT_PS: ClassVar[int] = 10**9

    def __init__(self) -> None:
        super().__init__()
        boards = [_board(self.DEVICE, self.SETTINGS) for _ in range(3)]
        self._windows = [board.window(_NAME) for board in boards]
        self.devices: tuple[Device, ...] = tuple(board.device(_NAME) for board in boards)
        self._alone, self._watched, self._other = self.devices
        self._declared = {one.name: one for one in self.DEVICE.REGISTERS}
        self._owned = {name: self._owned_bits(one) for name, one in self._declared.items()}
        self._plain = self._look()
        memory = self._watched.memory
        self._bytes = bytearray(memory or b"")
        self._check_reset()

    # what software does

    @precondition(lambda self: bool(self._readable()))
    @rule(name=st.runner().flatmap(lambda self: st.sampled_from(self._readable())))
    def read(self, name: str) -> None:
        """Read a register."""
        before = self._watched.peek(name)
        alone, seen, other = (device.ports[name].read() for device in self.devices)
        self._same(alone, seen, f"reading {name} gives", "peek has a side effect")
        self._same(seen, other, f"reading {name} gives", _MEANINGLESS)
        self._check_read(self._declared[name], before, seen)

    @precondition(lambda self: bool(self._writable()))
    @rule(access=st.runner().flatmap(lambda self: self._writes()))
    def write(self, access: tuple[str, int]) -> None:
        """Write a register."""
        name, value = access
        self._write(name, value)

    @precondition(lambda self: bool(self._clearable()))
    @rule(access=st.runner().flatmap(lambda self: self._clearings()))
    def write_back(self, access: tuple[str, int]) -> None:
        """Write a register so that only bits which are cleared or set by writing can change."""
        name, bits = access
        register = self._declared[name]
        self._write(name, _neutral(register, self._watched.peek(name), bits))

    @rule(duration_ps=st.runner().flatmap(lambda self: st.integers(1, self.LONGEST_WAIT_PS)))
    def wait(self, duration_ps: int) -> None:
        """Let time pass."""
        for device in self.devices:
            device.clock.run_until(device.clock.now_ps + duration_ps)

    @rule()
    def reset(self) -> None:
        """Reset the device."""
        for device in self.devices:
            device.reset()
        for name, one in self._declared.items():
            kept = one.mask_of(lambda bits: bits.reset is None)
            self._plain[name] = (self._plain[name] & kept) | one.reset
        self._check_reset()
        if self._watched.memory is not None:
            self._bytes = bytearray(self._watched.memory)

    @precondition(lambda self: bool(self._bytes))
    @rule(place=st.runner().flatmap(lambda self: self._places()), value=st.integers(0, 2**64 - 1))
    def store(self, place: tuple[int, int], value: int) -> None:
        """Write memory."""
        offset, width = place
        value &= (1 << width) - 1
        for window in self._windows:
            getattr(window, f"write{width}")(offset, value)
        self._bytes[offset : offset + width // 8] = value.to_bytes(width // 8, "little")

    @precondition(lambda self: bool(self._bytes))
    @rule(place=st.runner().flatmap(lambda self: self._places()))
    def load(self, place: tuple[int, int]) -> None:
        """Read memory."""
        offset, width = place
        expected = int.from_bytes(self._bytes[offset : offset + width // 8], "little")
        for window in self._windows:
            seen = getattr(window, f"read{width}")(offset)
            if seen != expected:
                self._fail(
                    f"read{width}({offset:#x})",
                    f"gives {seen:#x}, where {expected:#x} was stored",
                )

    # what always holds

    @invariant()
    def twins_agree(self) -> None:
        """Twins show the same; what only software may change shows what software left there."""
        seen = self._look()
        for name, value in self._look().items():
            self._same(seen[name], value, f"peek of {name} gives", "a second peek says otherwise")
        for name in self._declared:
            self._same(
                seen[name], self._other.peek(name), f"peek of {name} gives", _MEANINGLESS
            )  # fmt: skip
            self._check_owned(name, seen[name])
        for device in self.devices:
            if bytes(device.memory or b"") != self._bytes:
                self._fail("memory", "holds something else than was stored")
        levels = [device.irq.level for device in self.devices]
        self._same(levels[0], levels[1], "the interrupt line is at", "peek has a side effect")
        self._same(levels[1], levels[2], "the interrupt line is at", _MEANINGLESS)

    def teardown(self) -> None:
        """Compare the device that was left alone with the one that was looked at."""
        if sys.exc_info()[0] is not None:
            return
        for name, value in self._look().items():
            what = f"peek of {name} gives"
            self._same(self._alone.peek(name), value, what, "peek has a side effect")

    # drawing

    def _readable(self) -> list[str]:
        return [name for name, one in self._declared.items() if one.only != "w"]

    def _writable(self) -> list[str]:
        return [name for name, one in self._declared.items() if one.only != "r"]

    def _clearable(self) -> list[str]:
        """Return the registers with bits that writing clears or sets."""
        return [name for name in self._writable() if _flags(self._declared[name])]

    def _writes(self) -> SearchStrategy[tuple[str, int]]:
        names = st.sampled_from(self._writable())
        return names.flatmap(
            lambda name: st.tuples(st.just(name), register_values(self._declared[name]))
        )

    def _clearings(self) -> SearchStrategy[tuple[str, int]]:
        names = st.sampled_from(self._clearable())
        return names.flatmap(
            lambda name: st.tuples(st.just(name), register_values(self._declared[name]))
        )

    def _places(self) -> SearchStrategy[tuple[int, int]]:
        size = len(self._bytes)
        widths = st.sampled_from([width for width in _WIDTHS if width <= 8 * size])
        return widths.flatmap(
            lambda width: st.tuples(
                st.integers(0, size * 8 // width - 1).map(lambda slot: slot * width // 8),
                st.just(width),
            )
        )

    # checking

    def _look(self) -> Values:
        return {name: self._watched.peek(name) for name in self._declared}

    def _write(self, name: str, value: int) -> None:
        """Write a register of all three, and check what came of it."""
        register = self._declared[name]
        live = self._watched.registers[name]
        accepted = register.mask_of(live.accepts)
        ignored = live.full & ~register.mask_of(lambda one: one.writable)
        before = self._look()
        self._alone.ports[name].write(value)
        self._watched.ports[name].write(value)
        self._other.ports[name].write(value ^ ignored)
        after = self._look()
        if not register.writable:
            for other, old in before.items():
                what = f"a write to {name}, where there is nothing to write, leaves {other} at"
                self._same(old, after[other], what, "it must change nothing")
        expected = _declared_write(register, before[name], value, accepted)
        owned = self._owned[name] & accepted
        self._plain[name] = (self._plain[name] & ~owned) | (expected & owned)
        self._check_flags(register, before[name], value, after[name], expected)

    def _check_reset(self) -> None:
        for name, register in self._declared.items():
            seen = self._watched.peek(name)
            for one in register.fields:
                shown = (seen & one.mask) >> one.low
                if one.reset is not None and shown != one.reset and self._is_known(name, one):
                    what = f"shows {shown:#x} after a reset, declared {one.reset:#x}"
                    self._fail(f"{name}.{one.name}", what)

    def _check_read(self, register: Register, before: int, seen: int) -> None:
        """Compare what a read gave and left behind with the declaration."""
        name = register.name
        after = self._watched.peek(name)
        readable = register.mask_of(lambda one: one.readable)
        if seen & ~readable:
            self._fail(name, f"reads as {seen:#x}, with ones in bits that cannot be read")
        for one in register.fields:
            if one.onread == "ruser" or not one.readable or not self._is_known(name, one):
                continue
            if (seen ^ before) & one.mask:
                what = (
                    f"read as {_part(seen, one):#x}, where peek had shown {_part(before, one):#x}"
                )
                self._fail(f"{name}.{one.name}", what)
            left = {"rclr": 0, "rset": one.mask}.get(one.onread or "")
            if left is not None and after & one.mask != left and one.precedence != "hw":
                word = "cleared" if one.onread == "rclr" else "set"
                what = f"is {_part(after, one):#x} after a read, which should have {word} it"
                self._fail(f"{name}.{one.name}", what)

    def _check_flags(
        self, register: Register, before: int, value: int, after: int, expected: int
    ) -> None:
        """Check the bits that writing clears or sets."""
        name = register.name
        calm = all(
            one in _flags(register) or _is_same(one, before, expected, value)
            for one in register.fields
            if one.writable
        )
        for one in _flags(register):
            if not self._is_known(name, one) or one.precedence == "hw":
                continue
            touched = one.mask & (before ^ expected)
            wrong = (after ^ expected) & (one.mask if calm else touched)
            if wrong & touched:
                what = f"is {_part(after, one):#x} after a write that should have left "
                self._fail(f"{name}.{one.name}", f"{what}{_part(expected, one):#x} ({one.onwrite})")
            if wrong & before:
                what = f"lost {wrong & before:#x} by a write of {value:#x} that leaves it alone"
                self._fail(f"{name}.{one.name}", f"{what} ({one.onwrite})")

    def _check_owned(self, name: str, seen: int) -> None:
        wrong = (seen ^ self._plain[name]) & self._owned[name]
        for one in self._declared[name].fields:
            if wrong & one.mask:
                left = _part(self._plain[name], one)
                self._fail(
                    f"{name}.{one.name}",
                    f"is {_part(seen, one):#x}, where software left {left:#x} and nothing else may "
                    "change it; declare what does (hwset, hwclr), or name it in BY_DEVICE",
                )

    def _owned_bits(self, register: Register) -> int:
        """Return the bits that only software may change."""
        kinds = (f"{kind}_{register.name}" for kind in _CODE)
        has_code = any(hasattr(self.DEVICE, name) for name in kinds)
        return register.mask_of(
            lambda one: self._is_known(register.name, one) and _is_software_own(one, has_code)
        )

    def _is_known(self, name: str, one: Field) -> bool:
        return f"{name}.{one.name}" not in self.BY_DEVICE

    def _same(self, one: int, other: int, what: str, why: str) -> None:
        if one != other:
            self._fail(what, f"{one:#x} or {other:#x}: {why}")

    def _fail(self, where: str, what: str) -> NoReturn:
        kind = self.DEVICE.KIND or self.DEVICE.__name__
        raise AssertionError(f"{kind}: {where} {what}")


_MEANINGLESS = "bits that software cannot write made a difference"


def _board(kind: type[Device], settings: Mapping[str, object]) -> Board:
    """Return a board with one device, switched on."""
    board = Board("bench", bus=BusSettings(width_bits=64), events=0)
    board.attach(kind, _NAME, _AT, settings=dict(settings), irq=1)
    board.power_on()
    return board


def _part(value: int, one: Field) -> int:
    return (value & one.mask) >> one.low


def _flags(register: Register) -> list[Field]:
    """Return the fields in which a write clears or sets bits rather than storing them."""
    clearing = ("woclr", "wzc", "wclr", "woset", "wzs", "wset")
    return [one for one in register.fields if one.onwrite in clearing and one.writable]


def _is_software_own(one: Field, has_code: bool) -> bool:
    """Say whether only software may change a field, and only as declared."""
    by_hardware = one.hwset or one.hwclr or one.intr or one.singlepulse or one.onread
    stores = one.readable and one.writable and one.onwrite != "wuser"
    return stores and not by_hardware and (one.hw in ("r", "na") or not has_code)


_EFFECTS: dict[str, Callable[[int, int], int]] = {
    "woset": lambda old, data: old | data,
    "woclr": lambda old, data: old & ~data,
    "wot": lambda old, data: old ^ data,
    "wzs": lambda old, data: old | ~data,
    "wzc": lambda old, data: old & data,
    "wzt": lambda old, data: old ^ ~data,
    "wclr": lambda old, data: 0,  # noqa: ARG005 - whatever is written
    "wset": lambda old, data: -1,  # noqa: ARG005 - the same
    "wuser": lambda old, data: old,  # noqa: ARG005 - the device knows
}
"""What SystemRDL 2.0 (Accellera, January 2018), property onwrite, says of old and written bits."""


def _declared_write(register: Register, old: int, data: int, accepted: int) -> int:
    """Return what a register holds after a write, by its declaration alone."""
    new = old
    for one in register.fields:
        mask = one.mask & accepted
        value = _EFFECTS[one.onwrite](old, data) if one.onwrite else data
        new = (new & ~mask) | (value & mask)
    return new


def _neutral(register: Register, held: int, bits: int) -> int:
    """Return what to write so that only bits in `bits` of clearing and setting fields change."""
    value = 0
    for one in register.fields:
        if one in _flags(register):
            value |= bits & one.mask
        elif one.onwrite == "wzt":
            value |= one.mask
        elif one.onwrite is None and one.readable:
            value |= held & one.mask
    return value


def _is_same(one: Field, before: int, expected: int, value: int) -> bool:
    """Say whether a write asks nothing of a field: neither a change nor an action."""
    changed = (before ^ expected) & one.mask
    acts = (one.singlepulse or one.onwrite == "wuser" or not one.readable) and value & one.mask
    return not changed and not acts
