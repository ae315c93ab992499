"""A register that holds a value: what its declaration means when software and hardware touch it.

The declaration is turned into masks once, and into two functions, `read` and `write`, that do no
more than this register needs. Hardware changes the value by `hw_write`, `hw_set` and `hw_clear`,
which honour ``hwenable``, ``hwmask``, sticky bits and interrupt edges. Who is asked on top, such
as a device's own method, is decided in `emu.kernel.device`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from emu.errors import AccessError
from emu.kernel.register import Field, Register

__all__ = ["LiveRegister"]

Gate = Callable[[], int]


class _Facts(NamedTuple):
    """What follows from a declaration alone, so that it is worked out once."""

    declaration: Register
    read_mask: int
    read_clears: int
    read_sets: int
    write_mask: int
    kept_by_reset: int
    reset: int
    plain_read: bool
    plain_write: bool


_facts: dict[int, _Facts] = {}  # by the id of a declaration, which the facts keep alive


def _facts_of(declaration: Register) -> _Facts:
    """Return the facts of a declaration."""
    found = _facts.get(id(declaration))
    if found is None:
        found = _facts[id(declaration)] = _work_out(declaration)
    return found


def _work_out(declaration: Register) -> _Facts:
    fields, mask_of = declaration.fields, declaration.mask_of
    read_mask = mask_of(lambda one: one.readable) if declaration.only != "w" else 0
    plain_write = all(
        one.sw in ("rw", "w", "r", "na") and not (one.onwrite or one.swwe or one.swwel)
        and one.precedence == "sw"
        for one in fields
    )  # fmt: skip
    return _Facts(
        declaration,
        read_mask,
        mask_of(lambda one: one.onread == "rclr") & read_mask,
        mask_of(lambda one: one.onread == "rset") & read_mask,
        mask_of(lambda one: one.writable) if declaration.only != "r" else 0,
        mask_of(lambda one: one.reset is None),
        declaration.reset,
        not any(one.onread for one in fields),
        plain_write,
    )


class LiveRegister:
    """Hold the value of one register.

    Args:
        declaration: what the register is.
        where: path for messages, such as ``telemetry.LSR``.
        now_ps: tells the time, to decide precedence at one instant. What hardware does after an
            access, at the same instant, is its answer to that access and always counts.
        gates: for each ``swwe``/``swwel`` name a function that reads that field.

    Attributes:
        value: all bits as the hardware sees them; side-effect free to look at.
        enable: mask of the bits whose byte lanes take part in a write, -1 for all; whoever
            narrows it for a write widens it again.

    >>> from emu.kernel.register import Field, Register
    >>> pending = LiveRegister(Register("PEND", 0, (Field("EV", 0, 4, onwrite="woclr"),)))
    >>> pending.hw_set(0b1010)
    >>> pending.write(0b0010)
    >>> pending.read()
    8
    """

    __slots__ = (
        "_changed_mask", "_changed_ps", "_facts", "_gates", "_hw_input", "_now_ps", "_read_clears",
        "_read_sets", "_written", "declaration", "enable", "full", "read_mask", "value", "where",
    )  # fmt: skip

    def __init__(
        self,
        declaration: Register,
        *,
        where: str = "",
        now_ps: Callable[[], int] = lambda: 0,
        gates: dict[str, Gate] | None = None,
    ) -> None:
        self.declaration = declaration
        self.where = where or declaration.name
        self.full = (1 << declaration.width) - 1
        self._facts = facts = _facts_of(declaration)
        self.read_mask = facts.read_mask
        self._read_clears = facts.read_clears
        self._read_sets = facts.read_sets
        self.value = 0
        self.enable = -1
        self._now_ps = now_ps
        self._gates = gates or {}
        self._hw_input = 0
        self._written = 0
        self._changed_mask = 0
        self._changed_ps = -1
        self.reset()

    def reset(self) -> None:
        """Take the reset value, keep fields that reset does not touch, allow write-once again."""
        self.value = (self.value & self._facts.kept_by_reset) | self._facts.reset
        self._hw_input = self.value
        self._written = 0

    # software

    def read(self) -> int:
        """Return what software reads and apply the side effects of reading."""
        value = self.value & self.read_mask
        if self._read_clears:
            self._soft(self._read_clears, 0)
        if self._read_sets:
            self._soft(self._read_sets, self._read_sets)
        return value

    def write(self, data: int) -> None:
        """Write `data` as software does, in the byte lanes that `enable` lets through.

        Args:
            data: the value on the bus; bits of no field are ignored.
        """
        enable = self.enable
        for one in self.declaration.fields:
            if one.mask & enable and self.accepts(one):
                self._write_field(one, data, enable)

    def end_pulse(self, mask: int = -1) -> None:
        """Let ``singlepulse`` fields in `mask` fall back to 0: their one cycle is over."""
        self.value &= ~(self.declaration.mask_of(lambda one: one.singlepulse) & mask)

    def accepts(self, one: Field) -> bool:
        """Say whether a write by software would now reach the field."""
        if not one.writable or self.declaration.only == "r":
            return False
        if one.sw in ("rw1", "w1") and self._written & one.mask:
            return False
        if one.swwe is not None and not self._gates[one.swwe]():
            return False
        return one.swwel is None or not self._gates[one.swwel]()

    def _write_field(self, one: Field, data: int, enable: int) -> None:
        mask = one.mask & enable
        old = self.value
        match one.onwrite:
            case None:
                new = data
            case "woset":
                new = old | data
            case "woclr":
                new = old & ~data
            case "wot":
                new = old ^ data
            case "wzs":
                new = old | ~data
            case "wzc":
                new = old & data
            case "wzt":
                new = old ^ ~data
            case "wclr":
                new = 0
            case "wset":
                new = -1
            case _:
                new = old  # wuser: the device does it
        self._written |= one.mask
        self._soft(mask, new)

    def _soft(self, mask: int, new: int) -> None:
        """Store a change by software, except where hardware has precedence at this instant."""
        if self._changed_mask and self._changed_ps == self._now_ps():
            mask &= ~self._changed_mask
        self.value = (self.value & ~mask) | (new & mask)

    # hardware

    def hw_write(self, value: int) -> None:
        """Present `value` at the hardware side of every field that the device may write.

        Fields with ``intr`` look at edges of this input, sticky fields hold what they have.
        """
        for one in self.declaration.fields:
            if one.hw in ("rw", "w"):
                self._hw_field(one, value)
        self._hw_input = value & self.full

    def hw_set(self, mask: int) -> None:
        """Set bits from the hardware side.

        A ``sticky`` field that holds something keeps it, unless it declares ``hwset``.

        Raises:
            AccessError: a bit belongs to a field that declares neither ``hwset`` nor a
                hardware-writable ``hw``; that is a mistake in the device model.
        """
        self.value |= self._hw_change(mask, "hwset")

    def hw_clear(self, mask: int) -> None:
        """Clear bits from the hardware side; raises as `hw_set` does, for ``hwclr``.

        Sticky bits wait for software, unless their field declares ``hwclr``.
        """
        self.value &= ~self._hw_change(mask, "hwclr")

    def _hw_change(self, mask: int, word: str) -> int:
        """Return the bits of `mask` that the device may change now, and note that it does."""
        changed = 0
        updatable = self._updatable()
        for one in self.declaration.fields:
            if not one.mask & mask:
                continue
            declared: bool = getattr(one, word)
            if not declared and one.hw not in ("rw", "w"):
                raise AccessError(
                    f"hardware changes field {one.name}, declared hw={one.hw!r}",
                    where=self.where,
                    fix=f"declare the field with {word}=True or hw='rw'",
                )
            if declared or not self._locked(one, word):
                changed |= mask & one.mask & updatable
                self._note(one, mask & one.mask & updatable)
        return changed

    def _locked(self, one: Field, word: str) -> bool:
        """Say whether a sticky field refuses a change until software has cleared it."""
        sticky = one.held
        return (sticky == "sticky" and bool(self.value & one.mask)) or (
            sticky == "stickybit" and word == "hwclr"
        )

    def _updatable(self) -> int:
        """The bits that ``hwenable`` and ``hwmask`` let through."""
        allowed = 0
        for one in self.declaration.fields:
            bits = (1 << one.width) - 1 if one.hwenable is None else one.hwenable
            allowed |= ((bits & ~one.hwmask) << one.low) & one.mask
        return allowed

    def _hw_field(self, one: Field, value: int) -> None:
        mask = one.mask & self._updatable()
        old = self.value & one.mask
        new = self._edges(one, value)
        sticky = one.held
        if sticky == "stickybit":
            new |= old
        elif sticky == "sticky" and old:
            new = old
        if (new ^ old) & mask:
            self._note(one, mask)
        self.value = (self.value & ~mask) | (new & mask)

    def _edges(self, one: Field, value: int) -> int:
        """Return what the input means for the field: its level, or the edges it asks for."""
        before = self._hw_input
        match one.intr:
            case "posedge":
                return value & ~before & one.mask
            case "negedge":
                return ~value & before & one.mask
            case "bothedge":
                return (value ^ before) & one.mask
            case _:
                return value & one.mask

    def _note(self, one: Field, mask: int) -> None:
        """Remember a hardware change of a field with hardware precedence at this instant."""
        if one.precedence == "hw":
            now_ps = self._now_ps()
            if now_ps != self._changed_ps:
                self._changed_ps = now_ps
                self._changed_mask = 0
            self._changed_mask |= mask

    # field access for tests, faults and reports

    def get(self, field_name: str) -> int:
        """Return the value of a field, without side effects."""
        one = self.declaration.field(field_name)
        return (self.value & one.mask) >> one.low

    def put(self, field_name: str, value: int) -> None:
        """Set a field whatever its access, for tests and faults."""
        one = self.declaration.field(field_name)
        self.value = (self.value & ~one.mask) | ((value << one.low) & one.mask)

    def compile_read(self) -> Callable[[], int]:
        """Return the cheapest function that reads this register."""
        if not self._facts.plain_read:
            return self.read
        read_mask = self.read_mask

        def read_plain() -> int:
            return self.value & read_mask

        return read_plain

    def compile_write(self) -> Callable[[int], None]:
        """Return the cheapest function that writes this register."""
        if not self._facts.plain_write:
            return self.write
        mask = self._facts.write_mask
        keep = ~mask

        def write_plain(data: int) -> None:
            self.value = (self.value & keep) | (data & mask)

        def write_lanes(data: int) -> None:
            lanes = mask & self.enable
            self.value = (self.value & ~lanes) | (data & lanes)

        return write_plain if self.declaration.width == 8 else write_lanes
