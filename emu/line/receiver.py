"""A receiver that samples a wire with a 16x clock of its own and finds characters.

It wakes on a falling edge and schedules one event, at the middle of the stop bit, where it looks
back at the waveform. Rate mismatch, noise, breaks and bit-banged pins come out of the waveform
with no special case. Where a frame is undisturbed and every sample falls clear of every edge
whatever the phase of the 16x clock, the answer is remembered for that shape.

Source: 16x sampling, start bit checked in its middle, one sample a bit, first stop bit only:
PC16550D datasheet (TL/C/8652, June 1995), sections 8.1 and 8.4. After a framing error the bad stop
bit is taken as the next start bit; a break loads one zero character and the receiver waits for the
line to return to mark (section 8.4).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from functools import lru_cache
from itertools import islice
from operator import sub

from emu.kernel.clock import NEVER_PS, Clock
from emu.kernel.signal import Piece, Row, Signal, Toggles
from emu.line.frame import (
    BREAK,
    FRAMING_ERROR,
    PARITY_ERROR,
    BitRate,
    FrameFormat,
    parity_bit,
)

__all__ = ["Deliver", "Receiver"]

Deliver = Callable[[int, int], None]  # data, error flags

_MID = 8  # 16x cycles from the detected start edge to the middle of the start bit
_KEPT_SHAPES = 4096
_WORTH_A_ROW = 2
_IDLE = -1


class Receiver:
    """Find characters on a wire.

    Args:
        clock: the clock of the board.
        deliver: called with the data bits and error flags at the middle of the stop bit.

    Attributes:
        edge_ps: the start edge of the character that came or is coming.
        on_lapse: called when a character that was announced by `more` does not come after all.
        more: while a character is delivered, whether the next is known to follow soon.
    """

    __slots__ = (
        "_break_from_ps", "_clock", "_deliver", "_finish_ps", "_foreseen", "_foreseen_row",
        "_format", "_from_ps", "_judge_ps", "_known", "_least_gap_ps", "_near_ps", "_rate",
        "_room", "_row", "_shapes", "_start_tick", "_stop_ticks", "_tick_den", "_tick_num", "_wire",
        "edge_ps", "more", "on_lapse",
    )  # fmt: skip

    def __init__(self, clock: Clock, deliver: Deliver) -> None:
        self._clock = clock
        self._deliver = deliver
        self._wire: Signal | None = None
        self._format = FrameFormat()
        self._rate: BitRate | None = None
        self._from_ps = 0
        self._finish_ps = _IDLE
        self._start_tick = 0
        self._stop_ticks = 0
        self._tick_num = self._tick_den = 1
        self._break_from_ps = _IDLE
        self._judge_ps = _IDLE
        self._known: dict[int, int] = {}  # data by the id of a shape in _shapes
        self._shapes: list[Toggles] = []  # keeps them alive, so that no other can have its id
        self._near_ps = 0
        self._least_gap_ps = 0
        self._foreseen_row: Row | None = None
        self._foreseen = b""
        self._room: Callable[[], int] = lambda: 0
        self._row: Callable[[bytes], None] | None = None
        self.edge_ps = 0
        self.more = False
        self.on_lapse: Callable[[], None] = lambda: None

    def wrap_deliver(self, wrapper: Callable[[Deliver], Deliver]) -> None:
        """Put ``wrapper(deliver)`` in the place of the function that takes characters."""
        self._deliver = wrapper(self._deliver)
        self._row = None

    def deliver_rows(self, room: Callable[[], int], row: Callable[[bytes], None]) -> None:
        """Hand over several characters in one call where nobody can tell the difference.

        Args:
            room: tells how many whole characters may come now without anything to be seen before
                the last but that they are there.
            row: called with them at the time of the last.
        """
        self._room = room
        self._row = row

    def deliver_singly(self) -> None:
        """Hand over each character at its own time from now on."""
        self._row = None

    @property
    def busy(self) -> bool:
        """Whether a character is coming in."""
        return self._finish_ps != _IDLE

    def listen(self, wire: Signal | None) -> None:
        """Listen to `wire` from now on; a character that was coming in is lost."""
        if self._wire is not None:
            self._wire.stop_sampling()
        self._wire = wire
        self._rest(self._clock.now_ps)
        if wire is not None:
            wire.sample(self._wake)
            self._search()

    def configure(self, frame: FrameFormat, rate: BitRate | None) -> None:
        """Take another format and rate; a character that is coming in is misread accordingly.

        Args:
            frame: the word format.
            rate: the bit rate, None when the 16x clock stands still.
        """
        if (frame, rate) == (self._format, self._rate):
            return
        stood_still = self._rate is None
        self._foreseen_row, self._foreseen = None, b""
        self._format = frame
        self._rate = rate
        self._stop_ticks = _MID + 16 * (frame.samples - 1)
        if rate is None:
            self._known, self._shapes = {}, []
            self._rest(self._clock.now_ps)
            return
        self._known, self._shapes = _answers(frame, rate)
        self._tick_num, self._tick_den = rate.num, 8 * rate.den
        self._near_ps = 2 * rate.half_bits_ps(frame.half_bits)
        self._least_gap_ps = rate.ticks_ps(self._stop_ticks + 1) + 1
        if self.busy:
            self._start(rate.first_tick(self.edge_ps))
        elif stood_still:
            self._from_ps = self._clock.now_ps
            self._search()

    def _wake(self, start_ps: int) -> None:
        """Look at the wire: something was put on it."""
        if self._finish_ps != _IDLE:
            if start_ps < self.edge_ps:
                self._search()  # ahead of the start bit that was known so far
        elif self._judge_ps == _IDLE:
            if self._break_from_ps != _IDLE:
                self._end_break()
            else:
                self._search()

    def _rest(self, from_ps: int) -> None:
        if self._wire is not None:
            self._wire.alert_ps = NEVER_PS
        self._finish_ps = _IDLE
        self._break_from_ps = _IDLE
        self._judge_ps = _IDLE
        self._from_ps = from_ps
        if self.more:
            self.more = False
            self.on_lapse()

    def _search(self) -> None:
        """Find the next falling edge and follow it."""
        wire, rate = self._wire, self._rate
        if wire is None:
            return
        if rate is None:
            wire.forget_before(self._clock.now_ps)
            return
        edge_ps = wire.next_fall_ps(self._from_ps)
        if edge_ps is not None:
            self.edge_ps = edge_ps
            self._start(-(-edge_ps * self._tick_den // self._tick_num))

    def _start(self, tick: int) -> None:
        """Follow a start bit detected at 16x cycle `tick`."""
        self._start_tick = tick
        finish_ps = (tick + self._stop_ticks) * self._tick_num // self._tick_den
        clock = self._clock
        if finish_ps < clock.now_ps:  # noqa: PLR1730 - max() costs a call for each character
            finish_ps = clock.now_ps
        self._finish_ps = finish_ps
        wire = self._wire
        if wire is not None:
            wire.alert_ps = self.edge_ps
        clock.schedule(finish_ps, self._finish)

    def _finish(self) -> None:  # noqa: C901 - the hot path of every stream, see DEVELOPERS.md
        """Look back at the frame from the middle of its stop bit, and at those that follow.

        As long as frames are known shapes back to back and nothing else is due, one event serves
        for all of them; this loop is the hot path of every stream.
        """
        clock = self._clock
        now_ps = clock.now_ps
        wire = self._wire
        if now_ps != self._finish_ps or wire is None:
            return  # overtaken by another start
        pieces, known = wire.pieces, self._known
        edge_ps = self.edge_ps
        while len(pieces) > 1 and pieces[1][0] <= edge_ps:
            pieces.popleft()
        self._finish_ps = _IDLE
        wire.alert_ps = NEVER_PS
        while True:
            start_ps, shape, _ = pieces[0]
            if start_ps != self.edge_ps or (len(pieces) > 1 and pieces[1][0] <= now_ps):
                break
            in_row = self._row is not None and wire.row is not None
            last_ps = self._take_row(wire, now_ps) if in_row else _IDLE
            if last_ps != _IDLE:
                now_ps = last_ps
            else:
                data = known.get(id(shape))
                if data is None:
                    data = self._learn(shape)
                    if data is None:
                        break
                self.more = len(pieces) > 1 and pieces[1][0] <= now_ps + self._near_ps
                self._deliver(data, 0)
                if self._finish_ps != _IDLE:
                    return
            self._from_ps = now_ps
            if len(pieces) == 1:
                return
            at_ps = self._follow(pieces[1], now_ps)
            if at_ps == _IDLE:
                return
            if not clock.step_to(at_ps):
                clock.schedule(at_ps, self._finish)
                return
            now_ps = at_ps
            pieces.popleft()
            self._finish_ps = _IDLE
            wire.alert_ps = NEVER_PS
        self.more = False
        self._decode(wire, now_ps)

    def _take_row(self, wire: Signal, now_ps: int) -> int:
        """Take characters that nobody would notice one by one, and return when the last came.

        The first is the one that comes now. All must be foreseen, and nothing else may be due
        until the last of them; else nothing is taken.
        """
        row = wire.row
        if row is not self._foreseen_row:
            self._foresee(row)
        foreseen, pieces = self._foreseen, wire.pieces
        left = len(pieces)
        first = len(foreseen) - left
        if row is None or first < 0:
            return _IDLE
        clock = self._clock
        horizon_ps = clock.horizon_ps
        count = min(self._room(), 1 + 2 * (horizon_ps - now_ps) // self._near_ps, left)
        if count < _WORTH_A_ROW:
            return _IDLE
        end = first + count
        edge_ps = row.starts_ps[end - 1]
        tick = -(-edge_ps * self._tick_den // self._tick_num)
        at_ps = (tick + self._stop_ticks) * self._tick_num // self._tick_den
        if at_ps > horizon_ps:
            return _IDLE
        clock.step(at_ps, count - 1)
        deque(islice(iter(pieces.popleft, None), count - 1), maxlen=0)  # drops them without a loop
        self.edge_ps = edge_ps
        self._start_tick = tick
        self.more = count < left  # the next follows as soon as these did
        assert self._row is not None
        self._row(foreseen[first:end])
        return at_ps

    def _foresee(self, row: Row | None) -> None:
        """Work out what a row says if all of it are known shapes, one soon after the other."""
        self._foreseen_row, self._foreseen = row, b""
        if row is None:
            return
        gaps_ps = set(map(sub, row.starts_ps[1:], row.starts_ps))
        if not gaps_ps or max(gaps_ps) > self._near_ps or min(gaps_ps) < self._least_gap_ps:
            return
        said = list(map(self._known.get, map(id, row.shapes)))
        if None in said:
            said = list(map(self._learn, row.shapes))
        if None not in said:
            self._foreseen = bytes(said)  # type: ignore[arg-type]  # there is no None in it

    def _follow(self, piece: Piece, now_ps: int) -> int:
        """Return when to look at the next piece if it begins with a start bit, the common case."""
        edge_ps, shape, before = piece
        if not before or shape[0] or edge_ps < now_ps or self._wire is None:
            self._search()
            return _IDLE
        self.edge_ps = self._wire.alert_ps = edge_ps
        self._start_tick = tick = -(-edge_ps * self._tick_den // self._tick_num)
        self._finish_ps = at_ps = (tick + self._stop_ticks) * self._tick_num // self._tick_den
        return at_ps

    def _samples(self, wire: Signal, rate: BitRate) -> list[int]:
        first = self._start_tick + _MID
        return [
            wire.level_at(rate.ticks_ps(first + 16 * number))
            for number in range(self._format.samples)
        ]

    def _decode(self, wire: Signal, now_ps: int) -> None:
        """Sample the waveform on the 16x clock and judge what came."""
        rate = self._rate
        if rate is None:
            return
        bits = self._samples(wire, rate)
        if bits[0]:
            self._from_ps = rate.ticks_ps(self._start_tick + _MID)
            self.on_lapse()
            self._search()
            return
        data, flags = _judge(bits, self._format)
        if not any(bits):
            word_end_ps = self.edge_ps + rate.half_bits_ps(self._format.half_bits)
            self._break_from_ps = now_ps
            self._judge_ps = max(word_end_ps, now_ps)
            self._clock.schedule(self._judge_ps, lambda: self._judge_break(flags))
            return
        self._from_ps = now_ps
        self._deliver(data, flags)
        self._go_on(flags, now_ps)

    def _go_on(self, flags: int, now_ps: int) -> None:
        """Look for the next character; a low stop bit counts as its start bit."""
        if self._finish_ps != _IDLE or self._wire is None:
            return
        rate = self._rate
        if rate is not None and flags & FRAMING_ERROR and not self._wire.level_at(now_ps):
            tick = self._start_tick + self._stop_ticks - _MID
            self.edge_ps = rate.ticks_ps(tick)
            self._start(tick)
        else:
            self._search()

    def _judge_break(self, flags: int) -> None:
        """Decide at the end of the word whether the line was low throughout."""
        stop_ps = self._break_from_ps
        wire = self._wire
        if self._clock.now_ps != self._judge_ps or wire is None:
            return  # a reset or another wire came in between
        self._judge_ps = _IDLE
        rise_ps = wire.next_rise_ps(stop_ps)
        if rise_ps is not None and rise_ps < self._clock.now_ps:
            self._break_from_ps = _IDLE
            self._from_ps = stop_ps
            self._deliver(0, flags)
            self._go_on(flags, stop_ps)
            return
        self._deliver(0, flags | BREAK)
        self._end_break()

    def _end_break(self) -> None:
        """Go on looking for start bits once the line is back at mark.

        A rise that is only announced is waited for: the wire may be told something else by then.
        """
        wire = self._wire
        if wire is None or self._break_from_ps == _IDLE or self._judge_ps != _IDLE:
            return
        rise_ps = wire.next_rise_ps(self._break_from_ps)
        if rise_ps is not None and rise_ps > self._clock.now_ps:
            self._clock.schedule(rise_ps, self._end_break)
        elif rise_ps is not None:
            self._break_from_ps = _IDLE
            self._from_ps = rise_ps
            self._search()

    def _learn(self, shape: Toggles) -> int | None:
        """Return what a shape says that reads the same in every phase of the 16x clock, else None.

        The answer is kept; whether it was known before makes no difference to anything but speed.
        """
        data = self._known.get(id(shape))
        if data is None:
            data = self._read_in_every_phase(shape)
            if data is not None and len(self._known) < _KEPT_SHAPES:
                self._known[id(shape)] = data
                self._shapes.append(shape)
        return data

    def _read_in_every_phase(self, shape: Toggles) -> int | None:
        rate, frame = self._rate, self._format
        if rate is None:
            return None
        bits = []
        before = 0
        for number in range(frame.samples):
            early_ps = rate.ticks_ps(_MID + 16 * number) - 2
            late_ps = rate.ticks_ps(_MID + 16 * number + 1) + 2
            before = sum(1 for toggle in shape if toggle <= early_ps)
            if before != sum(1 for toggle in shape if toggle <= late_ps):
                return None
            bits.append(1 ^ (before & 1))
        data, flags = _judge(bits, frame)
        if bits[0] or flags or shape[0] or before != len(shape) or len(shape) & 1:
            return None  # not one whole frame without errors that leaves the line at mark
        return data


@lru_cache(maxsize=256)
def _answers(_frame: FrameFormat, _rate: BitRate) -> tuple[dict[int, int], list[Toggles]]:
    """Return what receivers of that format and rate remember; all of them share it."""
    return {}, []


def _judge(bits: list[int], frame: FrameFormat) -> tuple[int, int]:
    """Return data and error flags of sampled bits: start, data, parity if any, stop."""
    data = sum(bit << number for number, bit in enumerate(bits[1 : 1 + frame.data_bits]))
    flags = 0
    if frame.parity != "none" and bits[-2] != parity_bit(data, frame.parity):
        flags |= PARITY_ERROR
    if not bits[-1]:
        flags |= FRAMING_ERROR
    return data, flags
