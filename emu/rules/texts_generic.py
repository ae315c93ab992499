"""Rules that follow from the declaration of registers and bus.

The one idea: each says what it watches, why that bites on real hardware, and what to do instead.
"""

from __future__ import annotations

from emu.rules.rule import Rule

__all__ = ["GENERIC"]

GENERIC = (
    Rule(
        "write-to-read-only", "generic",
        "a write to a register that software can only read",
        "The write goes nowhere, or into a factory test mode that no manual describes. What it was "
        "meant to do does not happen.",
        "Look the register up in the map (emu map): clear a status by the access that the map "
        "names, and write settings to their own register.",
    ),
    Rule(
        "read-of-write-only", "generic",
        "a read of a register that software can only write",
        "The value is whatever the bus or a neighbouring register puts there. A read-modify-write "
        "then writes that back as a setting.",
        "Keep a copy of what was written last, in the driver, and change and write the copy.",
    ),
    Rule(
        "reserved-bits-written", "generic",
        "a 1 left in bits that no field of the register owns",
        "The next revision of the part gives these bits a meaning, and the driver then turns it "
        "on unawares.",
        "Write reserved bits as 0, or as they were read; build values from named fields only.",
    ),
    Rule(
        "w1c-read-modify-write", "generic",
        "write-one-to-clear bits written back as they were just read, plus one more",
        "Every event that was pending at the read is cleared along with the one that was meant, "
        "and nobody serves it.",
        "Write the mask of the one event with a plain store; never read first.",
    ),
    Rule(
        "unmapped-access", "generic",
        "an access where the device has no register",
        "The bus answers with a fault exception, or not at all and the processor hangs.",
        "Compute offsets as register number times io.stride, and stay inside the device's map.",
    ),
    Rule(
        "wrong-width", "generic",
        "an access of a width or alignment that the device does not take",
        "Depending on the bridge the access faults, is split into several with side effects of "
        "their own, or touches neighbouring registers.",
        "Use the width that the board's map gives for the device, at aligned offsets.",
    ),
)  # fmt: skip
