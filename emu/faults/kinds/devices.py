"""Faults of a whole device: off the bus, reset under way, stopped, or in a random state."""

from __future__ import annotations

from emu.faults.attached import Attached
from emu.faults.kind import EVERY, FaultKind, needs_registers
from emu.faults.waiver import SETTINGS, UNSETTLED, Waiver
from emu.kernel.device import Port, ReadPort, WritePort

__all__ = ["KINDS"]


class _Gone:
    """Answer every read with ones, and let writes vanish.

    A driver can tell from ones in a status that the device is gone, but not from ones in a register
    that is all data. Nor can it tell when the device goes between an honest status and the access
    that follows; such an access is marked ``after honest``.
    """

    def __init__(self, fault: Attached) -> None:
        self._fault = fault
        self._honest = True
        self._ones = 0
        for port in fault.target.owner.ports.values():
            port.beyond = self._beyond(port.beyond)
            port.wrap_read(lambda read, port=port: self._reader(port, read))  # type: ignore[misc]
            port.wrap_write(lambda write, port=port: self._writer(port, write))  # type: ignore[misc]

    def _beyond(self, inner: ReadPort | None) -> ReadPort:
        return lambda: self._ones | (inner() if inner is not None else 0)

    def _reader(self, port: Port, read: ReadPort) -> ReadPort:
        name, full, fault = port.register.declaration.name, port.register.full, self._fault
        tells = len(port.register.declaration.fields) > 1

        def read_or_ones() -> int:
            if not fault.occasion():
                self._honest, self._ones = True, 0
                return read()
            self._note(f"{name} read as {full:#x}", f"read {name}")
            self._honest &= not tells
            self._ones = -1
            self._let_go()
            return full

        return read_or_ones

    def _writer(self, port: Port, write: WritePort) -> WritePort:
        name, fault = port.register.declaration.name, self._fault

        def write_or_not(data: int) -> None:
            if fault.occasion():
                self._note(f"{name} write of {data:#04x} lost", f"write {name}")
                self._let_go()
            else:
                write(data)

        return write_or_not

    def _let_go(self) -> None:
        """Drop the request wires: what is gone asks no engine for anything."""
        for name, wire in self._fault.target.owner.signals.items():
            if name.endswith("_request"):
                wire.set(0)

    def _note(self, detail: str, mark: str) -> None:
        if self._honest:
            self._fault.inject(detail, mark, f"{mark} after honest")
        else:
            self._fault.inject(detail, mark)


def _vanish(fault: Attached) -> None:
    _Gone(fault)


def _reset(fault: Attached) -> None:
    def reset() -> None:
        fault.inject(f"{fault.target.path} reset")
        fault.target.owner.reset()

    fault.at_moments(reset)


def _stop(fault: Attached) -> None:
    device = fault.target.owner

    def stop() -> None:
        fault.inject(f"{fault.target.path} stands still")
        device.halt(True)

    fault.over_window(stop, lambda: device.halt(False))


def _scramble(fault: Attached) -> None:
    def scramble() -> None:
        if fault.drawn():
            fault.inject(f"{fault.target.path} left in a random state")
            fault.target.owner.scramble(fault.random)

    fault.before_open.append(scramble)


KINDS = (
    FaultKind(
        "all-ones", "the device is gone: every read gives ones, writes vanish",
        ("device",), "access", _vanish,
        waives=(
            *SETTINGS,
            Waiver("order", "the device went between its status and the character it announced",
                   ("read RBR after honest",), lasting=True),
            Waiver("sent", "the device went between announcing room and taking the character",
                   ("write THR after honest",), lasting=True),
            Waiver("drain", "a character that the device did not take never leaves it",
                   ("write THR after honest",), lasting=True),
            Waiver("sent", "characters could not be handed to a device that is gone",
                   ("read LSR", "write THR"), tries=3),
            Waiver("loss", "the overrun flag stayed in a device that is gone", ("read LSR",),
                   tries=3),
            Waiver("errors", "error flags stayed in a device that is gone",
                   ("read LSR", "read RBR after honest"), tries=3),
            Waiver("drain", "a device that is gone cannot be asked", ("read LSR",), tries=3),
        ),
        unsettles=UNSETTLED,
        needs=needs_registers,
    ),
    FaultKind(
        "reset-in-flight", "the device resets itself: settings and characters in it are gone",
        ("device",), "time", _reset, (EVERY,),
        waives=(
            Waiver("order", "characters that were announced were gone before they were read",
                   lasting=True),
            Waiver("loss", "characters and an overrun flag in the device went with its reset",
                   lasting=True),
            Waiver("errors", "error flags in the device went with its reset", lasting=True),
            Waiver("sent", "characters in the device went with its reset", lasting=True),
            Waiver("drain", "the reset cut the last character short", lasting=True),
            Waiver("start", "what was set up so far went with the reset"),
        ),
        unsettles=(),
    ),
    FaultKind(
        "device-stops", "the device neither sends, receives nor interrupts; registers answer",
        ("device",), "time", _stop,
        waives=(Waiver("sent", "a device that stands still sends nothing"),),
    ),
    FaultKind(
        "random-state", "the device holds random settings and data before it is first opened",
        ("device",), "power-on", _scramble, needs=needs_registers,
    ),
)  # fmt: skip
