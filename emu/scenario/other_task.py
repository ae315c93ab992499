"""Another task of a higher priority that calls a driver in the middle of a call by the first one.

The one idea: such a task gets the processor only where main code of the driver can be interrupted,
and runs its call to the end before the first goes on, as on one processor with priorities. What it
writes is told apart by characters that the scenario's own data do not contain. The time it takes is
not held against the call that it interrupts; each call keeps its own promises all the same.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.errors import RunEnded
from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S
from emu.kernel.freeze import excuse
from emu.scenario.guarded import RunOver
from emu.scenario.model import Scenario
from emu.scenario.port import DrivenPort

__all__ = ["OtherTask"]

_CALLS = ("read", "write", "drain")
_LENGTH = 3  # characters that it writes
_PATIENCE_PS = PS_PER_S // 10


class OtherTask:
    """Enter the driver of one port.

    Args:
        board: what it is on.
        scenario: what the first task does.
        port: returns the port, None before there is one.
    """

    def __init__(
        self, board: Board, scenario: Scenario, port: Callable[[], DrivenPort | None]
    ) -> None:
        self._board = board
        self._port = port
        self._message = _message(scenario)

    @property
    def may_enter(self) -> bool:
        """Whether main code is in a call now, open, and can be interrupted."""
        port, cpu = self._port(), self._board.cpu
        return (
            port is not None
            and port.calling in _CALLS
            and port.is_open
            and not port.entered
            and not (cpu.depth or cpu.masked or cpu.ended)
        )

    def enter(self, name: str) -> None:
        """Call ``close`` or ``write`` to its end, now.

        Raises:
            RunEnded: what the call did wrong ended the run.
        """
        port, cpu, clock = self._port(), self._board.cpu, self._board.clock
        assert port is not None
        start_ps, stalled_ps = clock.now_ps, clock.stalled_ps
        with port.entering():
            try:
                if name == "close":
                    port.close()
                else:
                    port.write_between(self._message, _PATIENCE_PS)
            except RunOver as over:
                cpu.end(RunEnded("run-over", str(over), cause="the other task's call"))
        excuse(cpu, clock, clock.now_ps - start_ps - (clock.stalled_ps - stalled_ps))


def _message(scenario: Scenario) -> bytes:
    """Return characters that the first task never sends, ``b""`` if it sends all there are."""
    lines = [scenario.line, *(step.line for step in scenario.steps if step.line)]
    mask = (1 << min(line.data_bits for line in lines)) - 1
    used = {byte & mask for step in scenario.steps for byte in step.data}
    free = [byte for byte in range(mask, -1, -1) if byte not in used]
    return bytes(free[:_LENGTH])
