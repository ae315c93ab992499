"""From a board model to a board.

The one idea: the order in which devices stand in the model is the order in which they are attached
and reset, so one model always makes the same board. What the model says is left to
`emu.scenario.model`, what may go together to the kernel.
"""

from __future__ import annotations

from emu.devices.shelf import find_device
from emu.kernel.board import Board
from emu.kernel.journal import DEFAULT_EVENTS
from emu.scenario.model import BoardModel, DeviceModel

__all__ = ["attach", "build_board", "clock_hz_of"]


def build_board(
    model: BoardModel, *, events: int | None = DEFAULT_EVENTS, places: bool = False
) -> Board:
    """Build a board and return it, not yet powered on.

    Args:
        model: what is on it.
        events: how many entries its journal keeps, None for all.
        places: note the driver's file and line with each entry.

    Raises:
        DeclarationError: the devices do not fit together.
    """
    board = Board(model.name, cpu=model.cpu, bus=model.bus, events=events, places=places)
    for device in model.devices:
        attach(board, device)
    for device in model.devices:
        board.put_beside(device.name, device.beside)
    for number, rules in model.interrupts.items():
        board.interrupt(number, rules)
    return board


def attach(board: Board, device: DeviceModel) -> None:
    """Put one device on the bus of a board that is not yet switched on.

    Raises:
        DeclarationError: settings, place or name do not fit.
    """
    board.attach(
        find_device(device.kind),
        device.name,
        device.at,
        settings=device.settings,
        stride=device.stride,
        widths=device.widths,
        wait_cycles=device.wait_cycles,
        irq=device.irq,
        through=device.through,
        size=device.size,
    )


def clock_hz_of(board: BoardModel, name: str) -> int:
    """Return the input clock of a device in Hz, 0 if it has none."""
    model = next(one for one in board.devices if one.name == name)
    defaults = {one.name: one.default for one in find_device(model.kind).PARAMETERS}
    clock_hz = model.settings.get("clock", defaults.get("clock", 0))
    return clock_hz if isinstance(clock_hz, int) else 0
