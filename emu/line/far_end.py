"""What hangs at the far end of a serial line: it hears, it speaks, each with a clock of its own.

A `FarEnd` owns a receiver on the wire from the driver and a transmitter on the wire to it, and a
queue of what it is still going to say. What it does with what it hears is a `Behaviour`, one class
a kind. A clean, steady stream is played some frames ahead, which costs one event for all of them.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from fractions import Fraction
from math import gcd
from typing import Protocol

from emu.kernel.clock import PS_PER_S, Clock
from emu.kernel.signal import Signal
from emu.line.frame import BitRate, FrameFormat, format_of, rate_of
from emu.line.plan import FarEndPlan, NoisePlan, ScriptLine
from emu.line.receiver import Receiver
from emu.line.transmitter import Transmitter
from emu.units import LineSettings

__all__ = ["Behaviour", "FarEnd"]

_AHEAD_FRAMES = 500  # at least, when nothing can come in between
_MOST_AHEAD = 256
_FEW_FRAMES = 4
_READY_WIRES = ("cts", "dsr", "dcd")


class Behaviour(Protocol):
    """What a far end does."""

    def begin(self, far: FarEnd) -> None:
        """Start, at the moment at which the driver was first opened, or has raised RTS."""

    def heard(self, far: FarEnd, data: int, flags: int) -> None:
        """React to a character with its error flags."""

    @property
    def done(self) -> bool:
        """Whether it has nothing of its own left to say."""


class FarEnd:
    """Speak and listen at the other end of a driver's line.

    Args:
        plan: what it is and does.
        clock: the clock of the board.
        wires: the wires of the driver's controller by name: ``sin``, ``sout``, ``rts`` and the
            modem inputs.
        line: settings to speak unless the plan gives its own.
        seed: seed of its noise.

    Attributes:
        sent: every character it began to send, breaks left out.
        received: every character it heard.
        flagged: error flags of heard characters by index into `received`.
        transmitter, receiver: its ends of the wires.
        on_speak: called as each character begins, where RTS is heeded.
    """

    def __init__(
        self,
        plan: FarEndPlan,
        clock: Clock,
        wires: Mapping[str, Signal],
        line: LineSettings,
        *,
        seed: int = 1,
    ) -> None:
        self.plan = plan
        self.clock = clock
        self.sent = bytearray()
        self.received = bytearray()
        self.flagged: dict[int, int] = {}
        self.transmitter = Transmitter(clock, wires["sin"])
        self.receiver = Receiver(clock, self._hear)
        self.line = plan.line or line
        self._wires = wires
        self._rts = wires["rts"] if plan.flow else None
        self._lag_left = 0  # characters that still come although RTS is down
        self._awaits_rts = False  # whether it begins when RTS rises
        self.on_speak: list[Callable[[], None]] = []
        self._queue = bytearray()
        self._next = 0
        self._speaking = False
        self._last_end_ps = 0
        self._held = 0
        self._origin_ps = 0
        self._half_bits = 0
        self._breaks_left = 0
        self._begun = False
        self._noise: _Noise | None = None
        self._random = random.Random(f"far end {seed}")
        self._behaviour = _BEHAVIOURS[plan.kind](plan)
        self._ahead = 1 if plan.gap_ps or plan.flow or plan.breaks else _AHEAD_FRAMES
        self.baud_error = plan.baud_error
        self.speak(self.line)
        self.receiver.listen(wires["sout"])
        for wire in _READY_WIRES:
            if wire in wires:  # the smallest controllers have data wires only
                wires[wire].set(1)
        if self._rts is not None:
            self._rts.watch(self._follow_rts)

    def speak(self, line: LineSettings) -> None:
        """Speak and expect `line`, from the next character on that is not on its way yet."""
        self.line = line
        self.configure(self.baud_error)

    def configure(self, baud_error: Fraction) -> None:
        """Let the clock be off by `baud_error` for what is not on its way yet; positive is fast."""
        self.baud_error = baud_error
        frame, rate = format_of(self.line), rate_of(self.line.baud, baud_error)
        self.transmitter.configure(frame, rate)
        self.receiver.configure(frame, rate)
        self._origin_ps, self._half_bits = self._last_end_ps, 0
        if self._ahead > 1:
            self._ahead = self._look_ahead(frame, rate)

    def _look_ahead(self, frame: FrameFormat, rate: BitRate) -> int:
        """Decide how many frames to play in one go: few once settings have changed under way.

        A number of frames that takes a whole number of ps is preferred: it is cheap to repeat.
        """
        if self._begun:
            return _FEW_FRAMES
        whole = rate.den // gcd(rate.den, frame.half_bits * rate.num)
        return whole * -(-_AHEAD_FRAMES // whole) if whole < _MOST_AHEAD else _AHEAD_FRAMES

    def attend(self) -> None:
        """Note that the driver is going to be opened: an eager one begins when RTS rises."""
        self._awaits_rts = self.plan.eager and self._rts is not None and not self._begun

    def opened(self) -> None:
        """Begin, now that the driver was first opened; an eager one not before RTS is up."""
        if self._begun:
            return
        if not self._awaits_rts or (self._rts is not None and self._rts.level):
            self.begin()

    def begin(self) -> None:
        """Start whatever the plan says; times in it count from now."""
        self._begun, self._awaits_rts = True, False
        self._behaviour.begin(self)
        for one in self.plan.breaks:
            at_ps = self.clock.now_ps + one.at_ps
            self.clock.schedule(at_ps, lambda: self.transmitter.hold_break(True))
            self.clock.schedule(at_ps + one.length_ps, self._end_break)
        self._breaks_left = len(self.plan.breaks)
        if self.plan.noise is not None:
            wire = self._wires["sin"]
            self._noise = _Noise(self.plan.noise, self.clock, wire, self._random)

    def _end_break(self) -> None:
        self.transmitter.hold_break(False)
        self._breaks_left -= 1

    def say(self, data: bytes) -> None:
        """Queue `data` for sending."""
        self._queue += data
        if not self._speaking and self._queue:
            self._speaking = True
            now_ps = self.clock.now_ps
            self._origin_ps, self._half_bits = max(now_ps, self._last_end_ps), 0
            self.clock.schedule(self._origin_ps, self._pump)

    @property
    def quiet(self) -> bool:
        """Whether nothing more will come from it unless it hears something, or is first invited."""
        return self._awaits_rts or (
            self._behaviour.done
            and not self._breaks_left
            and self._next == len(self._queue)
            and self.clock.now_ps >= self._last_end_ps
        )

    @property
    def disturbed(self) -> bool:
        """Whether a break or noise may still come over what it says."""
        return bool(self._breaks_left) or (self._noise is not None and not self._noise.over)

    @property
    def last_end_ps(self) -> int:
        """When the last character it began ends on the wire."""
        return self._last_end_ps

    def _pump(self) -> None:
        """Send what is queued, some frames ahead where nothing can come in between."""
        queue = self._queue
        if self._next == len(queue):
            self._rest()
            return
        if self._rts is not None and not self._may_speak(self._rts.level):
            self._speaking = False  # RTS going up starts again
            return
        shapes = self.transmitter.shapes
        half_bits, step, origin_ps = self._half_bits, shapes.frame.half_bits, self._origin_ps
        if not half_bits and origin_ps < self.clock.now_ps:
            self._origin_ps = origin_ps = self.clock.now_ps  # another rate, set in a gap
        count = min(self._ahead, len(queue) - self._next)
        data = bytes(queue[self._next : self._next + count])
        if half_bits:
            rate = shapes.rate
            starts_ps = [origin_ps + rate.half_bits_ps(half_bits + step * k) for k in range(count)]
        else:
            starts_ps = list(map(origin_ps.__add__, shapes.offsets(count)))
        self.transmitter.send_row(data, starts_ps)
        self.sent += data
        self._next += count
        half_bits += step * count
        end_ps = origin_ps + shapes.rate.half_bits_ps(half_bits)
        self._last_end_ps = end_ps
        if self.plan.gap_ps:
            end_ps += self.plan.gap_ps
        if self.plan.gap_ps or not half_bits * shapes.rate.num % shapes.rate.den:
            self._origin_ps, half_bits = end_ps, 0  # a whole number of ps: no error is carried on
        self._half_bits = half_bits
        # Several frames ahead, go on while the last is under way, so that the wire is never bare.
        self.clock.schedule(end_ps if self._ahead == 1 else starts_ps[-1], self._pump)

    def _rest(self) -> None:
        self._speaking = False
        self._queue.clear()
        self._next = 0

    def _may_speak(self, rts: int) -> bool:
        """Say whether the next character may begin, and let watchers know that it does."""
        if not rts:
            if not self._lag_left:
                return False
            self._lag_left -= 1
        for observer in self.on_speak:
            observer()
        return True

    def _follow_rts(self, level: int) -> None:
        """Go on when RTS rises; when it falls, send what lies in the far end's own FIFO."""
        if not level:
            left = len(self._queue) - self._next
            self._lag_left = min(self.plan.lag, left) if self._speaking else 0
            return
        if self._awaits_rts:
            self.begin()
        if not self._speaking:
            self.say(b"")

    def _hear(self, data: int, flags: int) -> None:
        if flags:
            self.flagged[len(self.received)] = flags
        self.received.append(data)
        if self.plan.flow:
            self._fill()
        self._behaviour.heard(self, data, flags)

    def _fill(self) -> None:
        """Drop CTS while the buffer is full."""
        self._held += 1
        if self._held == self.plan.buffer_bytes and self.plan.busy_ps:
            self._wires["cts"].set(0)
            self.clock.schedule(self.clock.now_ps + self.plan.busy_ps, self._empty)

    def _empty(self) -> None:
        self._held = 0
        self._wires["cts"].set(1)


class _Sink:
    """Only listen."""

    def __init__(self, plan: FarEndPlan) -> None:
        self._plan = plan

    @property
    def done(self) -> bool:
        """Always: it says nothing of its own."""
        return True

    def begin(self, far: FarEnd) -> None:
        """Do nothing."""

    def heard(self, far: FarEnd, data: int, flags: int) -> None:
        """Do nothing."""


class _Echo(_Sink):
    """Send back every character that came without an error."""

    def heard(self, far: FarEnd, data: int, flags: int) -> None:
        """Send it back."""
        if not flags:
            far.say(bytes((data,)))


class _Source(_Sink):
    """Send on its own, steadily or in bursts."""

    def __init__(self, plan: FarEndPlan) -> None:
        super().__init__(plan)
        self._next = 0

    @property
    def done(self) -> bool:
        """Whether the last burst was handed over."""
        return self._next >= len(self._plan.data)

    def begin(self, far: FarEnd) -> None:
        """Send the first burst after the plan's start time."""
        if not self.done:
            far.clock.schedule(far.clock.now_ps + self._plan.start_ps, lambda: self._burst(far))

    def _burst(self, far: FarEnd) -> None:
        plan = self._plan
        size = plan.burst_bytes or len(plan.data)
        far.say(plan.data[self._next : self._next + size])
        self._next += size
        if self.done:
            return
        wire_ps = size * (far.transmitter.frame_ps + plan.gap_ps)
        far.clock.schedule(far.clock.now_ps + wire_ps + plan.pause_ps, lambda: self._burst(far))


class _Script(_Sink):
    """Send at given times, and answer what it hears."""

    def __init__(self, plan: FarEndPlan) -> None:
        super().__init__(plan)
        self._lines = plan.lines
        self._heard = bytearray()
        self._open = 0
        self._longest = max((len(one.when) for one in plan.lines), default=0)
        self._timed_left = sum(1 for one in plan.lines if one.at_ps is not None)

    @property
    def done(self) -> bool:
        """Whether every timed line was said and every answer under way has begun."""
        return not self._timed_left and not self._open

    def begin(self, far: FarEnd) -> None:
        """Schedule every timed line."""
        for one in self._lines:
            if one.at_ps is not None:
                self._later(far, one, far.clock.now_ps + one.at_ps, timed=True)

    def heard(self, far: FarEnd, data: int, flags: int) -> None:
        """Answer when what was heard ends in what a line waits for."""
        if flags:
            return
        self._heard.append(data)
        for one in self._lines:
            if one.at_ps is None and one.when and self._heard.endswith(one.when):
                self._open += 1
                self._later(far, one, far.clock.now_ps + one.after_ps, timed=False)
        del self._heard[: -self._longest or len(self._heard)]

    def _later(self, far: FarEnd, one: ScriptLine, at_ps: int, *, timed: bool) -> None:
        def speak() -> None:
            self._timed_left -= timed
            self._open -= not timed
            far.say(one.data)

        far.clock.schedule(at_ps, speak)


class _Noise:
    """Invert a wire for a moment, at random times."""

    def __init__(
        self, plan: NoisePlan, clock: Clock, wire: Signal, generator: random.Random
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._wire = wire
        self._random = generator
        self._until_ps = None if plan.until_ps is None else clock.now_ps + plan.until_ps
        self._next(clock.now_ps + plan.from_ps)

    @property
    def over(self) -> bool:
        """Whether no more of it comes."""
        return self._until_ps is not None and self._clock.now_ps >= self._until_ps

    def _next(self, from_ps: int) -> None:
        mean_ps = PS_PER_S * self._plan.per_second.denominator // self._plan.per_second.numerator
        at_ps = from_ps + round(self._random.expovariate(1.0) * mean_ps)
        if self._until_ps is None or at_ps < self._until_ps:
            self._clock.schedule(at_ps, self._strike)

    def _strike(self) -> None:
        self._wire.disturb(self._plan.width_ps)
        self._next(self._clock.now_ps + self._plan.width_ps)


_BEHAVIOURS: dict[str, Callable[[FarEndPlan], Behaviour]] = {
    "sink": _Sink,
    "echo": _Echo,
    "source": _Source,
    "script": _Script,
}
