"""The modem wires of a 16550: outputs that follow MCR, inputs that MSR shows with their changes.

Levels are logical: 1 means asserted, which is low at the pin.

Source: PC16550D datasheet (TL/C/8652, June 1995), sections 8.8 (MCR, loopback) and 8.9 (MSR).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from emu.kernel.live import LiveRegister
from emu.kernel.signal import Signal

__all__ = ["INPUTS", "OUTPUTS", "ModemWires"]

INPUTS = ("cts", "dsr", "ri", "dcd")
OUTPUTS = ("dtr", "rts", "out1", "out2")
_LOOP = 0x10


class ModemWires:
    """Keep MCR, MSR and the wires in step.

    Args:
        signals: the wires by name.
        mcr, msr: the registers.
        changed: called when an input has changed, after MSR shows it.
    """

    def __init__(
        self,
        signals: Mapping[str, Signal],
        mcr: LiveRegister,
        msr: LiveRegister,
        changed: Callable[[], None],
    ) -> None:
        self._signals = signals
        self._mcr = mcr
        self._msr = msr
        self._changed = changed
        for wire in INPUTS:
            signals[wire].watch(lambda _level: self.follow())

    def update(self) -> None:
        """Drive the outputs as MCR says, and show the inputs; in loopback those are MCR's bits."""
        mcr = self._mcr.value
        for bit, wire in enumerate(OUTPUTS):
            self._signals[wire].set(0 if mcr & _LOOP else mcr >> bit & 1)
        self.follow()

    def follow(self) -> None:
        """Take the inputs over into MSR and note changes (8.9); RI counts when it ends."""
        msr = self._msr
        old, new = msr.value >> 4, self._inputs()
        changed = old ^ new
        delta = (changed & 0b1011) | (changed & old & 0b0100)
        msr.value = new << 4 | msr.value & 0x0F | delta
        if changed:
            self._changed()

    def _inputs(self) -> int:
        """Return CTS, DSR, RI and DCD as bits 0 to 3."""
        mcr = self._mcr.value
        if mcr & _LOOP:
            return (mcr >> 1 & 1) | (mcr & 1) << 1 | (mcr & 4) | (mcr & 8)
        return sum(self._signals[wire].level << bit for bit, wire in enumerate(INPUTS))
