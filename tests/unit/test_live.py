"""Registers that hold a value: what software and hardware do to them, one rule at a time.

Rules: Accellera SystemRDL 2.0, January 2018, sections 9.5 to 9.9. Marked "from memory" where only
the value table and not the rule itself was at hand.
"""

from __future__ import annotations

from typing import Any

import pytest

from emu.errors import AccessError
from emu.kernel.live import LiveRegister
from emu.kernel.register import Field, Register


def live(width: int = 4, now_ps: int = 0, **parts: Any) -> LiveRegister:
    """Make a register with one field ``F`` at bit 0, at an instant that stays the same."""
    field = Field("F", 0, width, **parts)
    return LiveRegister(Register("R", 0, (field,)), where="tide.R", now_ps=lambda: now_ps)


# f = 0b1100 written with 0b1010. Derived worked values for the rules of property onwrite in
# SystemRDL 2.0 (January 2018): woset f|w, woclr f&~w, wot f^w, wzs f|~w, wzc f&w, wzt f^~w,
# wclr 0, wset all ones, no word: f = w.
WORKED = {
    "woset": 14,
    "woclr": 4,
    "wot": 6,
    "wzs": 13,
    "wzc": 8,
    "wzt": 9,
    "wclr": 0,
    "wset": 15,
    "wuser": 12,  # the device does it, the register itself nothing
    None: 10,
}


@pytest.mark.parametrize(("onwrite", "expected"), WORKED.items())
@pytest.mark.parametrize("compiled", [False, True])
def test_write_side_effects_by_worked_values(
    onwrite: str | None, expected: int, compiled: bool
) -> None:
    """Each write rule gives its worked value (SystemRDL 2.0, property onwrite), compiled or not."""
    register = live(reset=12, onwrite=onwrite)

    (register.compile_write() if compiled else register.write)(10)

    assert register.value == expected


@pytest.mark.parametrize(
    ("onread", "after"), [(None, 12), ("rclr", 0), ("rset", 15), ("ruser", 12)]
)
@pytest.mark.parametrize("compiled", [False, True])
def test_read_returns_the_old_value(onread: str | None, after: int, compiled: bool) -> None:
    """A read gives what was there, then has its effect (SystemRDL 2.0, 9.6; from memory)."""
    register = live(reset=12, onread=onread)

    first = (register.compile_read() if compiled else register.read)()

    assert (first, register.value) == (12, after)


@pytest.mark.parametrize(
    ("sw", "seen", "stored"),
    [("rw", 5, 5), ("r", 9, 9), ("w", 0, 5), ("rw1", 5, 5), ("w1", 0, 5), ("na", 0, 9)],
)
@pytest.mark.parametrize("compiled", [False, True])
def test_what_software_may_do(sw: str, seen: int, stored: int, compiled: bool) -> None:
    """Fields that software cannot read show 0, fields it cannot write keep their value."""
    register = live(reset=9, sw=sw)
    read = register.compile_read() if compiled else register.read
    write = register.compile_write() if compiled else register.write

    write(5)

    assert (read(), register.value) == (seen, stored)


@pytest.mark.parametrize("sw", ["rw1", "w1"])
def test_write_once_means_once_after_each_reset(sw: str) -> None:
    """The first write after a reset counts, the next do not, a reset allows another."""
    register = live(sw=sw)
    register.write(5)
    register.write(6)
    first = register.value
    register.reset()
    register.write(7)

    assert (first, register.value) == (5, 7)


@pytest.mark.parametrize(("only", "seen", "stored"), [("r", 3, 3), ("w", 0, 11), (None, 11, 11)])
@pytest.mark.parametrize("onwrite", [None, "woset"])
def test_one_way_register_ignores_the_other_way(
    only: str | None, seen: int, stored: int, onwrite: str | None
) -> None:
    """A register declared for reading keeps its value, one for writing shows 0."""
    field = Field("F", 0, 4, reset=3, onwrite=onwrite)
    register = LiveRegister(Register("R", 0, (field,), only=only))

    register.compile_write()(11)

    assert (register.compile_read()(), register.value) == (seen, stored)


def test_reserved_bits_read_zero_and_ignore_writes() -> None:
    """Bits of no field are not there."""
    register = live(width=4)

    register.write(0xFF)

    assert (register.read(), register.value) == (0x0F, 0x0F)


def test_reset_leaves_fields_without_a_reset_value() -> None:
    """A field whose reset is None keeps what it holds, its neighbours do not."""
    register = LiveRegister(
        Register("R", 0, (Field("KEPT", 0, 4, reset=None), Field("SET", 4, 4, reset=9)))
    )
    register.write(0x35)

    register.reset()

    assert register.value == 0x95


@pytest.mark.parametrize(
    ("parts", "gate", "stored"),
    [
        ({"swwe": "EN"}, 1, 6),
        ({"swwe": "EN"}, 0, 0),
        ({"swwel": "EN"}, 1, 0),
        ({"swwel": "EN"}, 0, 6),
    ],
)
def test_write_gates(parts: dict[str, Any], gate: int, stored: int) -> None:
    """``swwe`` lets writes through at 1, ``swwel`` at 0."""
    register = LiveRegister(
        Register("R", 0, (Field("F", 0, 4, **parts),)), gates={"EN": lambda: gate}
    )

    register.compile_write()(6)

    assert register.value == stored


def test_closed_gate_does_not_use_up_the_one_write() -> None:
    """A write that the gate held back was none, so a write-once field still takes the next."""
    state = [0]
    field = Field("F", 0, 4, sw="rw1", swwe="EN")
    register = LiveRegister(Register("R", 0, (field,)), gates={"EN": lambda: state[0]})

    register.write(5)
    state[0] = 1
    register.write(6)

    assert register.value == 6


def test_write_in_some_byte_lanes() -> None:
    """Lanes that a narrow write does not touch keep their bits, whatever the write rule."""
    fields = (Field("A", 0, 8, reset=0x11), Field("B", 8, 8, reset=0x22, onwrite="wclr"))
    plain = LiveRegister(Register("R", 0, (Field("A", 0, 16, reset=0x1122),), width=16))
    mixed = LiveRegister(Register("R", 0, fields, width=16))
    for register in (plain, mixed):
        register.enable = 0x00FF
        register.compile_write()(0x00A5)
        register.enable = -1

    assert (plain.value, mixed.value) == (0x11A5, 0x22A5)


def test_pulses_end_each_for_itself() -> None:
    """Ending one single-cycle field leaves the others; without a mask all end."""
    register = LiveRegister(
        Register("R", 0, tuple(Field(name, low, singlepulse=True) for low, name in enumerate("AB")))
    )
    register.write(3)
    register.end_pulse(1)
    one = register.value
    register.end_pulse()

    assert (one, register.value) == (2, 0)


def test_hardware_sets_and_clears_bits() -> None:
    """`hwset` and `hwclr` let the device change single bits that it may not write."""
    register = live(hw="r", hwset=True, hwclr=True)

    register.hw_set(0b1011)
    register.hw_clear(0b0010)

    assert register.value == 0b1001


@pytest.mark.parametrize(("parts", "action"), [({}, "hw_set"), ({"hwset": True}, "hw_clear")])
def test_change_that_hardware_may_not_make(parts: dict[str, Any], action: str) -> None:
    """A device model that breaks its own declaration is told which word is missing."""
    register = live(hw="r", **parts)
    word = action.replace("hw_set", "hwset").replace("hw_clear", "hwclr")

    with pytest.raises(AccessError, match=f"tide.R: hardware changes field F.*{word}=True"):
        getattr(register, action)(1)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [({}, 0b1111), ({"hwenable": 0b0110}, 0b0110), ({"hwmask": 0b0110}, 0b1001)],
)
@pytest.mark.parametrize("action", ["hw_write", "hw_set"])
def test_update_enable_and_mask(parts: dict[str, Any], expected: int, action: str) -> None:
    """Bits outside ``hwenable`` or inside ``hwmask`` are not updated by hardware."""
    register = live(**parts)

    getattr(register, action)(0b1111)

    assert register.value == expected


def test_hardware_does_not_write_fields_that_it_may_only_read() -> None:
    """`hw_write` presents a value to every field, and only those with ``hw`` w take it."""
    fields = (Field("A", 0, 4, hw="w"), Field("B", 4, 4, hw="r"))
    register = LiveRegister(Register("R", 0, fields))

    register.hw_write(0xFF)

    assert register.value == 0x0F


@pytest.mark.parametrize(
    ("sticky", "inputs", "values"),
    [
        ("nonsticky", [0b01, 0b10, 0], [0b01, 0b10, 0]),
        ("stickybit", [0b01, 0b10, 0], [0b01, 0b11, 0b11]),
        ("sticky", [0b01, 0b10, 0], [0b01, 0b01, 0b01]),
    ],
)
def test_sticky_fields(sticky: str, inputs: list[int], values: list[int]) -> None:
    """``stickybit`` holds each bit, ``sticky`` the whole first value, ``nonsticky`` nothing."""
    register = live(sticky=sticky, onwrite="woclr")
    seen = []
    for value in inputs:
        register.hw_write(value)
        seen.append(register.value)
    register.write(0b1111)
    register.hw_write(0b10)

    assert (seen, register.value) == (values, 0b10)


@pytest.mark.parametrize(
    ("parts", "after_set", "after_clear"),
    [
        ({"sticky": "sticky"}, 0b01, 0b01),
        ({"sticky": "stickybit"}, 0b11, 0b11),
        ({"sticky": "sticky", "hwset": True}, 0b11, 0b11),
        ({"sticky": "stickybit", "hwclr": True}, 0b11, 0b10),
        ({"intr": "level"}, 0b11, 0b11),
        ({}, 0b11, 0b10),
    ],
)
def test_sticky_against_single_bits(
    parts: dict[str, Any], after_set: int, after_clear: int
) -> None:
    """Held bits wait for software, unless the field says that the device may set or clear them."""
    register = live(**parts)
    register.hw_set(0b01)
    register.hw_set(0b10)
    both = register.value
    register.hw_clear(0b01)

    assert (both, register.value) == (after_set, after_clear)


@pytest.mark.parametrize(
    ("intr", "values"),
    [
        ("level", [0, 1, 1, 1, 1]),
        ("posedge", [0, 1, 0, 0, 1]),
        ("negedge", [0, 0, 0, 1, 0]),
        ("bothedge", [0, 1, 0, 1, 1]),
    ],
)
def test_interrupt_edges(intr: str, values: list[int]) -> None:
    """Which changes of the input 0, 1, 1, 0, 1 set the bit, software clearing it in between."""
    register = live(width=1, intr=intr, onwrite="woclr")
    seen = []
    for level in (0, 1, 1, 0, 1):
        register.hw_write(level)
        seen.append(register.value)
        if intr != "level":
            register.write(1)

    assert seen == values


def test_interrupt_that_is_not_sticky_follows_its_input() -> None:
    """Declared ``nonsticky``, a level interrupt bit falls with its input."""
    register = live(width=1, intr="level", sticky="nonsticky")
    seen = []
    for level in (1, 0, 1):
        register.hw_write(level)
        seen.append(register.value)

    assert seen == [1, 0, 1]


@pytest.mark.parametrize(("precedence", "stored"), [("sw", 0b0101), ("hw", 0b1101)])
def test_precedence_at_one_instant(precedence: str, stored: int) -> None:
    """Where hardware has precedence, software cannot undo what it did at the same instant."""
    time = [100]
    register = LiveRegister(
        Register("R", 0, (Field("F", 0, 4, precedence=precedence),)), now_ps=lambda: time[0]
    )
    register.hw_set(0b1000)

    register.compile_write()(0b0101)
    together = register.value
    time[0] = 101
    register.compile_write()(0)

    assert (together, register.value) == (stored, 0)


@pytest.mark.parametrize(("precedence", "left"), [("sw", 0), ("hw", 1)])
def test_event_at_the_instant_of_a_clearing_read(precedence: str, left: int) -> None:
    """An event that meets a read that clears is kept only where hardware has precedence."""
    register = live(width=1, precedence=precedence, onread="rclr")

    register.hw_set(1)

    assert (register.read(), register.value) == (1, left)


def test_precedence_is_not_taken_for_a_change_that_was_held_back() -> None:
    """Bits that ``hwmask`` keeps from hardware stay software's."""
    register = live(precedence="hw", hwmask=0b1000)
    register.hw_set(0b1100)

    register.write(0b1000)

    assert register.value == 0b1100


def test_field_access_for_tests_and_faults() -> None:
    """`get` looks without side effects, `put` sets whatever the access is, and only that field."""
    fields = (Field("A", 0, 4, sw="r", onread="rclr", reset=3), Field("B", 4, 4, sw="na"))
    register = LiveRegister(Register("R", 0, fields))

    register.put("B", 0x1A)

    assert (register.get("A"), register.get("B"), register.value) == (3, 0xA, 0xA3)
