"""Faults of a flag that software waits for: it comes late, or never."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from emu.faults.attached import Attached
from emu.faults.kind import Complaint, FaultKind, parse_whole
from emu.faults.kinds.registers import change_reads, port_of
from emu.faults.target import Target
from emu.faults.waiver import MISREAD, UNSETTLED
from emu.kernel.device import Port, ReadPort, WritePort
from emu.kernel.parameter import Parameter
from emu.units import parse_duration

__all__ = ["KINDS"]

_LONG_READS = 64
_LONG_PS = 2 * 10**9


def _never(fault: Attached) -> None:
    keep = ~fault.target.the_field.mask
    change_reads(fault, lambda value: value & keep)


class _Late:
    """Hide a field that has become 1 for some reads or some time.

    A flag that reading clears is owed: it is shown once, late, although the device has let it go.
    Any access to the device after which the field is 0 makes its next 1 a new one.
    """

    def __init__(self, fault: Attached) -> None:
        self._fault = fault
        self._field = field = fault.target.the_field
        self._port = port_of(fault)
        self._path = f"{self._port.register.declaration.name}.{field.name}"
        self._reads: int = fault.settings["reads"]
        self._delay_ps: int = fault.settings["delay"]
        self._hiding = False
        self._shown = False
        self._owed = 0
        self._hidden_reads = 0
        self._since_ps = 0
        self._port.wrap_read(self._wrap)
        for port in fault.target.owner.ports.values():
            if port is not self._port:
                self._watch(port)

    def _wrap(self, read: ReadPort) -> ReadPort:
        field = self._field

        def read_late() -> int:
            value = read()
            if field.onread and self._hiding:
                self._owed |= value & field.mask
            bits = value & field.mask | self._owed
            if not bits:
                self._hiding = self._shown = False
                return value
            return self._judge(value & ~field.mask, bits, value & field.mask)

        return read_late

    def _judge(self, rest: int, bits: int, held: int) -> int:
        """Return the register with the field shown, owed bits and all, or hidden."""
        fault = self._fault
        if not self._hiding and not self._shown:
            if fault.occasion():
                self._begin(bits)
            else:
                self._shown = True
        if not self._hiding or self._ready:
            if bits & ~held:
                fault.misread(self._port.register.declaration, rest | held, rest | bits)
            self._hiding, self._shown, self._owed = False, True, 0
            return rest | bits
        self._hidden_reads += 1
        self._note(rest, bits)
        return rest

    def _note(self, rest: int, bits: int) -> None:
        """Record a hidden flag; a wait so short that any driver sits it out hampers nothing.

        A flag that reading clears is another matter: seen late it is laid to the wrong character.
        So is a setting, which nobody waits for: it counts as not taken.
        """
        fault = self._fault
        late_ps = fault.clock.now_ps - self._since_ps
        awaited = not (self._field.onread or self._field.writable)
        if not awaited or self._hidden_reads > _LONG_READS or late_ps > _LONG_PS:
            fault.misread(self._port.register.declaration, rest | bits, rest)
        else:
            fault.inject(f"{self._path} not shown yet")

    @property
    def _ready(self) -> bool:
        """Whether the time to hide the field is over, or the fault is."""
        late_ps = self._fault.clock.now_ps - self._since_ps
        over = self._hidden_reads >= self._reads and late_ps >= self._delay_ps
        return over or not self._fault.in_window

    def _begin(self, bits: int) -> None:
        self._hiding = True
        self._hidden_reads = 0
        self._since_ps = self._fault.clock.now_ps
        self._owed = bits if self._field.onread else 0

    def _watch(self, port: Port) -> None:
        """Look after each access to another register whether the field has gone back to 0."""
        device, path = self._fault.target.owner, self._path

        def look() -> None:
            if not self._owed and not device.peek(path):
                self._hiding = self._shown = False

        def wrap_read(read: ReadPort) -> ReadPort:
            def read_and_look() -> int:
                value = read()
                look()
                return value

            return read_and_look

        def wrap_write(write: WritePort) -> WritePort:
            def write_and_look(data: int) -> None:
                write(data)
                look()

            return write_and_look

        port.wrap_read(wrap_read)
        port.wrap_write(wrap_write)


def _late(fault: Attached) -> None:
    _Late(fault)


def _needs_delay(_target: Target, settings: Mapping[str, Any]) -> Iterator[Complaint]:
    if not settings["reads"] and not settings["delay"]:
        yield Complaint("nothing says how late", "reads, delay or both", "reads: 3")


KINDS = (
    FaultKind(
        "late-ready", "a field that becomes 1 reads as 0 for some reads or some time longer",
        ("field",), "access", _late,
        (
            Parameter("reads", parse_whole, 0, "reads of the register that still show 0"),
            Parameter("delay", parse_duration, 0, "time from the first read that shows 0"),
        ),
        waives=MISREAD, unsettles=UNSETTLED, stubborn=True, needs=_needs_delay,
    ),
    FaultKind(
        "never-ready", "a field that software waits for reads as 0 whatever happens",
        ("field",), "access", _never, waives=MISREAD, unsettles=UNSETTLED,
    ),
)  # fmt: skip
