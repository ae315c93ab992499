"""Faults on everything, for ever or for a while: no good driver is accused of what a fault did.

The one idea: a table of every kind of fault on every target of a serial controller that it fits,
run with the example drivers. Nothing may be found, nothing broken, and every run comes to its end.
What a fault excuses, and what it does not, is in `tests/quality/test_narrow_waivers.py`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.polled import (
    ALL_ONES,
    DATA_READY,
    LSR,
    THR,
    PolledDriver,
    divisor_for,
    line_control,
)
from emu.devices.uart16550_map import REGISTERS
from emu.faults.kinds import FAULT_KINDS
from emu.faults.plan import FaultPlan, FaultSpec
from emu.faults.spell import fault
from emu.kernel.clock import PS_PER_S
from emu.kernel.register import Field, Register
from emu.line.plan import FarEndPlan
from emu.scenario.model import Limits, Step
from emu.scenario.outcome import Outcome
from emu.units import LineSettings
from tests.driven_run import MS, broken, outcome_of

DRIVERS = (PolledDriver, InterruptDriver)


class Trusting(PolledDriver):
    """Writes a setting once and believes in it: correct, and helpless where a write is lost."""

    def _store(self, register: int, value: int) -> bool:
        self._put(register, value)
        return True

    def _settings_lost(self) -> bool:
        return False


class Raising(Trusting):
    """Lets each bus error out of the call that met it, and leaves the rest to its caller."""

    def _get(self, register: int) -> int:
        return self._io.read8(register * self._stride)

    def _put(self, register: int, value: int) -> None:
        self._io.write8(register * self._stride, value)

    def open(self, line: LineSettings) -> None:
        self.close()
        self._divisor = divisor_for(self._io.clock_hz, line.baud)
        self._line_control = line_control(line)
        self._character_s = line.character_s
        self._silence_leftovers()
        self._programmed = self._program()
        self._received.clear()
        self._is_open = True

    def _look(self) -> int:
        status = self._get(LSR)
        if status == ALL_ONES:
            status = self._second_look()
        self._count(status)
        if status & DATA_READY:
            self._take_character(status)
        return status

    def _load(self, chunk: bytes) -> int:
        for byte in chunk:
            self._put(THR, byte)
        return len(chunk)


PLAIN = (Trusting, Raising)
PORT = "telemetry"
TEXT = bytes(range(0x30, 0x44))
STEPS = (
    Step("exchange", data=TEXT, count=len(TEXT)),
    Step("drain"),
    Step("reopen"),
    Step("send", data=TEXT[::-1]),
    Step("receive", count=len(TEXT)),
)
FAR_ENDS = (
    FarEndPlan("echo"),
    FarEndPlan("source", data=bytes(range(0x50, 0x78)), burst_bytes=20, pause_ps=3 * MS),
)
PASSING: tuple[dict[str, Any], ...] = (
    {"start": "1 ms", "until": "2 ms"},
    {"start": "1 ms", "until": "3 ms", "probability": "50 %"},
    {"until": "150 us"},
    {"start": "300 us", "until": "700 us", "probability": "30 %"},
    {"first": 3, "count": 1},
    {"first": 5, "count": 2},
    {"start": "1500 us"},
    {"probability": "50 %"},
    {"probability": "5 %"},
)
"""Windows in the middle of traffic, while opening, single occasions, and chances without end."""

Cell = tuple[str, str, Mapping[str, object]]  # kind, target, its own settings


def of_field(register: Register, field: Field) -> Iterator[Cell]:
    """Yield what can befall one field; one that only reads as 0 is never ready."""
    path = f"{PORT}.{register.name}.{field.name}"
    yield "stuck-field", path, {"value": (1 << field.width) - 1}
    if field.writable:
        yield "stuck-field", path, {"value": 0}
    if register.only != "w":
        yield "flip-on-read", path, {}
        yield "never-ready", path, {}
        yield "late-ready", path, {"reads": 3} if field.writable else {"delay": "4 ms"}


def of_register(register: Register) -> Iterator[Cell]:
    """Yield what can befall a register as a whole."""
    path = f"{PORT}.{register.name}"
    if register.only != "w":
        yield "flip-on-read", path, {}
        yield "flip-on-read", path, {"mask": 0xFF}
        yield "bus-error", path, {"access": "read"}
    if register.writable:
        yield "dropped-write", path, {}
        yield "write-ignored-while-busy", path, {"busy_for": "200 us"}
        yield "write-ignored-while-busy", path, {"busy_field": "LSR.TEMT", "busy_value": 0}
        yield "write-ignored-while-busy", path, {"busy_field": "LSR.TEMT", "busy_value": 1}
        yield "bus-error", path, {"access": "write"}
    yield "bus-error", path, {}


OF_DEVICE: tuple[Cell, ...] = (
    *(("bus-error", PORT, {"access": way}) for way in ("any", "read", "write")),
    *((kind, PORT, {}) for kind in ("all-ones", "random-state", "device-stops", "overrun",
                                    "framing-error", "parity-error", "break")),
    *(("reset-in-flight", PORT, {"every": every}) for every in ("0", "100 us", "1 ms")),
)  # fmt: skip
OF_WIRES: tuple[Cell, ...] = (
    ("noise", f"{PORT}.sin", {"per_second": 3000}),
    ("noise", f"{PORT}.sout", {"per_second": 3000}),
    ("noise", f"{PORT}.sout", {"per_second": 300, "width": "50 us"}),
    ("baud-drift", f"{PORT}.sin", {"to": "+9 %"}),
    ("baud-drift", f"{PORT}.sin", {"to": "-3 %", "over": "2 ms"}),
    ("spurious-interrupt", f"{PORT}.irq", {}),
    ("spurious-interrupt", f"{PORT}.irq", {"every": "20 us"}),
    ("withdrawn-interrupt", f"{PORT}.irq", {}),
    ("lost-interrupt", f"{PORT}.irq", {}),
    ("delayed-interrupt", f"{PORT}.irq", {"duration": "50 us"}),
    ("delayed-interrupt", f"{PORT}.irq", {"duration": "5 ms"}),
    ("stuck-interrupt", f"{PORT}.irq", {}),
    ("cpu-stalled", "cpu", {"duration": "100 us", "every": "300 us"}),
    ("cpu-stalled", "cpu", {"duration": "3 ms", "every": "4 ms"}),
    ("cpu-masked", "cpu", {"duration": "100 us", "every": "300 us"}),
    ("cpu-masked", "cpu", {"duration": "3 ms", "every": "4 ms"}),
)


def table() -> Iterator[Cell]:
    """Yield every kind of fault on every target that it fits."""
    for register in REGISTERS:
        yield from of_register(register)
        for field in register.fields:
            yield from of_field(register, field)
    yield from OF_DEVICE
    yield from OF_WIRES


def grouped() -> dict[str, list[tuple[int, Cell]]]:
    """Return the numbered table by kind and register, device or wire."""
    groups: dict[str, list[tuple[int, Cell]]] = {}
    for number, cell in enumerate(table()):
        kind, target, _ = cell
        groups.setdefault(f"{kind} {'.'.join(target.split('.')[:2])}", []).append((number, cell))
    return groups


GROUPS = grouped()


def played(driver: type, number: int, spec: FaultSpec) -> Outcome:
    """Return the outcome of traffic both ways; what hangs at the far end goes by the number."""
    return outcome_of(
        driver, *STEPS,
        far_end=FAR_ENDS[number % len(FAR_ENDS)],
        line=LineSettings(115_200, parity="even" if spec.kind == "parity-error" else "none"),
        limits=Limits(time_ps=10 * PS_PER_S, call_ps=3 * MS),
        faults=FaultPlan.of([spec]),
    )  # fmt: skip


def accusations(outcome: Outcome) -> dict[str, str]:
    """Return everything that is held against the driver."""
    return {one.rule: one.message for one in outcome.findings} | broken(outcome)


def test_the_table_is_whole() -> None:
    """Every kind of fault stands in the table, every register and every field."""
    cells = list(table())
    assert {kind for kind, _, _ in cells} == set(FAULT_KINDS)
    targets = {target for _, target, _ in cells}
    assert {f"{PORT}.{one.name}" for one in REGISTERS} <= targets
    assert {f"{PORT}.{one.name}.{bits.name}" for one in REGISTERS for bits in one.fields} <= targets
    assert len(cells) > 280


@pytest.mark.slow
@pytest.mark.parametrize("driver", DRIVERS)
@pytest.mark.parametrize("group", GROUPS)
def test_a_fault_that_never_ends(group: str, driver: type) -> None:
    """Whatever is broken for good, a good driver is clean, within bounded time."""
    found = {}
    for number, (kind, target, settings) in GROUPS[group]:
        outcome = played(driver, number, fault(kind, target, **settings))
        found[f"{kind} {target} {settings}"] = accusations(outcome)
        assert outcome.measures.time_ps < 3 * PS_PER_S
    assert {cell: one for cell, one in found.items() if one} == {}


@pytest.mark.slow
@pytest.mark.parametrize("group", GROUPS)
def test_a_fault_that_passes_or_comes_by_chance(group: str) -> None:
    """In the middle of traffic, while opening, once, or now and then: a good driver is clean."""
    found = {}
    for number, (kind, target, settings) in GROUPS[group]:
        window = PASSING[number % len(PASSING)]
        driver = DRIVERS[number // len(PASSING) % len(DRIVERS)]
        outcome = played(driver, number, fault(kind, target, **window, **settings))
        found[f"{kind} {target} {settings} {window} {driver.__name__}"] = accusations(outcome)
        assert outcome.measures.time_ps < 5 * PS_PER_S
    assert {cell: one for cell, one in found.items() if one} == {}


@pytest.mark.slow
@pytest.mark.parametrize("group", GROUPS)
def test_drivers_that_read_nothing_back(group: str) -> None:
    """A driver that trusts the device, or its caller, is correct too, and is not accused."""
    found = {}
    for number, (kind, target, settings) in GROUPS[group]:
        window = ({}, *PASSING)[number * 7 % (len(PASSING) + 1)]
        driver = PLAIN[number // 2 % len(PLAIN)]
        outcome = played(driver, number, fault(kind, target, **window, **settings))
        found[f"{kind} {target} {settings} {window} {driver.__name__}"] = accusations(outcome)
    assert {cell: one for cell, one in found.items() if one} == {}
