"""Pins: what drives them, what is read of them, and which changes interrupt."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule

from emu.devices.gpio import PINS, Gpio
from emu.kernel.board import Board
from emu.kernel.bus import Window
from emu.testing import DeviceRules

IN, OUT, DIR, SET, CLEAR, TOGGLE = 0x00, 0x04, 0x08, 0x0C, 0x10, 0x14
DRAIN, ENABLE, EDGE, HIGH, BOTH, PENDING = 0x18, 0x1C, 0x20, 0x24, 0x28, 0x2C
ALL = (1 << PINS) - 1


class Harbour:
    """A board with pins on it."""

    def __init__(self) -> None:
        board = Board("harbour")
        self.io: Window = board.attach(Gpio, "pins", 0x5000_0000, irq=9)
        board.power_on()
        device = board.devices["pins"]
        assert isinstance(device, Gpio)
        self.pins = device

    def outside(self, pin: int, level: int) -> None:
        """Drive a pin from outside."""
        self.pins.signals[f"pin{pin}"].set(level)

    def pad(self, pin: int) -> int:
        """Return what a pad is driven to."""
        return self.pins.signals[f"pad{pin}"].level

    def write(self, **registers: int) -> None:
        """Write registers by name, in order."""
        for name, value in registers.items():
            self.io.write32(globals()[name], value)


@pytest.fixture
def harbour() -> Harbour:
    """Return a fresh board."""
    return Harbour()


def test_everything_is_an_input_after_reset(harbour: Harbour) -> None:
    """Pads are let go, so pulled up, and IN shows what comes from outside."""
    assert all(harbour.pad(pin) for pin in range(PINS))
    harbour.outside(3, 0)
    assert harbour.io.read32(IN) == ALL & ~0x08
    assert harbour.io.read32(PENDING) == ALL & 0x08  # a low level is what is sensed then
    assert not harbour.pins.irq.level


def test_an_output_drives_its_pad_and_is_read_back(harbour: Harbour) -> None:
    """The latch reaches the pad once the direction says so, and whatever the outside does."""
    harbour.write(OUT=0x01)
    assert harbour.pad(0) == 1
    assert harbour.pad(1) == 1
    harbour.write(DIR=0x03)
    assert (harbour.pad(0), harbour.pad(1)) == (1, 0)
    harbour.outside(0, 0)
    assert harbour.io.read32(IN) & 0x03 == 0x01


def test_a_direction_before_its_value_glitches(harbour: Harbour) -> None:
    """Who turns the driver on first drives the old level for a moment; the other order does not."""
    seen: list[int] = []
    harbour.pins.signals["pad4"].watch(seen.append)
    harbour.write(DIR=0x10, OUT=0x10)
    assert seen == [0, 1]
    harbour.write(DIR=0)
    seen.clear()
    harbour.write(OUT=0x10, DIR=0x10)
    assert seen == []


@given(
    start=st.integers(0, ALL),
    changes=st.lists(
        st.tuples(st.sampled_from(["SET", "CLEAR", "TOGGLE", "OUT"]), st.integers(0, ALL))
    ),
)
@settings(deadline=None, derandomize=True, database=None)
def test_the_aliases_change_only_the_bits_written(
    start: int, changes: list[tuple[str, int]]
) -> None:
    """OUT follows a plain integer, whatever is set, cleared, toggled or stored."""
    harbour = Harbour()
    harbour.write(DIR=ALL, OUT=start)
    expected = start
    for name, value in changes:
        harbour.write(**{name: value})
        expected = {
            "SET": expected | value, "CLEAR": expected & ~value, "TOGGLE": expected ^ value,
            "OUT": value,
        }[name]  # fmt: skip
        assert harbour.io.read32(OUT) == expected
        assert [harbour.pad(pin) for pin in range(PINS)] == [
            expected >> pin & 1 for pin in range(PINS)
        ]


def test_an_open_drain_is_low_or_let_go(harbour: Harbour) -> None:
    """A 1 does not drive, so the outside may pull the wire low and is read."""
    harbour.write(DRAIN=0x20, OUT=0x20, DIR=0x20)
    assert harbour.io.read32(IN) & 0x20
    harbour.outside(5, 0)
    assert not harbour.io.read32(IN) & 0x20
    harbour.write(CLEAR=0x20)
    assert harbour.pad(5) == 0


@pytest.mark.parametrize(
    ("high", "both", "moves", "pending"),
    [
        (1, 0, [0, 1], 1), (1, 0, [0], 0), (0, 0, [0], 1), (0, 0, [0, 1], 1), (1, 1, [0], 1),
        (0, 1, [0, 1], 1),
    ],
)  # fmt: skip
def test_edges_are_latched(
    harbour: Harbour, high: int, both: int, moves: list[int], pending: int
) -> None:
    """The edge that is asked for stays in PENDING until a 1 is written there."""
    harbour.write(EDGE=1, HIGH=high, BOTH=both, PENDING=ALL, ENABLE=1)
    for level in moves:
        harbour.outside(0, level)
    assert harbour.io.read32(PENDING) & 1 == pending
    assert harbour.pins.irq.level == pending
    harbour.write(PENDING=0)
    assert harbour.pins.irq.level == pending
    harbour.write(PENDING=1)
    assert not harbour.pins.irq.level


def test_an_old_edge_interrupts_once_it_is_enabled(harbour: Harbour) -> None:
    """What came before the enable is not forgotten, so it has to be cleared first."""
    harbour.write(EDGE=1)
    harbour.outside(0, 0)
    assert not harbour.pins.irq.level
    harbour.write(ENABLE=1)
    assert harbour.pins.irq.level


def test_a_level_goes_on_until_it_is_gone(harbour: Harbour) -> None:
    """Writing PENDING does not take a level away, the outside does."""
    harbour.write(HIGH=0, ENABLE=0x80)
    harbour.outside(7, 0)
    assert harbour.pins.irq.level
    harbour.write(PENDING=0x80)
    assert harbour.pins.irq.level
    harbour.outside(7, 1)
    assert not harbour.pins.irq.level


def test_one_edge_more_while_one_is_pending_is_one(harbour: Harbour) -> None:
    """PENDING holds one edge a pin: the second is no second interrupt."""
    harbour.write(EDGE=1, BOTH=1, ENABLE=1)
    for level in (0, 1, 0):
        harbour.outside(0, level)
    harbour.write(PENDING=1)
    assert not harbour.io.read32(PENDING) & 1


def test_a_device_that_stands_still_sees_the_pins_when_it_goes_on(harbour: Harbour) -> None:
    """While it is halted neither pads nor interrupts move; afterwards it looks once."""
    harbour.write(EDGE=1, BOTH=1, ENABLE=1, DIR=2)
    harbour.pins.halt(True)
    harbour.outside(0, 0)
    harbour.write(OUT=2)
    assert harbour.pad(1) == 0
    assert not harbour.pins.irq.level
    harbour.pins.halt(False)
    assert harbour.pad(1) == 1
    assert harbour.pins.irq.level


def test_reset_makes_inputs_of_all_pins(harbour: Harbour) -> None:
    """The pads are let go and nothing is pending, though a pin has moved meanwhile."""
    harbour.write(OUT=0, DIR=ALL, EDGE=ALL, BOTH=ALL, ENABLE=ALL)
    harbour.pins.reset()
    assert all(harbour.pad(pin) for pin in range(PINS))
    assert not harbour.pins.irq.level
    assert harbour.io.read32(DIR) == 0


class GpioRules(DeviceRules):
    """Whatever software and the outside do, the pins keep to their declaration."""

    DEVICE = Gpio
    BY_DEVICE = frozenset({"PENDING.PIN"})  # a level that is there is pending at once

    @rule(pin=st.integers(0, PINS - 1), level=st.integers(0, 1))
    def outside(self, pin: int, level: int) -> None:
        """Drive a pin of all three alike."""
        for device in self.devices:
            device.signals[f"pin{pin}"].set(level)


TestGpio = GpioRules.TestCase
TestGpio.settings = settings(
    derandomize=True, database=None, deadline=None, max_examples=50, stateful_step_count=30
)
