"""A transmitter that plays frames on a wire, one after the other, and can hold a break."""

from __future__ import annotations

from emu.kernel.clock import Clock
from emu.kernel.signal import Signal, Toggles
from emu.line.frame import BitRate, FrameFormat, Shapes, rate_of

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
        self._shapes = Shapes(FrameFormat(), rate_of(9600))
        self._shape: Toggles = ()
        self._start_ps = 0
        self._end_ps = 0
        self.breaking = False

    @property
    def frame_ps(self) -> int:
        """Time of a whole frame in ps."""
        return self._shapes.frame_ps

    @property
    def shapes(self) -> Shapes:
        """The waveforms in use."""
        return self._shapes

    def configure(self, frame: FrameFormat, rate: BitRate) -> None:
        """Take another format and rate from the next character on."""
        if (frame, rate) != (self._shapes.frame, self._shapes.rate):
            self._shapes = Shapes(frame, rate)

    def send(self, byte: int, start_ps: int) -> int:
        """Play a frame from `start_ps`, at or after now, and return when its last stop bit ends."""
        shapes = self._shapes
        self._shape = shape = shapes.of(byte)
        self._start_ps = start_ps
        if not self.breaking:
            self.wire.play(start_ps, shape)
        self._end_ps = end_ps = start_ps + shapes.frame_ps
        return end_ps

    def retime(self, rate: BitRate) -> int:
        """Let the rest of the frame under way go at another rate, and return when it now ends.

        This is what a change of the divisor does to a character that is being shifted.
        """
        now_ps = self._clock.now_ps
        old = self._shapes.rate
        self.configure(self._shapes.frame, rate)
        if now_ps >= self._end_ps:
            return now_ps
        done_ps = now_ps - self._start_ps
        stretch = rate.num * old.den, rate.den * old.num
        left = tuple(
            (toggle - done_ps) * stretch[0] // stretch[1]
            for toggle in self._shape
            if toggle > done_ps
        )
        if not self.breaking:
            self.wire.set(self.wire.level)
            self.wire.play(now_ps, left)
        self._shape = left
        self._start_ps = now_ps
        self._end_ps = now_ps + (self._end_ps - now_ps) * stretch[0] // stretch[1]
        return self._end_ps

    def move(self, wire: Signal) -> None:
        """Continue on another wire; the one left falls idle at once."""
        if wire is not self.wire:
            self.wire.set(1)
            self.wire = wire
            if self.breaking:
                wire.set(0)

    def hold_break(self, breaking: bool) -> None:
        """Force the wire to space, or let go of it; frames under way go on unseen meanwhile."""
        if breaking == self.breaking:
            return
        self.breaking = breaking
        if breaking:
            self.wire.set(0)
            return
        now_ps = self._clock.now_ps
        done_ps = now_ps - self._start_ps
        past = [toggle for toggle in self._shape if toggle <= done_ps]
        under_way = now_ps < self._end_ps and self._start_ps <= now_ps
        self.wire.set(1 ^ (len(past) & 1) if under_way else 1)
        if under_way:
            self.wire.play(now_ps, tuple(t - done_ps for t in self._shape if t > done_ps))
