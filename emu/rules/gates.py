"""Rules about blocks behind a clock gate: accesses while the block cannot answer.

The one idea: the gate itself knows of every access that went nowhere. Nothing comes of such an
access on the board either, so no correct driver makes one, unless a fault meddles with the gate.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.devices.clock_gate import ClockGate
from emu.devices.gated_block import Lost
from emu.kernel.board import Board
from emu.kernel.callers import asking_place
from emu.rules.context import Context

__all__ = ["watch_gates"]


def watch_gates(board: Board, context: Context, meddled: Callable[[str], bool]) -> None:
    """Report accesses to blocks that are not ready.

    (``clock-before-access``, and ``handler-without-clock`` where a handler made it.) No false
    alarm: the access was the processor's own, in a call or handler of a driver, and no fault has
    done anything to the gate.
    """
    gates = [one for one in board.devices.values() if isinstance(one, ClockGate)]

    def lost(access: Lost) -> None:
        here = context.here()
        if not here.name or board.bus.master or any(meddled(one.name) for one in gates):
            return
        here.disturbed = True
        rule = "handler-without-clock" if here.name == "handler" else "clock-before-access"
        name = access.region.device.name
        context.findings.report(
            rule, f"{access.direction} of {access.register}: {access.why}",
            register=f"{name}.{access.register}", place=asking_place(),
        )  # fmt: skip

    for one in gates:
        one.on_lost.append(lost)
