"""Registers by declaration: fields, reset values and what an access does, in SystemRDL's words.

A `Register` says what software sees; nothing here holds a value or runs. From the declaration come
dispatch, reset, the printed map, the C header, coverage and the generic rules. The words `sw`,
`hw`, `onread`, `onwrite`, `singlepulse`, `swwe`, `hwenable` and so on mean what Accellera's
SystemRDL 2.0 (January 2018), sections 9.5 to 9.9, says they mean.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from emu.errors import DeclarationError, nearest

__all__ = [
    "HW_ACCESS",
    "INTR",
    "ONREAD",
    "ONWRITE",
    "PRECEDENCE",
    "STICKY",
    "SW_ACCESS",
    "Field",
    "Register",
    "check_registers",
]

SW_ACCESS = ("rw", "r", "w", "rw1", "w1", "na")
HW_ACCESS = ("rw", "r", "w", "na")
ONREAD = ("rclr", "rset", "ruser")
ONWRITE = ("woset", "woclr", "wot", "wzs", "wzc", "wzt", "wclr", "wset", "wuser")
PRECEDENCE = ("sw", "hw")
STICKY = ("sticky", "stickybit", "nonsticky")
INTR = ("level", "posedge", "negedge", "bothedge")


@dataclass(frozen=True, slots=True)
class Field:
    """Declare some neighbouring bits of a register.

    Args:
        name: the mnemonic, such as ``THRE``.
        low: position of the least significant bit.
        width: number of bits, 1 or more.
        meaning: one line that says what the field is for.
        reset: value after reset, None when reset leaves the field as it is.
        sw: what software may do: ``rw r w rw1 w1 na`` (the 1 means once after a reset).
        hw: what the device may do: ``rw r w na``.
        onread: side effect of a read: ``rclr rset ruser``.
        onwrite: what a write does: ``woset woclr wot wzs wzc wzt wclr wset wuser``, None stores.
        singlepulse: a written 1 lasts one cycle of the device's clock; width 1, reset 0.
        hwset: the device may set bits.
        hwclr: the device may clear bits.
        hwenable: bits the device may update, None for all.
        hwmask: bits the device may not update.
        precedence: who wins when both change the field at the same instant: ``sw`` or ``hw``.
        swwe: field (``NAME`` or ``REGISTER.NAME``) that must be 1 for software to write.
        swwel: field that must be 0 for software to write.
        sticky: ``sticky`` locks the whole field once set, ``stickybit`` each bit, until software
            clears it; ``nonsticky`` follows the device.
        intr: what of the device's input sets the bit: ``level posedge negedge bothedge``; such
            fields are ``stickybit`` unless they say otherwise.
        values: names of values, for the printed map.

    Raises:
        DeclarationError: a word is unknown or the words contradict each other.
    """

    name: str
    low: int
    width: int = 1
    meaning: str = ""
    reset: int | None = 0
    sw: str = "rw"
    hw: str = "rw"
    onread: str | None = None
    onwrite: str | None = None
    singlepulse: bool = False
    hwset: bool = False
    hwclr: bool = False
    hwenable: int | None = None
    hwmask: int = 0
    precedence: str = "sw"
    swwe: str | None = None
    swwel: str | None = None
    sticky: str | None = None
    intr: str | None = None
    values: dict[int, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._check_word("sw", self.sw, SW_ACCESS)
        self._check_word("hw", self.hw, HW_ACCESS)
        self._check_word("precedence", self.precedence, PRECEDENCE)
        for key, value, allowed in (
            ("onread", self.onread, ONREAD),
            ("onwrite", self.onwrite, ONWRITE),
            ("sticky", self.sticky, STICKY),
            ("intr", self.intr, INTR),
        ):
            if value is not None:
                self._check_word(key, value, allowed)
        self._check_shape()
        self._check_combination()

    @property
    def mask(self) -> int:
        """The bits of the register that this field takes."""
        return ((1 << self.width) - 1) << self.low

    @property
    def bits(self) -> str:
        """The position as people write it: ``"7"`` or ``"7:6"``."""
        return str(self.low) if self.width == 1 else f"{self.low + self.width - 1}:{self.low}"

    @property
    def held(self) -> str:
        """How the field holds what the device put there, said or by default: see `sticky`."""
        return self.sticky or ("stickybit" if self.intr else "nonsticky")

    @property
    def readable(self) -> bool:
        """Whether software sees the value."""
        return self.sw in ("rw", "r", "rw1")

    @property
    def writable(self) -> bool:
        """Whether software can change the value by writing."""
        return self.sw in ("rw", "w", "rw1", "w1")

    @property
    def access(self) -> str:
        """What software may do, in one short phrase for the printed map."""
        parts = [self.sw, *(word for word in (self.onread, self.onwrite) if word)]
        return " ".join([*parts, "singlepulse"] if self.singlepulse else parts)

    def _check_word(self, key: str, value: str, allowed: tuple[str, ...]) -> None:
        if value not in allowed:
            raise DeclarationError(
                f"{key}={value!r} is not a word of SystemRDL",
                where=f"field {self.name}",
                allowed=", ".join(allowed),
                fix=nearest(value, allowed),
            )

    def _check_shape(self) -> None:
        if self.low < 0 or self.width < 1:
            raise DeclarationError(
                f"low={self.low}, width={self.width}",
                where=f"field {self.name}",
                allowed="low 0 or more, width 1 or more",
            )
        if self.reset is not None and not 0 <= self.reset < 1 << self.width:
            raise DeclarationError(
                f"reset={self.reset:#x} does not fit {self.width} bits",
                where=f"field {self.name}",
                allowed=f"0x0 to {(1 << self.width) - 1:#x}",
            )

    def _check_combination(self) -> None:
        wrong = ""
        if self.singlepulse and (self.width != 1 or self.reset != 0 or self.onwrite):
            wrong = "singlepulse needs width 1, reset 0 and no onwrite"
        elif self.singlepulse and not self.writable:
            wrong = "singlepulse needs a field that software can write"
        elif self.onwrite and not self.writable:
            wrong = f"onwrite={self.onwrite!r} on a field that software cannot write"
        elif self.onread and not self.readable:
            wrong = f"onread={self.onread!r} on a field that software cannot read"
        elif self.swwe and self.swwel:
            wrong = "swwe and swwel together"
        elif self.hwenable is not None and self.hwmask:
            wrong = "hwenable and hwmask together"
        if wrong:
            raise DeclarationError(wrong, where=f"field {self.name}")


@dataclass(frozen=True, slots=True)
class Register:
    """Declare a register: its place, its width and its fields.

    Args:
        name: the mnemonic, such as ``LSR``.
        offset: bytes from the start of the device, before any stride of the board.
        fields: the fields; bits without one are reserved, read 0 and ignore writes.
        width: 8, 16, 32 or 64 bits.
        meaning: one line that says what the register is for.
        bank: the value of the device's bank select at which the register is visible, None for
            always.
        only: ``"r"`` or ``"w"`` when another register shares the offset in the other direction.

    Raises:
        DeclarationError: a field lies outside the register or over another field.
    """

    name: str
    offset: int
    fields: tuple[Field, ...]
    width: int = 8
    meaning: str = ""
    bank: int | None = None
    only: str | None = None

    def __post_init__(self) -> None:
        if self.width not in (8, 16, 32, 64):
            raise DeclarationError(
                f"width={self.width}", where=f"register {self.name}", allowed="8, 16, 32, 64"
            )
        if self.offset < 0 or self.offset % (self.width // 8):
            raise DeclarationError(
                f"offset={self.offset:#x}",
                where=f"register {self.name}",
                allowed=f"0 or more, a multiple of {self.width // 8}",
            )
        taken = 0
        for one in self.fields:
            self._check_field(one, taken)
            taken |= one.mask

    def _check_field(self, one: Field, taken: int) -> None:
        if one.mask >> self.width:
            raise DeclarationError(
                f"field {one.name} [{one.bits}] lies outside {self.width} bits",
                where=f"register {self.name}",
            )
        if one.mask & taken:
            raise DeclarationError(
                f"field {one.name} [{one.bits}] overlaps an earlier field",
                where=f"register {self.name}",
            )

    @property
    def reset(self) -> int:
        """The value after reset; fields that reset leaves alone count as 0."""
        return sum((one.reset or 0) << one.low for one in self.fields)

    @property
    def reserved(self) -> int:
        """The bits that belong to no field."""
        return ~self.mask_of(lambda _: True) & ((1 << self.width) - 1)

    @property
    def readable(self) -> bool:
        """Whether software may read the register."""
        return self.only != "w" and any(one.readable for one in self.fields)

    @property
    def writable(self) -> bool:
        """Whether software may write the register."""
        return self.only != "r" and any(one.writable for one in self.fields)

    def mask_of(self, wanted: Callable[[Field], object]) -> int:
        """Return the bits of all fields for which ``wanted(field)`` is true."""
        return sum(one.mask for one in self.fields if wanted(one))

    def field(self, name: str) -> Field:
        """Return the field called `name`.

        Raises:
            DeclarationError: there is none; the message names the nearest.
        """
        for one in self.fields:
            if one.name == name:
                return one
        raise DeclarationError(
            f"no field {name!r}",
            where=f"register {self.name}",
            fix=nearest(name, (one.name for one in self.fields)),
        )

    def describe(self, value: int) -> Iterator[str]:
        """Yield ``NAME=value`` for each field that is not zero in `value`."""
        for one in self.fields:
            bits = (value & one.mask) >> one.low
            if bits:
                named = one.values.get(bits)
                yield one.name if one.width == 1 else f"{one.name}={named or f'{bits:#x}'}"


def check_registers(registers: tuple[Register, ...], *, where: str) -> None:
    """Check that names are unique, that no access means two registers, that gates exist.

    Raises:
        DeclarationError: two registers share a name, or an offset in the same bank and direction;
            or a ``swwe`` or ``swwel`` names a field that there is not.
    """
    seen: list[Register] = []
    for register in registers:
        for other in seen:
            if other.name == register.name:
                raise DeclarationError(f"register {register.name} is declared twice", where=where)
            if _collide(other, register):
                raise DeclarationError(
                    f"registers {other.name} and {register.name} share offset {register.offset:#x}",
                    where=where,
                    fix="give them a bank or a direction (only='r' and only='w')",
                )
        seen.append(register)
    for register in registers:
        for one in register.fields:
            for gate in (one.swwe, one.swwel):
                if gate is not None:
                    _check_gate(registers, register, gate, where=where)


def _check_gate(
    registers: tuple[Register, ...], register: Register, gate: str, *, where: str
) -> None:
    """Check that the field a write depends on exists."""
    register_name, _, field_name = gate.rpartition(".")
    named = {one.name: one for one in registers}
    target = named.get(register_name) if register_name else register
    if target is None:
        raise DeclarationError(
            f"no register {register_name!r} for the gate {gate!r}",
            where=f"{where}: register {register.name}",
            fix=nearest(register_name, named),
        )
    target.field(field_name)


def _collide(one: Register, other: Register) -> bool:
    """Say whether one access could mean both registers."""
    apart = (
        one.offset >= other.offset + other.width // 8
        or other.offset >= one.offset + one.width // 8
        or {one.only, other.only} == {"r", "w"}
    )
    return not apart and (one.bank == other.bank or one.bank is None or other.bank is None)
