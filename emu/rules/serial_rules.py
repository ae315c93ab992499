"""What the rules of a serial port are told, and rules that make nothing of it.

The one idea: the rules that know a controller follow its driver call by call; for a controller that
none knows, the generic rules and the contract are all there is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from emu.kernel.where import Place
from emu.line.far_end import FarEnd
from emu.rules.call_watch import CallWatch
from emu.rules.uart16550_flow import Arrivals
from emu.units import LineSettings

__all__ = ["PlainSerialRules", "SerialRules"]


class SerialRules(Protocol):
    """Follow the driver of one serial port.

    Attributes:
        method: returns where the driver defines a call.
    """

    method: Callable[[str], Place]

    def call_begins(self, name: str, size: int = 0) -> None:
        """Note that the driver is constructed (``"__init__"``) or called to move `size` bytes."""

    def call_ends(self, name: str, result: object = None, *, judged: bool = True) -> None:
        """Note that a call has returned `result`, or raised, and judge what it leaves behind."""

    def counters(self, errors: object) -> None:
        """Compare line errors with the driver's counters."""

    def books(
        self, *, owed: Callable[[], int], calm: Callable[[], bool], idle_ps: Callable[[], int]
    ) -> None:
        """Ask the books of the port."""

    def far_end(self, far_end: FarEnd, arrivals: Arrivals, *, calm: Callable[[], bool]) -> None:
        """Watch what the driver tells the far end."""

    def line_opened(self, line: LineSettings) -> None:
        """Compare what ``open`` set with what it was asked for."""


class PlainSerialRules(CallWatch):
    """Follow the driver of a controller that no rule knows."""

    def counters(self, errors: object) -> None:
        """Take no notice of the counters; the contract does."""

    def books(
        self, *, owed: Callable[[], int], calm: Callable[[], bool], idle_ps: Callable[[], int]
    ) -> None:
        """Take no notice of the books."""

    def far_end(self, far_end: FarEnd, arrivals: Arrivals, *, calm: Callable[[], bool]) -> None:
        """Take no notice of the far end."""

    def line_opened(self, line: LineSettings) -> None:
        """Take no notice of the settings; the contract does."""
