"""Another task of a higher priority that calls a driver in the middle of a call by the first one.

The one idea: such a task gets the processor only where main code of the driver can be interrupted,
and runs its call to the end before the first goes on, as on one processor with priorities. The time
it takes is not held against the call that it interrupts; each call keeps its own promises all the
same. What it calls is a matter of the trade.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.errors import RunEnded
from emu.kernel.board import Board
from emu.kernel.freeze import excuse
from emu.scenario.guarded import GuardedDriver, RunOver

__all__ = ["OtherTask"]


class OtherTask:
    """Enter the driver of one port.

    Args:
        board: what it is on.
        port: returns the driver, None before there is one.
        calls: those in the middle of which it may enter.
        make: makes a call of the other task, by name.
    """

    def __init__(
        self,
        board: Board,
        port: Callable[[], GuardedDriver | None],
        calls: tuple[str, ...],
        make: Callable[[str], None],
    ) -> None:
        self._board = board
        self._port = port
        self._calls = calls
        self._make = make

    @property
    def may_enter(self) -> bool:
        """Whether main code is in a call now, open, and can be interrupted."""
        port, cpu = self._port(), self._board.cpu
        return (
            port is not None
            and port.calling in self._calls
            and port.is_open
            and not port.entered
            and not (cpu.depth or cpu.masked or cpu.ended)
        )

    def enter(self, name: str) -> None:
        """Make a call to its end, now.

        Raises:
            RunEnded: what the call did wrong ended the run.
        """
        port, cpu, clock = self._port(), self._board.cpu, self._board.clock
        assert port is not None
        start_ps, stalled_ps = clock.now_ps, clock.stalled_ps
        with port.entering():
            try:
                self._make(name)
            except RunOver as over:
                cpu.end(RunEnded("run-over", str(over), cause="the other task's call"))
        excuse(cpu, clock, clock.now_ps - start_ps - (clock.stalled_ps - stalled_ps))
