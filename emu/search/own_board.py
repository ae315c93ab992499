"""The bouts of a suite on a board of the user's own.

The one idea: a bout says in which ways its board differs from the usual one; those that any board
of its kind can have, such as a FIFO of another depth, are taken over, and a bout that needs a board
of its own, such as one with another byte order, is left out.
"""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from emu.errors import InputError
from emu.scenario.model import BoardModel
from emu.scenario.written import board_as_plain
from emu.search.bout import Bout

__all__ = ["on_board"]

_CARRIED = {"clock", "fifo", "cycles"}  # settings of a device that do not change how it is reached


def on_board(bouts: list[Bout], board: BoardModel, port: str) -> list[Bout]:
    """Return those of `bouts` that fit a board, as they are played on it.

    Args:
        bouts: of one suite; the board of the first is the usual one.
        board: the board.
        port: the device on it that the driver drives.
    """
    plain = board_as_plain(board)
    usual = bouts[0].body["board"]
    moved = (_moved(bout, usual, plain, port) for bout in bouts)
    return [one for one in moved if one is not None and _reads(one)]


def _moved(bout: Bout, usual: dict[str, Any], plain: dict[str, Any], port: str) -> Bout | None:
    """Return a bout as it is played on another board, None if it needs its own."""
    own = bout.body["board"]
    (name, device), (_, common) = _driven(own), _driven(usual)
    changed = {key: value for key, value in device.items() if common.get(key) != value}
    if not changed.keys() <= _CARRIED or "bus" in own or "interrupts" in own:
        return None
    board = deepcopy(plain)
    board["devices"][port].update(changed)
    if "cpu" in own:
        board["cpu"] = {**board.get("cpu", {}), **own["cpu"]}
    body = {**deepcopy(bout.body), "board": board, "port": port}
    for fault in body.get("faults", ()):
        fault["target"] = _renamed(fault["target"], name, port)
    return bout._replace(body=body)


def _driven(board: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    """Return the device of a bout's board that is driven, which stands first."""
    name: str = next(iter(board["devices"]))
    return name, board["devices"][name]


def _renamed(target: str, old: str, new: str) -> str:
    """Return the target of a fault with another device in it."""
    device, dot, rest = target.partition(".")
    return f"{new}{dot}{rest}" if device == old else target


def _reads(bout: Bout) -> bool:
    """Whether a bout makes sense on its board, whose clock may not make its baud rate."""
    try:
        bout.scenario()
    except InputError:
        return False
    return True
