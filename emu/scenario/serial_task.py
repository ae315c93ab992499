"""What another task does with a serial driver: it closes the port, or writes.

The one idea: what it writes is told apart by characters that the scenario's own data do not
contain.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S
from emu.scenario.model import Scenario
from emu.scenario.other_task import OtherTask
from emu.scenario.port import DrivenPort

__all__ = ["serial_task"]

_CALLS = ("read", "write", "drain")
_LENGTH = 3  # characters that it writes
_PATIENCE_PS = PS_PER_S // 10


def serial_task(
    board: Board, scenario: Scenario, port: Callable[[], DrivenPort | None]
) -> OtherTask:
    """Return the other task of a serial driver.

    Args:
        board: what it is on.
        scenario: what the first task does.
        port: returns the port, None before there is one.
    """
    message = _message(scenario)

    def make(name: str) -> None:
        driven = port()
        assert driven is not None
        if name == "close":
            driven.close()
        else:
            driven.write_between(message, _PATIENCE_PS)

    return OtherTask(board, port, _CALLS, make)


def _message(scenario: Scenario) -> bytes:
    """Return characters that the first task never sends, ``b""`` if it sends all there are."""
    lines = [scenario.line, *(step.line for step in scenario.steps if step.line)]
    mask = (1 << min(line.data_bits for line in lines)) - 1
    used = {byte & mask for step in scenario.steps for byte in step.data}
    free = [byte for byte in range(mask, -1, -1) if byte not in used]
    return bytes(free[:_LENGTH])
