"""Faults between the bus and a register: stuck and flipped bits, lost writes, bus errors.

Each wraps the port of the register concerned. What the fault does to a value is what rules and
driver see; the device behind it goes on by its own truth.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from emu.errors import EmuError
from emu.faults.attached import Attached
from emu.faults.kind import Complaint, FaultKind, needs_registers, parse_path, parse_whole
from emu.faults.target import Target
from emu.faults.waiver import CUT_OFF, MISREAD, MISWRITTEN, UNSETTLED
from emu.kernel.bus import Region
from emu.kernel.device import Port, ReadPort, WritePort
from emu.kernel.parameter import Parameter
from emu.units import parse_duration

__all__ = ["KINDS", "change_reads", "port_of", "region_of"]


def port_of(fault: Attached) -> Port:
    """Return the port of the register that a fault is on."""
    return fault.target.owner.ports[fault.target.the_register.name]


def region_of(fault: Attached) -> Region:
    """Return how the device that a fault is on lies on the bus."""
    device = fault.target.owner
    return next(one for one in fault.board.bus.regions if one.device is device)


def change_reads(fault: Attached, change: Callable[[int], int]) -> None:
    """Show ``change(value)`` in the place of `value` on each occasion."""
    port = port_of(fault)
    register = port.register.declaration

    def wrap(read: ReadPort) -> ReadPort:
        def read_changed() -> int:
            value = read()
            if not fault.occasion():
                return value
            shown = change(value)
            if shown != value:
                fault.misread(register, value, shown)
            return shown

        return read_changed

    port.wrap_read(wrap)


def _change_writes(fault: Attached, change: Callable[[int], int]) -> None:
    """Write ``change(data)`` in the place of `data` on each occasion."""
    port = port_of(fault)
    register = port.register.declaration

    def wrap(write: WritePort) -> WritePort:
        def write_changed(data: int) -> None:
            taken = change(data) if fault.occasion() else data
            if taken != data:
                fault.miswrite(register, data, taken)
            write(taken)

        return write_changed

    port.wrap_write(wrap)


# stuck-field


def _stick(fault: Attached) -> None:
    field = fault.target.the_field
    mask: int = field.mask
    forced: int = fault.settings["value"] << field.low

    def change(value: int) -> int:
        return value & ~mask | forced

    change_reads(fault, change)
    if field.writable and field.onwrite in (None, "wuser"):
        _change_writes(fault, change)


def _needs_value(target: Target, settings: Mapping[str, Any]) -> Iterator[Complaint]:
    field, value = target.the_field, settings["value"]
    most = (1 << field.width) - 1
    if value is None:
        yield Complaint("value is missing", f"0 to {most:#x}", "say what the field is stuck at")
    elif value > most:
        yield Complaint(f"value={value:#x} does not fit {field.name}", f"0 to {most:#x}")


# flip-on-read


def _flip(fault: Attached) -> None:
    field, given = fault.target.field, fault.settings["mask"]
    width = port_of(fault).register.declaration.width
    fixed = given or (field.mask if field is not None else 0)
    if fixed:
        change_reads(fault, lambda value: value ^ fixed)
    else:
        change_reads(fault, lambda value: value ^ 1 << fault.random.randrange(width))


def _needs_mask(target: Target, settings: Mapping[str, Any]) -> Iterator[Complaint]:
    register, mask = target.the_register, settings["mask"]
    most = (1 << register.width) - 1
    if mask > most:
        yield Complaint(f"mask={mask:#x} does not fit {register.name}", f"0 to {most:#x}")
    if mask and target.field is not None:
        yield Complaint(
            f"mask={mask:#x} beside a field", "a mask or a field",
            f"name the register alone: {target.path.rpartition('.')[0]}",
        )  # fmt: skip


# dropped-write, write-ignored-while-busy


def _drop(fault: Attached, busy: Callable[[], bool] | None = None) -> None:
    port = port_of(fault)
    register = port.register.declaration

    def wrap(write: WritePort) -> WritePort:
        def write_or_not(data: int) -> None:
            if (busy is None or busy()) and fault.occasion():
                fault.inject(f"{register.name} write of {data:#04x} lost", f"write {register.name}")
            else:
                write(data)

        return write_or_not

    port.wrap_write(wrap)


def _drop_while_busy(fault: Attached) -> None:
    settings, device, clock = fault.settings, fault.target.owner, fault.clock
    wait_ps, path, value = settings["busy_for"], settings["busy_field"], settings["busy_value"]
    free_ps = 0

    def busy() -> bool:
        return clock.now_ps < free_ps or bool(path and device.peek(path) == value)

    def begin(write: WritePort) -> WritePort:
        def write_begins(data: int) -> None:
            nonlocal free_ps
            write(data)
            free_ps = clock.now_ps + wait_ps

        return write_begins

    port_of(fault).wrap_write(begin)
    _drop(fault, busy)


def _needs_busy(target: Target, settings: Mapping[str, Any]) -> Iterator[Complaint]:
    path: str = settings["busy_field"]
    if not path and not settings["busy_for"]:
        yield Complaint(
            "nothing says when the device is busy", "busy_for, busy_field or both",
            "busy_for: 10 us",
        )  # fmt: skip
    if path:
        try:
            target.owner.peek(path)
        except EmuError as error:
            yield Complaint(f"busy_field={path!r}: {error.what}", "REG.FIELD", error.fix)


# bus-error


def _fail(fault: Attached) -> None:
    device, register = fault.target.owner, fault.target.register
    names = [register.name] if register is not None else list(device.ports)
    for name in names:
        _fail_port(fault, device.ports[name], fault.settings["access"])


def _fail_port(fault: Attached, port: Port, way: str) -> None:
    region, declaration = region_of(fault), port.register.declaration
    offset = declaration.offset // fault.target.owner.unit_bytes * region.stride
    width = declaration.width if declaration.width in region.widths else region.widths[0]

    def fail(direction: str) -> None:
        fault.inject(
            f"{declaration.name} {direction} ends in a bus error",
            f"{direction} {declaration.name}",
        )
        fault.board.bus.fail(region, direction, offset, width, "the device did not answer")

    def wrap_read(read: ReadPort) -> ReadPort:
        def read_or_fail() -> int:
            if fault.occasion():
                fail("read")
            return read()

        return read_or_fail

    def wrap_write(write: WritePort) -> WritePort:
        def write_or_fail(data: int) -> None:
            if fault.occasion():
                fail("write")
            write(data)

        return write_or_fail

    if way != "write" and declaration.only != "w":
        port.wrap_read(wrap_read)
    if way != "read" and declaration.only != "r":
        port.wrap_write(wrap_write)


KINDS = (
    FaultKind(
        "stuck-field", "a field reads as one value, and takes no other when it is written",
        ("field",), "access", _stick,
        (Parameter("value", parse_whole, None, "what the field is stuck at"),),
        waives=tuple(dict.fromkeys(MISREAD + MISWRITTEN)), unsettles=UNSETTLED,
        needs=_needs_value,
    ),
    FaultKind(
        "flip-on-read", "bits are inverted on the way from the register to the processor",
        ("field", "register"), "access", _flip,
        (Parameter("mask", parse_whole, 0, "bits to flip, 0 for the field or one bit at random"),),
        waives=MISREAD, unsettles=UNSETTLED, needs=_needs_mask,
    ),
    FaultKind(
        "dropped-write", "a write does not reach the register",
        ("register",), "access", _drop, waives=MISWRITTEN, unsettles=UNSETTLED,
    ),
    FaultKind(
        "write-ignored-while-busy", "a write that comes while the device is busy has no effect",
        ("register",), "access", _drop_while_busy,
        (
            Parameter("busy_for", parse_duration, 0, "how long a write keeps the device busy"),
            Parameter("busy_field", parse_path, "", "REG.FIELD that says that it is busy",
                      json_type=("string",)),
            Parameter("busy_value", parse_whole, 1, "value of busy_field while it is"),
        ),
        waives=MISWRITTEN, unsettles=UNSETTLED, needs=_needs_busy,
    ),
    FaultKind(
        "bus-error", "an access ends in a bus error and does not reach the register",
        ("register", "device"), "access", _fail,
        (Parameter("access", str, "any", "which accesses", ("any", "read", "write"), ("string",)),),
        waives=CUT_OFF, needs=needs_registers,
    ),
)  # fmt: skip
