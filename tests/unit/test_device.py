"""Devices: behaviour bound to registers, ports that can be wrapped, settings, banks, pulses."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any, ClassVar

import pytest

from emu.errors import AccessError, DeclarationError
from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter, read_settings
from emu.kernel.register import Field, Register
from emu.units import parse_frequency


class FloatSensor(Device):
    """A float that measures the tide: a level, a control register and a few special cases."""

    KIND = "float"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("LEVEL", 0, (Field("MM", 0, 8, sw="r"),), bank=0),
        Register("RATE", 0, (Field("HZ", 0, 8),), bank=1),
        Register(
            "CTRL",
            1,
            (Field("GO", 0, singlepulse=True), Field("STOP", 1, singlepulse=True), Field("ON", 2)),
        ),
        Register("STATUS", 2, (Field("READY", 0, sw="r", onread="rclr"), Field("FULL", 4, 2))),
    )
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 1_000_000, "sampling clock"),
        Parameter("depth", int, 4, "samples kept", (4, 8), ("integer",)),
    )

    def __init__(self, name: str, clock: Clock, settings: dict[str, object] | None = None) -> None:
        super().__init__(name, clock, settings)
        self.log: list[tuple[object, ...]] = []

    def read_LEVEL(self) -> int:
        """Answer with a side effect."""
        self.log.append(("read",))
        return 0x42

    def peek_LEVEL(self) -> int:
        """Look without one."""
        return 0x42

    def write_RATE(self, data: int) -> None:
        """Keep half of what is written."""
        self.registers["RATE"].value = data // 2

    def after_write_RATE(self, old: int, new: int) -> None:
        """Note the change."""
        self.log.append(("rate", old, new))

    def after_read_STATUS(self, value: int) -> None:
        """Note what was read and what is left."""
        self.log.append(("status", value, self.registers["STATUS"].value))

    def after_write_STATUS(self, _old: int, new: int) -> None:
        """Switch the bank by FULL."""
        self.select_bank(new >> 4)

    def on_reset(self) -> None:
        """Note it."""
        self.log.append(("reset", self.bank))


def sensor(**settings: object) -> FloatSensor:
    """Make a sensor that is ready for accesses."""
    device = FloatSensor("tide", Clock(), settings)
    device.connect_ports()
    return device


def test_read_and_write_methods_replace_the_declared_access() -> None:
    """A device's own method answers instead of the stored value."""
    device = sensor()

    device.ports["RATE"].write(100)

    assert device.ports["LEVEL"].read() == 0x42
    assert device.peek("RATE") == 50


def test_after_methods_follow_the_access() -> None:
    """They are told the value read, and the values before and after a write."""
    device = sensor()
    device.registers["STATUS"].value = 1

    device.ports["STATUS"].read()
    device.ports["RATE"].write(8)
    device.ports["RATE"].write(20)

    assert device.log == [("status", 1, 0), ("rate", 0, 4), ("rate", 4, 10)]


def test_peek_has_no_side_effect() -> None:
    """Looking at a register or a field runs nothing and clears nothing."""
    device = sensor()
    device.registers["STATUS"].value = 0x21

    seen = [device.peek(name) for name in ("LEVEL", "LEVEL.MM", "STATUS.READY", "STATUS.FULL")]

    assert seen == [0x42, 0x42, 1, 2]
    assert (device.log, device.peek("STATUS")) == ([], 0x21)


def test_unknown_names_are_answered_with_the_nearest() -> None:
    """A misspelt register or field is an error that helps."""
    device = sensor()

    with pytest.raises(AccessError, match=r"tide: no register 'STATS'; did you mean 'STATUS'\?"):
        device.peek("STATS")
    with pytest.raises(DeclarationError, match=r"STATUS: no field 'REDY'; did you mean 'READY'\?"):
        device.peek("STATUS.REDY")


def test_reset_restores_registers_and_then_tells_the_behaviour() -> None:
    """After a reset bank 0 shows, registers hold reset values, and `on_reset` has run last."""
    device = sensor()
    device.ports["STATUS"].write(0x10)
    bank = device.bank

    device.reset()

    assert (bank, device.peek("STATUS"), device.log[-1]) == (1, 0, ("reset", 0))


def test_bank_listeners_hear_real_changes_only() -> None:
    """Selecting the bank that shows already is not a switch."""
    device = sensor()
    heard: list[int] = []
    device.bank_listeners.append(heard.append)

    for bank in (0, 1, 1, 0):
        device.select_bank(bank)

    assert heard == [1, 0]


@pytest.mark.parametrize("clock_hz", [1_000_000, 3_000_000, 0])
def test_pulse_lasts_one_cycle_of_the_device_clock(clock_hz: int) -> None:
    """A written 1 lasts one cycle (SystemRDL 2.0, 9.6.1-g); 1 ps without a clock."""
    device = sensor()
    device.clock_hz = clock_hz
    device.connect_ports()
    cycle_ps = 10**12 // clock_hz if clock_hz else 1
    device.clock.run_until(77)

    device.ports["CTRL"].write(0b101)
    seen = [device.peek("CTRL")]
    for at_ps in (77 + cycle_ps - 1, 77 + cycle_ps):
        device.clock.run_until(at_ps)
        seen.append(device.peek("CTRL"))

    assert seen == [0b101, 0b101, 0b100]


def test_pulses_run_each_for_itself_and_start_again() -> None:
    """A second write prolongs its own pulse and neither shortens nor prolongs the other's."""
    device = sensor()  # a cycle is 10**6 ps
    write, clock = device.ports["CTRL"].write, device.clock
    write(0b01)
    clock.run_until(600_000)
    write(0b11)
    seen = []
    for at_ps in (999_999, 1_000_000, 1_599_999, 1_600_000):
        clock.run_until(at_ps)
        seen.append(device.peek("CTRL"))

    assert seen == [0b11, 0b11, 0b11, 0b00]


def test_write_that_starts_no_pulse_schedules_nothing() -> None:
    """Only a 1 in a pulse field costs an event."""
    device = sensor()

    device.ports["CTRL"].write(0b100)
    device.clock.run_until(10**9)

    assert device.clock.events == 0


def doubled(read: Callable[[], int]) -> Callable[[], int]:
    """Wrap a reader so that it answers twice the value."""
    return lambda: 2 * read()


def test_wrapped_ports_stand_in_front_of_the_register() -> None:
    """Wrappers nest, the last one outermost, and whoever uses the port is told."""
    device = sensor()
    port = device.ports["STATUS"]
    told: list[str] = []
    device.rewiring.listeners.append(lambda: told.append("changed"))

    port.wrap_read(doubled)
    port.wrap_read(lambda read: lambda: read() + 1)
    port.wrap_write(lambda write: lambda data: write(data | 0x20))
    port.write(0)

    assert (port.read(), device.peek("STATUS"), len(told)) == (0x41, 0x20, 3)


def test_scrambled_device_is_in_a_state_that_software_could_reach() -> None:
    """The same seed leaves the same state, other seeds other ones, and reserved bits stay 0."""
    states = []
    for seed in (1, 1, 2, 3):
        device = sensor()
        device.scramble(random.Random(seed))
        states.append(tuple(device.peek(name) for name in ("RATE", "CTRL", "STATUS")))

    assert states[0] == states[1]
    assert len(set(states)) == 3
    assert all(status & 0xCE == 0 and control < 8 for _, control, status in states)


class Locked(Device):
    """Registers whose writes depend on a field elsewhere."""

    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("KEY", 0, (Field("OPEN", 0),)),
        Register("CONF", 1, (Field("A", 0, 3, swwe="KEY.OPEN"), Field("LOCK", 7))),
        Register("MORE", 2, (Field("B", 0, 3, swwel="LOCK"), Field("LOCK", 7))),
    )


def test_gates_read_the_field_they_name() -> None:
    """A path means another register of the device, a bare name the register itself."""
    device = Locked("gate", Clock())
    device.connect_ports()
    write = {name: port.write for name, port in device.ports.items()}
    write["CONF"](5)
    closed = device.peek("CONF")
    write["KEY"](1)
    write["CONF"](5)
    write["MORE"](0x83)
    write["MORE"](0x84)

    assert (closed, device.peek("CONF"), device.peek("MORE")) == (0, 5, 0x83)


def test_device_with_a_bad_declaration_cannot_be_made() -> None:
    """Faults of the register list are found when the device is built, with the device's name."""

    class Wrong(Device):
        REGISTERS: ClassVar[tuple[Register, ...]] = (
            Register("A", 0, (Field("F", 0),)),
            Register("B", 0, (Field("F", 0),)),
        )

    with pytest.raises(DeclarationError, match="device tide: registers A and B share offset 0x0"):
        Wrong("tide", Clock())


def test_size_follows_the_stride() -> None:
    """Registers that lie further apart take more of the bus."""
    device = sensor()

    assert [device.size_bytes(stride) for stride in (1, 2, 4, 8)] == [3, 6, 12, 24]


def test_device_with_nothing_to_access_has_no_size() -> None:
    """Neither registers nor memory is a fault of the declaration, said in words."""
    with pytest.raises(DeclarationError, match="device buoy: neither registers nor memory"):
        Device("buoy", Clock()).size_bytes(1)


def test_settings_take_defaults_and_units() -> None:
    """A setting is read as a person writes it; `clock` is what the driver sees."""
    device = sensor(clock="2 MHz")

    assert (device.clock_hz, device.settings) == (2_000_000, {"clock": 2_000_000, "depth": 4})


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"clok": 1}, r"device tide: unknown setting 'clok'; did you mean 'clock'\?"),
        ({"depth": 5}, "device tide.depth: depth=5; allowed: 4, 8"),
        ({"clock": "2 MHzz"}, "device tide.clock: "),
    ],
)
def test_wrong_setting_names_the_device_and_what_is_allowed(
    given: dict[str, Any], message: str
) -> None:
    """An unknown key, a value outside the choices and an unreadable value are told apart."""
    with pytest.raises(DeclarationError, match=message):
        read_settings(FloatSensor.PARAMETERS, given, where="device tide")


def test_halt_is_told_once() -> None:
    """A device that is halted twice follows once, and goes on once."""
    changes: list[bool] = []

    class Halting(FloatSensor):
        def on_halt(self) -> None:
            changes.append(self.halted)

    device = Halting("tide", Clock())
    for halted in (True, True, False, False):
        device.halt(halted)

    assert changes == [True, False]


class Valve(Device):
    """Pulses behind a gate, and one that the device takes without storing it."""

    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("GATE", 0, (Field("OPEN", 0, reset=1),)),
        Register("PULSE", 1, (Field("GO", 0, singlepulse=True, swwe="GATE.OPEN"),)),
        Register("TAKEN", 2, (Field("GO", 0, singlepulse=True),)),
    )

    def write_TAKEN(self, data: int) -> None:
        """Act on it and keep nothing."""


def test_write_behind_a_closed_gate_does_not_prolong_a_pulse() -> None:
    """Only a write that reaches the field starts its cycle again."""
    device = Valve("valve", Clock())
    device.clock_hz = 1_000_000
    device.connect_ports()
    write = {name: port.write for name, port in device.ports.items()}
    write["PULSE"](1)
    device.clock.run_until(600_000)
    write["GATE"](0)
    write["PULSE"](1)
    device.clock.run_until(1_000_000)

    assert device.peek("PULSE") == 0


def test_pulse_that_the_device_does_not_store_needs_no_end() -> None:
    """Nothing is scheduled for a bit that never shows."""
    device = Valve("valve", Clock())
    device.connect_ports()

    device.ports["TAKEN"].write(1)
    device.clock.run_until(10**9)

    assert device.clock.events == 0
