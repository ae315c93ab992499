"""Good device models pass the rules; a model with one mistake fails them, and is told which.

The one idea: one small gauge that is right, and the same gauge with one method put in its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import pytest
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule, run_state_machine_as_test

from emu.devices.ram import Ram
from emu.devices.uart16550 import Uart16550
from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.register import Field, Register
from emu.testing import DeviceRules

SAME = settings(derandomize=True, database=None, deadline=None)
SHORT = settings(SAME, max_examples=50, stateful_step_count=30)
SHRINKING = settings(SHORT, phases=[Phase.generate, Phase.shrink])
FINDING = settings(SAME, max_examples=100, stateful_step_count=50, phases=[Phase.generate])


class Gauge(Device):
    """A float gauge: a level, a limit, an alarm that is cleared by a 1, an event cleared by a read.

    >>> Gauge.KIND
    'gauge'
    """

    KIND = "gauge"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("LEVEL", 0, (Field("CM", 0, 8, sw="r"),)),
        Register("LIMIT", 1, (Field("CM", 0, 6, reset=0x20, hw="r"),)),
        Register("STATUS", 2, (
            Field("ALARM", 0, hwset=True, onwrite="woclr"),
            Field("FAULT", 1, hwset=True, onwrite="woclr"),
            Field("HIGH", 4, sw="r"),
        )),
        Register("EVENT", 3, (
            Field("MOVED", 0, sw="r", hwset=True, onread="rclr"),
            Field("COUNT", 4, 4, sw="r"),
        )),
        Register("CONTROL", 4, (
            Field("GO", 0, sw="w", singlepulse=True),
            Field("SPEED", 1, 2),
            Field("KEY", 4, 4, sw="w", onwrite="wuser"),
        )),
        Register("NOTE", 5, (Field("DATA", 0, 8, reset=None),)),
    )  # fmt: skip

    def float_moves(self, level: int) -> None:
        """Take a new level in from the float."""
        registers = self.registers
        registers["LEVEL"].value = level
        registers["EVENT"].hw_set(0x01)
        high = level > registers["LIMIT"].value
        registers["STATUS"].put("HIGH", int(high))
        if high:
            registers["STATUS"].hw_set(0x01)
        self.irq.set(int(high))

    def fail(self) -> None:
        """Notice that the float is stuck."""
        self.registers["STATUS"].hw_set(0x02)

    def after_write_LIMIT(self, _old: int, new: int) -> None:
        """Compare the level with the new limit, and sound the alarm."""
        self.registers["STATUS"].put("HIGH", int(self.registers["LEVEL"].value > new))


class GaugeRules(DeviceRules):
    """The rules, and what comes from outside."""

    DEVICE = Gauge

    @rule(level=st.integers(0, 255))
    def tide(self, level: int) -> None:
        """Let the float move."""
        for gauge in self.devices:
            assert isinstance(gauge, Gauge)
            gauge.float_moves(level)

    @rule()
    def stick(self) -> None:
        """Let the float stick."""
        for gauge in self.devices:
            assert isinstance(gauge, Gauge)
            gauge.fail()


class UartRules(DeviceRules):
    """The rules for the serial controller, with characters and modem lines from outside."""

    DEVICE = Uart16550

    @rule(data=st.binary(max_size=3), flags=st.sampled_from([0, 0, 0x04, 0x08, 0x18]))
    def arrive(self, data: bytes, flags: int) -> None:
        """Let characters arrive, some of them in error."""
        for device in self.devices:
            assert isinstance(device, Uart16550)
            for byte in data:
                device.receive(byte, flags)

    @rule(name=st.sampled_from(["cts", "dsr", "ri", "dcd"]), level=st.integers(0, 1))
    def modem(self, name: str, level: int) -> None:
        """Let a modem line change."""
        for device in self.devices:
            device.signals[name].set(level)


class SmallUartRules(UartRules):
    """The same for the part without FIFOs."""

    SETTINGS: ClassVar[Mapping[str, object]] = {"fifo": 0}


class LargeUartRules(UartRules):
    """The same for the part with 64 bytes."""

    SETTINGS: ClassVar[Mapping[str, object]] = {"fifo": 64}


class RamRules(DeviceRules):
    """The rules for memory."""

    DEVICE = Ram
    SETTINGS: ClassVar[Mapping[str, object]] = {"size": 64}


@pytest.mark.slow
@pytest.mark.parametrize("rules", [GaugeRules, UartRules, SmallUartRules, LargeUartRules, RamRules])
def test_good_models_pass(rules: type[DeviceRules]) -> None:
    """The bench's own devices, and a gauge that is right, break none of the rules."""
    run_state_machine_as_test(rules, settings=SHORT)


# models with one mistake each


class WrongReset(Gauge):
    """Comes out of a reset with another limit than declared."""

    def on_reset(self) -> None:
        self.registers["LIMIT"].value = 0x10


class WritesReadOnly(Gauge):
    """Stores what is written to a status register, read-only bits included."""

    def write_STATUS(self, data: int) -> None:
        live = self.registers["STATUS"]
        live.value = (live.value & ~data & 0x03) | (data & 0x10)


class KeepsEvent(Gauge):
    """Forgets that a read clears."""

    def read_EVENT(self) -> int:
        return self.registers["EVENT"].value


class StoresFlags(Gauge):
    """Stores ones where ones should clear."""

    def write_STATUS(self, data: int) -> None:
        live = self.registers["STATUS"]
        live.value = (live.value & 0x10) | (data & 0x03)


class ClearsAll(Gauge):
    """Clears every flag when any is cleared."""

    def write_STATUS(self, data: int) -> None:
        if data & 0x03:
            self.registers["STATUS"].value &= 0x10


class PeekClears(Gauge):
    """Clears an event when somebody looks."""

    def peek_EVENT(self) -> int:
        value = self.registers["EVENT"].value
        self.registers["EVENT"].value &= ~0x01
        return value


class PeekCounts(Gauge):
    """Counts how often it was looked at, where only a read shows it."""

    looks = 0

    def peek_EVENT(self) -> int:
        self.looks += 1
        return self.registers["EVENT"].value

    def read_EVENT(self) -> int:
        live = self.registers["EVENT"]
        seen = live.value | min(self.looks, 15) << 4
        live.value = live.value & ~0x01
        return seen


class Meddles(Gauge):
    """Changes the limit when the speed is written."""

    def after_write_CONTROL(self, _old: int, new: int) -> None:
        self.registers["LIMIT"].value ^= new & 0x06


class WritesNote(Gauge):
    """Uses the register of notes, which has no code of its own, for notes of its own."""

    def float_moves(self, level: int) -> None:
        super().float_moves(level)
        self.registers["NOTE"].value = level


class KeepsReserved(Gauge):
    """Reads back what was written to reserved bits."""

    kept = 0

    def write_LIMIT(self, data: int) -> None:
        self.kept = data & 0xC0
        self.registers["LIMIT"].value = data & 0x3F

    def read_LIMIT(self) -> int:
        return self.registers["LIMIT"].value | self.kept


class ReadsReserved(Gauge):
    """Reads ones in bits of no field."""

    def read_LIMIT(self) -> int:
        return self.registers["LIMIT"].value | 0x80


class ReadsOther(Gauge):
    """Reads a level that is not the one it holds."""

    def read_LEVEL(self) -> int:
        return self.registers["LEVEL"].value & 0x7F


class WritableLevel(Gauge):
    """Does something on a write to a register with nothing to write."""

    def write_LEVEL(self, _data: int) -> None:
        self.registers["STATUS"].hw_set(0x02)


class ReservedIrq(Gauge):
    """Raises its interrupt line for a reserved bit."""

    def write_LIMIT(self, data: int) -> None:
        self.registers["LIMIT"].value = data & 0x3F
        self.irq.set(data >> 7)


class Leaky(Ram):
    """Memory that forgets after half a millisecond."""

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        clock.schedule(5 * 10**8, self.forget)

    def forget(self) -> None:
        """Lose what was stored in the first bytes."""
        assert self.memory is not None
        self.memory[:8] = bytes(8)


MISTAKES: dict[type[Device], str] = {
    WrongReset: "gauge: LIMIT.CM shows 0x10 after a reset, declared 0x20",
    WritesReadOnly: "bits that software cannot write made a difference",
    KeepsEvent: "gauge: EVENT.MOVED is 0x1 after a read, which should have cleared it",
    StoresFlags: "(woclr)",
    ClearsAll: "by a write of 0x",
    PeekClears: "gauge: peek of EVENT gives 0x1 or 0x0: a second peek says otherwise",
    PeekCounts: "peek has a side effect",
    Meddles: "gauge: LIMIT.CM is 0x",
    WritesNote: "or name it in BY_DEVICE",
    KeepsReserved: "gauge: reading LIMIT gives 0x",
    ReadsReserved: "gauge: LIMIT reads as 0xa0, with ones in bits that cannot be read",
    ReadsOther: "where peek had shown",
    WritableLevel: "a write to LEVEL, where there is nothing to write, leaves STATUS at 0x",
    ReservedIrq: "gauge: the interrupt line is at",
    Leaky: "ram: memory holds something else than was stored",
}


def rules_for(model: type[Device]) -> type[DeviceRules]:
    """Return the rules for a model."""
    base = RamRules if issubclass(model, Ram) else GaugeRules

    class Rules(base):  # type: ignore[misc, valid-type]
        DEVICE = model

    return Rules


@pytest.mark.slow
@pytest.mark.parametrize(
    ("model", "said"), MISTAKES.items(), ids=lambda one: getattr(one, "__name__", "")
)
def test_a_mistake_is_found_and_named(model: type[Device], said: str) -> None:
    """Each mistake fails the rules within 100 programs, with what is wrong where."""
    with pytest.raises(AssertionError) as caught:
        run_state_machine_as_test(rules_for(model), settings=FINDING)

    assert said in str(caught.value)


@pytest.mark.slow
def test_the_program_that_shows_a_mistake_is_short() -> None:
    """What Hypothesis hands back is what a person would write: move the float, read twice."""
    with pytest.raises(AssertionError) as caught:
        run_state_machine_as_test(rules_for(KeepsEvent), settings=SHRINKING)

    program = "\n".join(caught.value.__notes__).splitlines()
    steps = [line for line in program if line.startswith("state.") and "twins_agree" not in line]
    assert len(steps) <= 4
    assert any("tide" in step for step in steps)
    assert "state.read(name='EVENT')" in steps


class Tolerant(GaugeRules):
    """Rules for a model that says which field it changes by itself."""

    DEVICE = WritesNote
    BY_DEVICE = frozenset({"NOTE.DATA"})


@pytest.mark.slow
def test_a_field_that_the_device_changes_may_be_named() -> None:
    """A field in ``BY_DEVICE`` is left out, and the rest is checked as before."""
    run_state_machine_as_test(Tolerant, settings=SHORT)


def test_rules_are_a_test_case_of_their_own() -> None:
    """The rules of a model are what pytest and unittest collect."""
    assert hasattr(GaugeRules.TestCase, "runTest")
