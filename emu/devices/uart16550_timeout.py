"""The character time-out of a 16550: what stays below the trigger does not wait for ever.

The one idea: the moment of the last coming or going is noted, which costs nothing, and only when
four character times have passed is it looked at; if something came or went since, it is looked at
again later. Source: PC16550D datasheet, TL/C/8652, June 1995, section 8.11.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.kernel.clock import PS_PER_S, Clock
from emu.line.frame import BitRate, FrameFormat
from emu.line.receiver import Receiver

__all__ = ["CharacterTimeout"]


class CharacterTimeout:
    """Expire once nothing has come or gone for four character times while characters wait.

    Args:
        clock: the clock of the board.
        receiver: knows whether another character is sure to come.
        waiting: tells whether a FIFO that is on holds characters.
        expires: called when it expires.

    Attributes:
        expired: whether it has, and no character was read since.
        touched_ps: when a character came or went last.
        watching: whether it will be looked at.
    """

    def __init__(
        self,
        clock: Clock,
        receiver: Receiver,
        waiting: Callable[[], bool],
        expires: Callable[[], None],
    ) -> None:
        self.expired = False
        self.touched_ps = 0
        self.watching = False
        self._clock = clock
        self._receiver = receiver
        self._waiting = waiting
        self._expires = expires
        self._length_ps = PS_PER_S
        self._check_ps = -1

    def reset(self) -> None:
        """Forget what came and went."""
        self.expired = False
        self.touched_ps = 0

    def configure(self, frame: FrameFormat, rate: BitRate) -> None:
        """Take the length of a character: 4 of them, and 8 cycles of RCLK."""
        self._length_ps = rate.half_bits_ps(4 * frame.half_bits + 1)
        if self.watching:
            self.watching = False
            self.watch()

    def watch(self) -> None:
        """Look four character times after the last character came or went, if one is there."""
        if self.watching or not self._waiting():
            return
        self.watching = True
        due_ps = max(self.touched_ps + self._length_ps, self._clock.now_ps)
        self._check_ps = due_ps
        self._clock.schedule(due_ps, self._check)

    def _check(self) -> None:
        now_ps = self._clock.now_ps
        if now_ps != self._check_ps:
            return  # another baud rate brought the moment forward
        if self._receiver.more or not self._waiting():
            self.watching = False  # the next character, if there is one, looks again
            return
        due_ps = self.touched_ps + self._length_ps
        if now_ps < due_ps:
            self._check_ps = due_ps
            self._clock.schedule(due_ps, self._check)
            return
        self.watching = False
        self.expired = True
        self._expires()
