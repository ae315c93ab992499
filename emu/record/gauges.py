"""Gauges beside the tape: how full the FIFOs were and how high the interrupt line, entry by entry.

The one idea: a gauge is read whenever something is noted, so whoever lays the tape out can say what
stood there at any time. Like characters and levels, gauges are attached only for a reader.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple

from emu.devices.serial_basic import SerialBasic
from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.journal import Entry

__all__ = ["Gauges", "Reading"]


class Reading(NamedTuple):
    """What stood on the gauges.

    Args:
        irq: the level of the interrupt line.
        received, sending: characters in the buffers; None for a device that has none.
    """

    irq: int
    received: int | None = None
    sending: int | None = None


class Gauges:
    """Read the gauges of one device with every entry of the tape.

    Args:
        board: a board that notes places, see `emu.kernel.journal.Journal`.
        name: the device.
    """

    def __init__(self, board: Board, name: str) -> None:
        self._device = board.device(name)
        self._times_ps: list[int] = []
        self._readings: list[Reading] = []
        board.journal.pauses.append(self._read)

    def _read(self, entry: Entry) -> None:
        """Keep what stands there before an entry is noted, which is what the one before left."""
        self._times_ps.append(entry[0])
        self._readings.append(self._now())

    def _now(self) -> Reading:
        device = self._device
        if isinstance(device, Uart16550):
            return Reading(device.irq.level, device.receive_level, device.transmit_level)
        if isinstance(device, SerialBasic):
            return Reading(device.irq.level, device.peek("COUNT.WAITING"), device.waiting)
        return Reading(device.irq.level)

    def at(self, time_ps: int) -> Reading:
        """Return what stood there once everything of a time had been noted."""
        index = bisect_right(self._times_ps, time_ps)
        return self._readings[index] if index < len(self._readings) else self._now()
