"""Rules that follow from a declaration alone: registers, reserved bits, widths.

The one idea: they know nothing of what a device does, so they hold for any device. A device that
knows more says so by a `Leeway`, for instance that an offset was meant to be another register.
Each rule says in its docstring why a correct driver cannot trip it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from emu.kernel.bus import Bus, Region
from emu.kernel.device import Device, Port, ReadPort, WritePort
from emu.kernel.misuse import why_refused
from emu.kernel.register import Register
from emu.rules.context import Context

__all__ = ["FreeHand", "Leeway", "watch_bus", "watch_registers"]


class Leeway(Protocol):
    """What a device knows better than its declaration."""

    def meant(self, register: str) -> bool:
        """Say whether an access that reached `register` was meant for it."""

    def spare(self, register: str) -> int:
        """Return reserved bits that other parts of the family give a meaning."""


class FreeHand:
    """Know nothing better."""

    def meant(self, register: str) -> bool:  # noqa: ARG002 - the protocol's signature
        """Take every access for what it is."""
        return True

    def spare(self, register: str) -> int:  # noqa: ARG002 - the protocol's signature
        """Return none."""
        return 0


def watch_registers(device: Device, bus: Bus, context: Context, leeway: Leeway) -> None:
    """Attach the rules to every register of `device` that they can be broken at."""
    for port in device.ports.values():
        declaration = port.register.declaration
        path = f"{device.name}.{declaration.name}"
        if not declaration.writable and declaration.only is None:
            _watch_read_only(port, path, context)
        if not declaration.readable and declaration.only is None:
            _watch_write_only(port, path, context)
        reserved = declaration.reserved & ~leeway.spare(declaration.name)
        if declaration.writable and reserved:
            _watch_reserved(port, path, reserved, context, leeway)
        if _clears(declaration):
            _watch_clearing(port, path, _access_counter(device, bus), context)


def watch_bus(bus: Bus, context: Context) -> None:
    """Attach the rules about accesses that nothing answers."""

    def refused(region: Region, direction: str, offset: int, width: int) -> None:
        here = context.here()
        here.disturbed = True
        if not here.name:
            return
        what = f"{direction}{width}({offset:#x}) of {region.device.name}: "
        why, near = why_refused(region, offset, width)
        what += f"{why}; {near}" if near else why
        if _has_no_register(region, offset):
            _report_unmapped(region, what, context)
        else:
            _report_width(region, what, bus, context)

    bus.on_refused.append(refused)


def _has_no_register(region: Region, offset: int) -> bool:
    """Say whether `offset` lies outside the region or in none of its registers."""
    if not 0 <= offset < region.size:
        return True
    device = region.device
    at, into = divmod(offset, region.stride)
    if device.memory is None and into >= device.unit_bytes:
        return True  # between two registers
    at = at * device.unit_bytes + into
    return device.memory is None and not any(
        one.offset <= at < one.offset + one.width // 8 for one in device.REGISTERS
    )


def _report_unmapped(region: Region, what: str, context: Context) -> None:
    """Report an access where no register is (``unmapped-access``).

    No false alarm: the map and the stride are known beforehand, and no fault moves an offset.
    """
    context.findings.report("unmapped-access", what, register=region.device.name)


def _report_width(region: Region, what: str, bus: Bus, context: Context) -> None:
    """Report a wrong width (``wrong-width``).

    No false alarm: `open` may find out by trial which width answers; it is excused if it went on
    to an access that the device took.
    """
    name = region.device.name
    if not context.here().setting_up:
        context.findings.report("wrong-width", what, register=name)
        return
    before = sum(bus.accesses()[name])
    context.hold(
        "wrong-width", what, register=name,
        excused=lambda: sum(bus.accesses()[name]) > before,
    )  # fmt: skip


def _watch_read_only(port: Port, path: str, context: Context) -> None:
    """Report a write to a register without a writable field (``write-to-read-only``).

    No false alarm: such a write has no effect, so no correct driver depends on one.
    """

    def wrap(write: WritePort) -> WritePort:
        def write_refused(value: int) -> None:
            if not context.nobody:
                context.findings.report(
                    "write-to-read-only", f"{value:#x} written; software can only read it",
                    register=path,
                )  # fmt: skip
            write(value)

        return write_refused

    port.wrap_write(wrap)


def _watch_write_only(port: Port, path: str, context: Context) -> None:
    """Report a read of a register without a readable field (``read-of-write-only``).

    No false alarm: such a read brings nothing, so no correct driver depends on one.
    """

    def wrap(read: ReadPort) -> ReadPort:
        def read_empty() -> int:
            if not context.nobody:
                context.findings.report(
                    "read-of-write-only", "read; software can only write it", register=path
                )
            return read()

        return read_empty

    port.wrap_read(wrap)


def _watch_reserved(port: Port, path: str, reserved: int, context: Context, leeway: Leeway) -> None:
    """Report a 1 left in reserved bits (``reserved-bits-written``).

    No false alarm: bits that the last read showed as 1 may be written back, since preserving them
    is good practice. A probe that tries bits and takes them back by the end of the call is excused,
    and so is an access that was meant for another register of the same offset.
    """
    name = port.register.declaration.name
    shown = latest = 0

    def wrap_read(read: ReadPort) -> ReadPort:
        def read_noting() -> int:
            nonlocal shown
            shown = value = read()
            return value

        return read_noting

    def wrap_write(write: WritePort) -> WritePort:
        def write_checked(value: int) -> None:
            nonlocal latest
            latest = value
            wrong = value & reserved & ~shown
            if wrong and leeway.meant(name) and not context.nobody:
                context.hold(
                    "reserved-bits-written",
                    f"{value:#x} written, of which {wrong:#x} belongs to no field",
                    register=path,
                    excused=lambda: not latest & wrong,
                )
            write(value)

        return write_checked

    if port.register.declaration.readable:
        port.wrap_read(wrap_read)
    port.wrap_write(wrap_write)


def _clears(declaration: Register) -> int:
    """Return the bits that writing a 1 clears."""
    return declaration.mask_of(lambda one: one.onwrite == "woclr")


def _access_counter(device: Device, bus: Bus) -> Callable[[], int]:
    """Return a function that counts accesses to `device`; only rules about rare writes call it."""
    return lambda: sum(bus.accesses()[device.name])


def _watch_clearing(port: Port, path: str, accesses: Callable[[], int], context: Context) -> None:
    """Report a read-modify-write of write-one-to-clear bits (``w1c-read-modify-write``).

    No false alarm: writing back just what was read acknowledges what was seen, and writing a
    constant clears a fixed set; both are good practice. Accused is only who twice, right after a
    read that showed different pending bits, wrote exactly those and the same further bit.
    """
    clearing = _clears(port.register.declaration)
    shown = count = 0
    evidence: tuple[int, int] | None = None  # bits that were pending, bit that was added

    def wrap_read(read: ReadPort) -> ReadPort:
        def read_noting() -> int:
            nonlocal shown, count
            value = read()
            shown = value & clearing
            count = accesses()
            return value

        return read_noting

    def wrap_write(write: WritePort) -> WritePort:
        def write_checked(value: int) -> None:
            nonlocal evidence
            bits = value & clearing
            added = bits & ~shown
            if shown and added and bits & shown == shown and accesses() == count + 2:
                if evidence is not None and evidence[1] == added and evidence[0] != shown:
                    context.findings.report(
                        "w1c-read-modify-write",
                        f"{shown:#x} was pending and is cleared along with {added:#x}",
                        register=path,
                    )
                evidence = (shown, added)
            write(value)

        return write_checked

    port.wrap_read(wrap_read)
    port.wrap_write(wrap_write)
