"""What the bench asks of a checksum driver, and how a cyclic redundancy check is described."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

__all__ = ["CHECKSUM_METHODS", "CheckSettings", "ChecksumDriver"]

CHECKSUM_METHODS = ("open", "close", "compute")


@dataclass(frozen=True, slots=True)
class CheckSettings:
    """Describe a cyclic redundancy check; without arguments that of Ethernet frames, CRC-32.

    Args:
        width: bits of the result, 1 to 32.
        poly: the polynomial without its highest term, highest first.
        init: the register before the first byte.
        refin: whether the lowest bit of a byte goes first.
        refout: whether the register is turned round at the end.
        xorout: what the result is exclusive-ored with.

    Source: the parameters by which Ross Williams describes such checks, "A painless guide to CRC
    error detection algorithms", 1993; the defaults are those of IEEE 802.3, clause 3.2.9.
    """

    width: int = 32
    poly: int = 0x04C1_1DB7
    init: int = 0xFFFF_FFFF
    refin: bool = True
    refout: bool = True
    xorout: int = 0xFFFF_FFFF


class ChecksumDriver(Protocol):
    """Work out checks with one engine.

    A driver is constructed with the window of its engine and the processor, and touches neither
    before `open`.
    """

    def open(self, check: CheckSettings) -> None:
        """Set the engine up for a check, from whatever state it is in."""

    def close(self) -> None:
        """End what is under way, silence the engine and let go of its interrupt."""

    def compute(self, data: bytes, timeout: float | None = None) -> int | None:
        """Return the check of `data`, None when `timeout` seconds were not enough.

        A check that was given up must not spoil the next one.
        """
