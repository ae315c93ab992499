"""Declarations of fields and registers: what may be said, and what is said of it.

Words and their constraints: Accellera SystemRDL 2.0, January 2018, sections 9.5 to 9.9.
"""

from __future__ import annotations

from typing import Any

import pytest

from emu.errors import DeclarationError
from emu.kernel.register import Field, Register, check_registers

LINE_STATUS = Register(
    "LSR",
    5,
    (
        Field("DR", 0, sw="r"),
        Field("ERRORS", 1, 4, sw="r", onread="rclr", values={1: "overrun"}),
        Field("THRE", 5, sw="r", reset=1),
    ),
    meaning="line status",
)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"sw": "wr"}, "sw='wr' is not a word of SystemRDL; allowed: rw, r, w, rw1, w1, na"),
        ({"hw": "x"}, "hw='x' is not a word"),
        ({"onread": "clr"}, r"onread='clr' .*allowed: rclr, rset, ruser; did you mean 'rclr'\?"),
        ({"onwrite": "w1c"}, "onwrite='w1c' is not a word"),
        ({"precedence": "fw"}, "precedence='fw'.*allowed: sw, hw"),
        ({"sticky": "yes"}, "sticky='yes'.*allowed: sticky, stickybit, nonsticky"),
        ({"intr": "edge"}, "intr='edge'.*allowed: level, posedge, negedge, bothedge"),
        ({"low": -1}, "low=-1, width=1; allowed: low 0 or more, width 1 or more"),
        ({"width": 0}, "low=0, width=0"),
        ({"width": 2, "reset": 4}, "reset=0x4 does not fit 2 bits; allowed: 0x0 to 0x3"),
        ({"reset": -1}, "reset=-0x1 does not fit"),
        ({"singlepulse": True, "width": 2}, "singlepulse needs width 1, reset 0 and no onwrite"),
        ({"singlepulse": True, "reset": 1}, "singlepulse needs width 1, reset 0"),
        ({"singlepulse": True, "onwrite": "woset"}, "singlepulse needs .*no onwrite"),
        ({"singlepulse": True, "sw": "r"}, "singlepulse needs a field that software can write"),
        ({"onwrite": "woclr", "sw": "r"}, "onwrite='woclr' on a field that software cannot write"),
        ({"onread": "rclr", "sw": "w"}, "onread='rclr' on a field that software cannot read"),
        ({"onread": "rset", "sw": "w1"}, "onread='rset' on a field that software cannot read"),
        ({"swwe": "EN", "swwel": "LOCK"}, "swwe and swwel together"),
        ({"hwenable": 1, "hwmask": 1}, "hwenable and hwmask together"),
    ],
)
def test_field_that_contradicts_itself_is_refused(wrong: dict[str, Any], message: str) -> None:
    """Each fault is named with the field, its value and what is allowed (9.5 to 9.9, 9.6.1-g)."""
    parts: dict[str, Any] = {"low": 0, **wrong}

    with pytest.raises(DeclarationError, match=f"field LEVEL: {message}"):
        Field("LEVEL", **parts)


@pytest.mark.parametrize(
    ("sw", "readable", "writable"),
    [
        ("rw", True, True),
        ("r", True, False),
        ("w", False, True),
        ("rw1", True, True),
        ("w1", False, True),
        ("na", False, False),
    ],
)
def test_software_access_words(sw: str, readable: bool, writable: bool) -> None:
    """What each value of `sw` lets software do (SystemRDL 2.0, the values of property sw)."""
    field = Field("F", 0, sw=sw)

    assert (field.readable, field.writable) == (readable, writable)


def test_field_says_where_it_is_and_what_it_does() -> None:
    """Mask, bit range and access phrase are what a printed map shows."""
    field = Field("LEVEL", 6, 2, onread="rclr", onwrite="woset")
    pulse = Field("GO", 3, singlepulse=True, sw="w")

    assert (field.mask, field.bits, field.access) == (0xC0, "7:6", "rw rclr woset")
    assert (pulse.mask, pulse.bits, pulse.access) == (0x08, "3", "w singlepulse")


@pytest.mark.parametrize(
    ("parts", "held"),
    [
        ({}, "nonsticky"),
        ({"sticky": "sticky"}, "sticky"),
        ({"intr": "posedge"}, "stickybit"),
        ({"intr": "level"}, "stickybit"),
        ({"intr": "level", "sticky": "nonsticky"}, "nonsticky"),
    ],
)
def test_interrupt_fields_are_sticky_by_default(parts: dict[str, Any], held: str) -> None:
    """A bit that stands for an interrupt is held until software clears it, unless it says not."""
    assert Field("F", 0, **parts).held == held


def test_register_adds_up_its_fields() -> None:
    """Reset value, reserved bits and directions follow from the fields."""
    assert LINE_STATUS.reset == 0x20
    assert LINE_STATUS.reserved == 0xC0
    assert (LINE_STATUS.readable, LINE_STATUS.writable) == (True, False)
    assert LINE_STATUS.mask_of(lambda one: one.onread) == 0x1E


def test_reset_that_leaves_a_field_alone_counts_as_zero() -> None:
    """A field without a reset value adds nothing to the printed one."""
    register = Register("DLL", 0, (Field("LOW", 0, 4, reset=None), Field("HIGH", 4, 4, reset=3)))

    assert register.reset == 0x30


@pytest.mark.parametrize(
    ("only", "readable", "writable"), [(None, True, True), ("r", True, False), ("w", False, True)]
)
def test_one_way_register(only: str | None, readable: bool, writable: bool) -> None:
    """A register declared for one direction has the other closed whatever its fields say."""
    register = Register("R", 0, (Field("F", 0),), only=only)

    assert (register.readable, register.writable) == (readable, writable)


def test_field_by_name() -> None:
    """A field is found by its name; a wrong one is answered with the nearest."""
    assert LINE_STATUS.field("THRE").low == 5
    with pytest.raises(DeclarationError, match=r"LSR: no field 'THR'; did you mean 'THRE'\?"):
        LINE_STATUS.field("THR")


def test_describe_names_what_is_set() -> None:
    """Flags appear by name, values by their own name or in hex, zeros not at all."""
    assert list(LINE_STATUS.describe(0x23)) == ["DR", "ERRORS=overrun", "THRE"]
    assert list(LINE_STATUS.describe(0x1C)) == ["ERRORS=0xe"]
    assert list(LINE_STATUS.describe(0)) == []


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"width": 12}, "register R: width=12; allowed: 8, 16, 32, 64"),
        ({"offset": -1}, "register R: offset=-0x1; allowed: 0 or more, a multiple of 1"),
        ({"offset": 2, "width": 32}, "offset=0x2; allowed: 0 or more, a multiple of 4"),
        ({"fields": (Field("F", 7, 2),)}, r"field F \[8:7\] lies outside 8 bits"),
        (
            {"fields": (Field("F", 0, 4), Field("G", 3, 1))},
            r"field G \[3\] overlaps an earlier field",
        ),
    ],
)
def test_register_that_cannot_be_is_refused(parts: dict[str, Any], message: str) -> None:
    """Place, width and fields of a register must fit together."""
    given: dict[str, Any] = {"offset": 0, "fields": (), **parts}

    with pytest.raises(DeclarationError, match=message):
        Register("R", **given)


def register(name: str, offset: int, **parts: Any) -> Register:
    """Declare a register of one plain field."""
    return Register(name, offset, (Field("F", 0),), **parts)


@pytest.mark.parametrize(
    "pair",
    [
        (register("RBR", 0, only="r"), register("THR", 0, only="w")),
        (register("DLL", 0, bank=1), register("RBR", 0, bank=0)),
        (register("A", 0), register("B", 1)),
        (register("A", 0, width=32), register("B", 4, width=32)),
    ],
)
def test_registers_that_no_access_can_mix_up(pair: tuple[Register, Register]) -> None:
    """One-way pairs, different banks and different offsets may stand beside each other."""
    check_registers(pair, where="device tide")


@pytest.mark.parametrize(
    "pair",
    [
        (register("A", 0), register("B", 0)),
        (register("A", 0, only="r"), register("B", 0)),
        (register("A", 0, only="r"), register("B", 0, only="r")),
        (register("A", 0, bank=1), register("B", 0)),
        (register("A", 0, bank=1), register("B", 0, bank=1)),
        (register("A", 0, width=32), register("B", 3)),
        (register("A", 3), register("B", 2, width=16)),
    ],
)
def test_registers_that_share_an_offset_are_refused(pair: tuple[Register, Register]) -> None:
    """An access that could mean two registers is a fault of the declaration; both are named."""
    with pytest.raises(DeclarationError, match="device tide: registers A and B share offset"):
        check_registers(pair, where="device tide")


def test_two_registers_of_one_name_are_refused() -> None:
    """Names are unique within a device."""
    with pytest.raises(DeclarationError, match="register A is declared twice"):
        check_registers((register("A", 0), register("A", 4)), where="device tide")


@pytest.mark.parametrize(
    ("gate", "message"),
    [
        ("LOK", r"register CTRL: no field 'LOK'; did you mean 'LOCK'\?"),
        ("LCR.LOCK", r"no register 'LCR' for the gate 'LCR.LOCK'; known: CTRL"),
        ("CTRL.LOK", "no field 'LOK'"),
    ],
)
def test_gate_that_does_not_exist_is_refused(gate: str, message: str) -> None:
    """A misspelt write-enable is found when the device is built, not at the first write."""
    control = Register("CTRL", 0, (Field("LOCK", 0), Field("RATE", 1, 3, swwel=gate)))

    with pytest.raises(DeclarationError, match=message):
        check_registers((control,), where="device tide")


def test_gate_may_stand_in_the_same_or_another_register() -> None:
    """A bare name means the register's own field, a path any register of the device."""
    gates = (Field("LOCK", 0), Field("A", 1, swwel="LOCK"), Field("B", 2, swwe="KEY.OPEN"))

    check_registers(
        (Register("CTRL", 0, gates), Register("KEY", 1, (Field("OPEN", 0),))), where="device tide"
    )
