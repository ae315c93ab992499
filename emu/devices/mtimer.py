"""The machine timer of a RISC-V processor: a counter that always runs, and a compare beside it.

The one idea: the interrupt is pending while the time is at or past the compare, and nothing but a
later compare, or an earlier time, takes it away. Both are 64 bits wide and reached by halves.

Source: RISC-V ACLINT Specification, version 1.0-rc4, January 2022, machine-level timer and software
interrupt devices, at the offsets of its table for one older combined device: MSIP at 0, MTIMECMP at
0x4000, MTIME at 0xBFF8. It is a draft. MTIMECMP after power-on is left open there; here it is all
ones, so that nothing interrupts before software wants it, and a reset leaves it alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from emu.kernel.clock import NEVER_PS, PS_PER_S, Clock, Timer
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Field, Register
from emu.kernel.signal import Signal
from emu.units import parse_frequency

__all__ = ["MachineTimer"]

_WORD = 0xFFFF_FFFF
_WIDE = (1 << 64) - 1


def _half(name: str, offset: int, meaning: str, reset: int | None) -> Register:
    one = Field("TICKS", 0, 32, meaning, reset=reset)
    return Register(name, offset, (one,), width=32, meaning=meaning)


class MachineTimer(Device):
    """Count ticks for ever, and interrupt while the count is at or past the compare.

    ``irq`` is the timer interrupt, the wire ``software`` the software interrupt.
    """

    KIND = "mtimer"
    MEANING = "machine timer and software interrupt of a RISC-V processor"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("MSIP", 0x0, (Field("PENDING", 0, 1, "1 raises the software interrupt"),),
                 width=32, meaning="software interrupt"),
        _half("MTIMECMP_LOW", 0x4000, "compare, bits 31 to 0", None),
        _half("MTIMECMP_HIGH", 0x4004, "compare, bits 63 to 32", None),
        _half("MTIME_LOW", 0xBFF8, "time, bits 31 to 0", 0),
        _half("MTIME_HIGH", 0xBFFC, "time, bits 63 to 32", 0),
    )  # fmt: skip
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 10_000_000, "ticks a second"),
        Parameter("cycles", int, 0, "what the time begins at", None, ("integer",)),
    )
    NOTES: ClassVar[tuple[str, ...]] = (
        (
            "Between the writes of its two halves the compare may be in the past: write all ones "
            "to the high half first, then the low half, then the high half."
        ),
        "MTIME may carry between two reads: read high, low and high again until high is the same.",
        "The interrupt goes away by a later compare only; there is nothing to acknowledge.",
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self.signals["software"] = Signal(clock, f"{name}.software")
        self._software = self.registers["MSIP"]
        self._low, self._high = self.registers["MTIMECMP_LOW"], self.registers["MTIMECMP_HIGH"]
        self._low.value = self._high.value = _WORD
        self._zero_ps = clock.now_ps  # when the count was `_start`
        self._start = 0
        self._due = Timer(clock, self._look)
        self._levels = (0, 0)

    def on_reset(self) -> None:
        """Begin anew; the compare stays."""
        self._set_time(int(self.settings["cycles"]) & _WIDE)

    def on_halt(self) -> None:
        """Stand still, or count on from there."""
        self._start, self._zero_ps = self._time(counting=self.halted), self.clock.now_ps
        self._look()

    def _time(self, *, counting: bool | None = None) -> int:
        counts = not self.halted if counting is None else counting
        gone_ps = self.clock.now_ps - self._zero_ps if counts else 0
        return (self._start + gone_ps * self.clock_hz // PS_PER_S) & _WIDE

    def _set_time(self, ticks: int) -> None:
        self._start, self._zero_ps = ticks, self.clock.now_ps
        self._look()

    def _look(self) -> None:
        """Drive the wires, and look again when the compare is reached."""
        time, compare = self._time(), self._high.value << 32 | self._low.value
        running = not self.halted
        levels = int(running and time >= compare), int(running and self._software.value & 1)
        if levels != self._levels:
            self._levels = levels
            self.irq.set(levels[0])
            self.signals["software"].set(levels[1])
        self._due.stop()
        if running and time < compare:
            ticks = compare - self._start
            at_ps = self._zero_ps - (-ticks * PS_PER_S // self.clock_hz)
            if at_ps < NEVER_PS:
                self._due.start(at_ps)

    # registers

    def after_write_MSIP(self, _old: int, _new: int) -> None:
        """Raise the software interrupt, or let it fall."""
        self._look()

    after_write_MTIMECMP_LOW = after_write_MTIMECMP_HIGH = after_write_MSIP

    def read_MTIME_LOW(self) -> int:
        """Return the low half, as it is now."""
        return self._time() & _WORD

    def read_MTIME_HIGH(self) -> int:
        """Return the high half, as it is now."""
        return self._time() >> 32

    peek_MTIME_LOW, peek_MTIME_HIGH = read_MTIME_LOW, read_MTIME_HIGH

    def write_MTIME_LOW(self, data: int) -> None:
        """Set the low half; the high half stays what it is now."""
        self._set_time(self._time() >> 32 << 32 | data & _WORD)

    def write_MTIME_HIGH(self, data: int) -> None:
        """Set the high half; the low half stays what it is now."""
        self._set_time((data & _WORD) << 32 | self._time() & _WORD)
