"""A transmitter that plays frames on a wire, one after the other, and can hold a break."""

from __future__ import annotations

from bisect import bisect_right

from emu.kernel.clock import Clock
from emu.kernel.signal import Signal, Toggles
from emu.line.frame import BitRate, FrameFormat, Shapes, rate_of, shapes_for

__all__ = ["Transmitter"]


class Transmitter:
    """Put characters on a wire.

    Args:
        clock: the clock of the board.
        wire: where they go; idle is 1.

    Attributes:
        frame_ps: time of a frame in the present format and rate.
        breaking: whether the wire is held at 0 (space).
    """

    __slots__ = ("_clock", "_end_ps", "_shape", "_shapes", "_start_ps", "breaking", "wire")

    def __init__(self, clock: Clock, wire: Signal) -> None:
        self._clock = clock
        self.wire = wire
        self._shapes = shapes_for(FrameFormat(), rate_of(9600))
        self._shape: Toggles = ()
        self._start_ps = 0
        self._end_ps = 0
        self.breaking = False

    @property
    def frame_ps(self) -> int:
        """Time of a whole frame in ps."""
        return self._shapes.frame_ps

    @property
    def shifting(self) -> bool:
        """Whether a frame is under way, unseen behind a break or not."""
        return self._clock.now_ps < self._end_ps

    @property
    def shapes(self) -> Shapes:
        """The waveforms in use."""
        return self._shapes

    def configure(self, frame: FrameFormat, rate: BitRate) -> None:
        """Take another format and rate from the next character on."""
        if (frame, rate) != (self._shapes.frame, self._shapes.rate):
            self._shapes = shapes_for(frame, rate)

    def send(self, byte: int, start_ps: int) -> int:
        """Play a frame from `start_ps`, at or after now, and return when its last stop bit ends."""
        shapes = self._shapes
        self._shape = shape = shapes.of(byte)
        self._start_ps = start_ps
        if not self.breaking:
            self.wire.play(start_ps, shape)
        self._end_ps = end_ps = start_ps + shapes.frame_ps
        return end_ps

    def send_row(self, data: bytes, starts_ps: list[int]) -> None:
        """Play one frame at each of `starts_ps`, which must leave room for whole frames."""
        shapes = self._shapes
        row = shapes.row(data)
        self._start_ps, self._shape = starts_ps[-1], row[-1]
        self._end_ps = self._start_ps + shapes.frame_ps
        if not self.breaking:
            self.wire.play_row(starts_ps, row)

    def retime(self, rate: BitRate) -> int:
        """Let the rest of the frame under way go at another rate, and return when it now ends.

        This is what a change of the divisor does to a character that is being shifted.
        """
        now_ps = self._clock.now_ps
        old = self._shapes.rate
        self.configure(self._shapes.frame, rate)
        if now_ps >= self._end_ps:
            return now_ps
        stretch, shrink = rate.num * old.den, rate.den * old.num
        level, left = self._left(now_ps)
        left = tuple(toggle * stretch // shrink for toggle in left)
        if not self.breaking:
            self.wire.set(level)
            self.wire.play(now_ps, left)
        self._shape = left if level else (0, *left)
        self._start_ps = now_ps
        self._end_ps = now_ps + (self._end_ps - now_ps) * stretch // shrink
        return self._end_ps

    def move(self, wire: Signal) -> None:
        """Continue on another wire, in the middle of a frame; the one left falls idle at once."""
        if wire is not self.wire:
            self.wire.set(1)
            self.wire = wire
            self._show()

    def hold_break(self, breaking: bool) -> None:
        """Force the wire to space, or let go of it; frames under way go on unseen meanwhile."""
        if breaking != self.breaking:
            self.breaking = breaking
            self._show()

    def stop(self) -> None:
        """Drop the frame under way and any break; the wire is idle at once."""
        self.breaking = False
        self._end_ps = self._clock.now_ps
        self.wire.set(1)

    def _left(self, now_ps: int) -> tuple[int, Toggles]:
        """Return the level of the frame under way and the toggles to come, in ps from now."""
        done_ps = now_ps - self._start_ps
        past = bisect_right(self._shape, done_ps)
        return 1 ^ (past & 1), tuple(toggle - done_ps for toggle in self._shape[past:])

    def _show(self) -> None:
        """Put on the wire what belongs there from now on: space, the rest of a frame, or mark."""
        now_ps = self._clock.now_ps
        if self.breaking:
            self.wire.set(0)
        elif now_ps < self._end_ps:
            level, left = self._left(now_ps)
            self.wire.set(level)
            self.wire.play(now_ps, left)
        else:
            self.wire.set(1)
