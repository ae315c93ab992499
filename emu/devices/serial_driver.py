"""What the bench asks of a serial driver, and the counters every such driver keeps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from emu.units import LineSettings

__all__ = ["SERIAL_METHODS", "LineErrors", "SerialDriver"]

SERIAL_METHODS = ("open", "close", "write", "read", "drain")


@dataclass(slots=True)
class LineErrors:
    """Count what went wrong on the receiving side.

    Attributes:
        overrun: overrun flags seen, plus one for each gap that the driver's own buffer left.
        parity: characters with a parity error.
        framing: characters with a framing error.
        breaks: breaks received.
    """

    overrun: int = 0
    parity: int = 0
    framing: int = 0
    breaks: int = 0


class SerialDriver(Protocol):
    """Drive one serial port.

    A driver is constructed with the window of its controller and the processor, and touches
    neither before `open`.

    Attributes:
        errors: counters, cumulative over the life of the driver.
    """

    errors: LineErrors

    def open(self, line: LineSettings) -> None:
        """Set the line up from whatever state the controller is in, and start receiving.

        Raises:
            ValueError: the controller cannot make the baud rate within 3 %.
        """

    def close(self) -> None:
        """Let accepted bytes out within a bound, then silence the controller and let go of it."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Accept bytes for sending and return how many were accepted within `timeout` seconds."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Return up to `size` received bytes, waiting for them at most `timeout` seconds."""

    def drain(self, timeout: float | None = None) -> bool:
        """Wait until the last stop bit has left; False when `timeout` seconds were not enough."""
