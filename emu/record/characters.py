"""Characters on the tape: what arrived, what left and what was lost, noted as it happens.

The one idea: a note taker stands between a serial controller and whoever watches it already, and
passes everything on. It is attached only when somebody wants to read the timeline.
"""

from __future__ import annotations

from emu.devices.serial_basic import SerialBasic
from emu.devices.serial_monitor import SerialMonitor
from emu.devices.uart16550 import Uart16550
from emu.errors import AccessError
from emu.kernel.board import Board

__all__ = ["note_characters"]


def note_characters(board: Board, name: str) -> None:
    """Put the characters of the serial device `name` on the tape of `board`.

    Attach it after everything else that sets the device's monitor. Characters in local loopback
    are noted like others. From now on the device takes each by itself, so that each is noted at
    its own time.

    Raises:
        AccessError: there is no such device, or it is no serial controller.
    """
    device = board.device(name)
    if not isinstance(device, Uart16550 | SerialBasic):
        raise AccessError(
            f"a {type(device).__name__} has no characters",
            where=name,
            allowed="a uart16550 or a serial_basic",
        )
    device.receiver.deliver_singly()
    device.monitor = _NoteTaker(board, name, device.monitor)


class _NoteTaker:
    """Note what a monitor is told, then tell the monitor that was there before."""

    def __init__(self, board: Board, name: str, monitor: SerialMonitor) -> None:
        self._clock = board.clock
        self._journal = board.journal
        self._who = board.journal.source("line", name)
        self._next = monitor
        self.discarded = monitor.discarded
        self.loaded = monitor.loaded
        self.spilled = monitor.spilled
        self.cleared = monitor.cleared

    def arrived(self, data: int, flags: int) -> None:
        """Note a character in the receive buffer, with its error flags above the eighth bit."""
        self._note("arrived", data | flags << 8)
        self._next.arrived(data, flags)

    def arrived_row(self, data: bytes) -> None:
        """Note several characters in the receive buffer."""
        for one in data:
            self._note("arrived", one)
        self._next.arrived_row(data)

    def overran(self, data: int) -> None:
        """Note a character that found no room."""
        self._note("lost", data)
        self._next.overran(data)

    def shifting(self, data: int, end_ps: int) -> None:
        """Note a character whose start bit leaves now."""
        self._note("sent", data)
        self._next.shifting(data, end_ps)

    def _note(self, what: str, value: int) -> None:
        self._journal.append((self._clock.now_ps, self._who, what, value))
