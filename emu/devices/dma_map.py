"""The register map of the DMA controller and the layout of its descriptors, both our own.

The one idea: what a descriptor says is what the registers of a channel say, so that the engine,
having read one, goes on as if software had written the registers.
"""

from __future__ import annotations

from typing import Any

from emu.kernel.register import Field, Register

__all__ = [
    "ABORT", "ABORTED", "BUSY", "CHANNELS", "CIRCULAR", "CONFIG_ERROR", "DESCRIPTOR_BYTES",
    "DESCRIPTOR_ERROR", "DONE", "ERROR", "HALF", "NOTES", "OWN", "PACED", "READ_ERROR", "REGISTERS",
    "RING", "START", "STARVED", "STEP_DESTINATION", "STEP_SOURCE", "WRITE_ERROR",
]  # fmt: skip

CHANNELS = 4
_CHANNEL_STEP = 0x40

START, ABORT = 0x01, 0x02  # CONTROL
STEP_SOURCE, STEP_DESTINATION, PACED, CIRCULAR = 0x04, 0x08, 0x10, 0x20  # CONFIG
BUSY, HALF, DONE, ERROR, ABORTED, STARVED = (1 << bit for bit in range(6))  # STATUS
READ_ERROR, WRITE_ERROR, DESCRIPTOR_ERROR, CONFIG_ERROR = (1 << bit for bit in range(8, 12))
RING = 0x01  # DOORBELL

# A descriptor is four words in the byte order of the bus: OWN, CONFIG in bits 27 to 16 and COUNT
# in bits 15 to 0; the source; the destination; the address of the next descriptor, 0 for none.
DESCRIPTOR_BYTES = 16
OWN = 0x8000_0000


def _word(name: str, offset: int, meaning: str, *fields: Field) -> Register:
    return Register(name, offset, fields, width=32, meaning=meaning)


def _flag(name: str, bit: int, meaning: str) -> Field:
    """Declare a bit that the engine sets, and software clears by writing 1."""
    return Field(name, bit, 1, meaning, onwrite="woclr", hwset=True)


def _channel(number: int) -> tuple[Register, ...]:
    at = number * _CHANNEL_STEP
    locked: dict[str, Any] = {"swwel": f"STATUS{number}.BUSY"}
    return (
        _word(f"CONTROL{number}", at, f"control of channel {number}",
              Field("START", 0, 1, "begins with what the registers say", sw="w", singlepulse=True),
              Field("ABORT", 1, 1, "stops after the burst under way", sw="w", singlepulse=True),
              Field("HALF_IRQ", 4, 1, "HALF interrupts"),
              Field("DONE_IRQ", 5, 1, "DONE interrupts"),
              Field("ERROR_IRQ", 6, 1, "ERROR interrupts")),
        _word(f"CONFIG{number}", at + 0x04, "how items are moved; fixed while BUSY",
              Field("WIDTH", 0, 2, "bytes of an item", **locked, values={0: "1", 1: "2", 2: "4"}),
              Field("STEP_SOURCE", 2, 1, "the next item comes from the next address", **locked),
              Field("STEP_DESTINATION", 3, 1, "the next item goes to the next address", **locked),
              Field("PACED", 4, 1, "an item moves only while the request wire is up", **locked),
              Field("CIRCULAR", 5, 1, "begins again at the end; not from descriptors", **locked),
              Field("REQUEST", 8, 4, "number of the request wire", **locked)),
        _word(f"SOURCE{number}", at + 0x08, "where items come from; fixed while BUSY",
              Field("ADDRESS", 0, 32, "first address, a multiple of the width", **locked)),
        _word(f"DESTINATION{number}", at + 0x0C, "where items go; fixed while BUSY",
              Field("ADDRESS", 0, 32, "first address, a multiple of the width", **locked)),
        _word(f"COUNT{number}", at + 0x10, "how many; fixed while BUSY",
              Field("ITEMS", 0, 16, "items, not bytes; 0 is an error", **locked)),
        _word(f"STATUS{number}", at + 0x14, f"what channel {number} does and did",
              Field("BUSY", 0, 1, "the engine has not stopped yet", sw="r"),
              _flag("HALF", 1, "no more than half of the items are left"),
              _flag("DONE", 2, "all items were moved"),
              _flag("ERROR", 3, "the channel stopped before that"),
              _flag("ABORTED", 4, "the channel stopped because of ABORT"),
              _flag("STARVED", 5, "the next descriptor was not the engine's"),
              _flag("READ_ERROR", 8, "a bus error at the source"),
              _flag("WRITE_ERROR", 9, "a bus error at the destination"),
              _flag("DESCRIPTOR_ERROR", 10, "a bus error at a descriptor"),
              _flag("CONFIG_ERROR", 11, "what was asked for cannot be done")),
        _word(f"LEFT{number}", at + 0x18, "what is still to be moved",
              Field("ITEMS", 0, 16, "items", sw="r")),
        _word(f"FAULT{number}", at + 0x1C, "where the last bus error was",
              Field("ADDRESS", 0, 32, "address", sw="r")),
        _word(f"NEXT{number}", at + 0x20, "the next descriptor; fixed while BUSY",
              Field("ADDRESS", 0, 32, "a multiple of 4; 0 for none", **locked)),
        _word(f"DOORBELL{number}", at + 0x24, "doorbell",
              Field("RING", 0, 1, "looks at the descriptor at NEXT", sw="w", singlepulse=True)),
    )  # fmt: skip


REGISTERS = (
    *(register for number in range(CHANNELS) for register in _channel(number)),
    _word("PENDING", CHANNELS * _CHANNEL_STEP, "which channels interrupt",
          Field("CHANNEL", 0, CHANNELS, "1 where a flag is up that interrupts", sw="r")),
)  # fmt: skip

NOTES = (
    "COUNT and LEFT are items of WIDTH bytes, at most 65535.",
    (
        "DONE says that the engine has handed the last item over. What it was handed to may take "
        "longer: a serial controller still has its FIFO and its shift register to send."
    ),
    (
        "ABORT takes effect after the burst under way. Until BUSY is down the engine goes on "
        "writing, and CONFIG, SOURCE, DESTINATION, COUNT and NEXT ignore writes. An abort does "
        "not set DONE and does not interrupt."
    ),
    "The ERROR flag tells that a channel stopped early; it interrupts only by ERROR_IRQ.",
    (
        "A descriptor is four words: OWN in bit 31, CONFIG in bits 27 to 16 and COUNT in bits 15 "
        "to 0; source; destination; address of the next descriptor, 0 for the last. The engine "
        "takes it only with OWN set, and clears OWN, with the items left in COUNT, when it gives "
        "the descriptor back, before it sets DONE. Write OWN last, then ring."
    ),
    (
        "Where OWN is not set the channel stops with STARVED, and NEXT stays at that descriptor: "
        "set OWN and ring again. A ring while BUSY is up does nothing, since the engine comes to "
        "the next descriptor by itself; so let a chain that is to grow end in one without OWN."
    ),
    (
        "LEFT of a circular channel goes from 1 back to COUNT. What arrived since the last look is "
        "the difference of two positions, modulo COUNT; read LEFT once for both uses."
    ),
)
