"""Whether handlers leave main code any time at all.

The one idea: where several drivers run, a call may wait long for the handlers of others. But when
these have had nearly all of the processor for a good while, nothing will come of it any more.
"""

from __future__ import annotations

from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S

__all__ = ["CROWDED_PS", "Crowd"]

CROWDED_PS = PS_PER_S // 50
"""How long handlers may have all of the processor before that is taken for good."""
_MOST = 0.95  # of the time since a call began


class Crowd:
    """Follow the handlers since a moment.

    Args:
        board: what they run on.
        lost_ps: time that was taken from everybody before.
    """

    def __init__(self, board: Board, lost_ps: int) -> None:
        self._board = board
        self._lost_ps = lost_ps
        self._start_ps = board.clock.now_ps
        self._handlers_ps = board.cpu.handler_ps

    def leaves_nothing(self, lost_ps: int) -> bool:
        """Say whether handlers have had nearly all of the time since then.

        Args:
            lost_ps: time that was taken from everybody up to now.
        """
        took_ps = self._board.clock.now_ps - self._start_ps - (lost_ps - self._lost_ps)
        handlers_ps = self._board.cpu.handler_ps - self._handlers_ps
        return took_ps >= CROWDED_PS and handlers_ps > _MOST * took_ps
