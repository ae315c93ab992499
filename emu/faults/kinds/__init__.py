"""All kinds of faults by name, grouped by what they attach to: one module a group.

A kind is a declaration (`emu.faults.kind.FaultKind`) and the function that puts it in place. What
is said of each here is what a plan's reader, an editor's schema and a report are told.
"""

from __future__ import annotations

from emu.faults.kind import FaultKind
from emu.faults.kinds import characters, devices, interrupts, lines, processor, ready, registers

__all__ = ["FAULT_KINDS"]

FAULT_KINDS: dict[str, FaultKind] = {
    kind.name: kind
    for group in (registers, ready, devices, characters, lines, interrupts, processor)
    for kind in group.KINDS
}
