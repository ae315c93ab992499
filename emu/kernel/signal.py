"""One kind of wire for interrupt lines, pins and serial lines: a level over time.

A level is 0 or 1 and piecewise constant. It can be `set` now, or `play`ed into the future as a
list of toggle times, which is what a transmitter does with a whole frame at once. Watchers are
told of every change when it happens. A sampler is told at once that something was played and
looks at the waveform at moments of its own choosing, which lets a receiver spend one event on a
character instead of one on every edge. Electrical levels and slopes are left out.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from itertools import repeat
from typing import NamedTuple

from emu.kernel.clock import NEVER_PS, Clock

__all__ = ["Piece", "Row", "Signal", "Toggles"]

Toggles = tuple[int, ...]
Piece = tuple[int, Toggles, int]  # start in ps, toggle offsets from it in ps, level before
Edges = set[int]  # moments in ps at which a wire toggles
Watcher = Callable[[int], None]
Sampler = Callable[[int], None]

_STEP: Toggles = (0,)


class Row(NamedTuple):
    """Waveforms played one after the other: when each begins in ps, and its toggle offsets."""

    starts_ps: Sequence[int]
    shapes: Sequence[Toggles]


class Signal:
    """A wire with a name and a level.

    Attributes:
        pieces: what was put on the wire, oldest first, as far as it is kept.
        row: the waveforms of the last `play_row`, as long as they are what `pieces` end with.
        alert_ps: the sampler is told only of what starts before this time; it sets it while it
            follows something that is known already.

    Args:
        clock: the clock of the board.
        name: how records and messages call it, such as ``telemetry.irq``.
        level: the level before anything happens, 0 or 1.

    >>> line = Signal(Clock(), "sea.line", level=1)
    >>> line.play(100, (0, 50))
    >>> [line.level_at(t) for t in (99, 100, 149, 150)]
    [1, 0, 0, 1]
    """

    __slots__ = (
        "_clock", "_disturbed_ps", "_final", "_plain", "_sampler", "_tails_ps", "_told",
        "_watchers", "alert_ps", "name", "pieces", "row",
    )  # fmt: skip

    def __init__(self, clock: Clock, name: str, *, level: int = 0) -> None:
        self.name = name
        self.pieces: deque[Piece] = deque(((0, (), level),))
        self.row: Row | None = None
        self._clock = clock
        self._final = level
        self._told = level
        self._plain = True  # only ever set, as an interrupt line is
        self._disturbed_ps = -1
        self._tails_ps: list[int] = []  # when the disturbances under way end
        self._watchers: list[Watcher] = []
        self._sampler: Sampler | None = None
        self.alert_ps = NEVER_PS

    @property
    def level(self) -> int:
        """The level now."""
        return self.level_at(self._clock.now_ps)

    def watch(self, watcher: Watcher) -> None:
        """Call `watcher` with the new level at every change from now on, played ones included."""
        if not self._watchers:
            now_ps = self._clock.now_ps
            self._told = self.level_at(now_ps)
            for start_ps, toggles, _ in self.pieces:
                self._announce(start_ps, [one for one in toggles if start_ps + one > now_ps])
        self._watchers = [*self._watchers, watcher]

    def sample(self, sampler: Sampler) -> None:
        """Call `sampler` with the start time of whatever is set or played, and keep the waveform.

        The sampler must call `forget_before` as it goes; a wire has at most one.
        """
        self._sampler = sampler
        self._plain = False

    def stop_sampling(self) -> None:
        """Let go of the sampler; the waveform is no longer kept."""
        self._sampler = None
        self.alert_ps = NEVER_PS

    def set(self, level: int) -> None:
        """Drive the wire to `level` now, cutting off whatever was played beyond this moment.

        A disturbance under way goes on: it inverts what drives the wire, whatever that is.
        """
        if self._plain:
            if level != self._final:
                self.pieces[0] = (self._clock.now_ps, _STEP, self._final)
                self._final = level
                self._tell(level)
            return
        now_ps = self._clock.now_ps
        start_ps, toggles, _ = self.pieces[-1]
        if toggles and start_ps + toggles[-1] > now_ps:
            self._cut(now_ps)
        if now_ps < self._disturbed_ps:
            self._set_disturbed(level, now_ps)
            return
        if level != self._final:
            self._append(now_ps, _STEP)
            self._final = level
            if self._watchers and level != self._told:
                self._tell(level)

    def play(self, start_ps: int, toggles: Toggles) -> None:
        """Toggle the wire at `start_ps` plus each of `toggles`, all at or after now.

        Args:
            start_ps: at or after now and after everything played before.
            toggles: offsets in ps, strictly increasing, the first 0 or more.
        """
        if not toggles:
            return
        self._plain = False
        if self._watchers:
            self._announce(start_ps, toggles)
        self.row = None
        final = self._final
        self._final = final ^ (len(toggles) & 1)
        if start_ps <= self._disturbed_ps:
            self._play_over(start_ps, toggles)
        elif self._sampler is None:
            self.forget_before(self._clock.now_ps)
            self.pieces.append((start_ps, toggles, final))
        else:
            self.pieces.append((start_ps, toggles, final))
            if start_ps < self.alert_ps:
                self._sampler(start_ps)

    def play_row(self, starts_ps: Sequence[int], row: Sequence[Toggles]) -> None:
        """Play several waveforms one after the other; each must leave the level as it was.

        Args:
            starts_ps: start times as for `play`, increasing.
            row: the toggle offsets of each.
        """
        if self._watchers or self._sampler is None or starts_ps[0] <= self._disturbed_ps:
            for start_ps, toggles in zip(starts_ps, row, strict=True):
                self.play(start_ps, toggles)
            return
        self.pieces.extend(zip(starts_ps, row, repeat(self._final), strict=False))
        self.row = Row(starts_ps, row)
        if starts_ps[0] < self.alert_ps:
            self._sampler(starts_ps[0])

    def _set_disturbed(self, level: int, now_ps: int) -> None:
        """Drive the wire to `level` now, under the disturbances that are on it."""
        tails_ps = _odd(one for one in self._tails_ps if one > now_ps)
        shown = level ^ (len(tails_ps) & 1)
        edges_ps = tails_ps ^ {now_ps} if shown != self._final else tails_ps
        if edges_ps:
            self._append(now_ps, _offsets(edges_ps, now_ps))
        self._final = level
        if self._watchers and shown != self._told:
            self._tell(shown)

    def _play_over(self, start_ps: int, toggles: Toggles) -> None:
        """Play while a disturbance is still on the wire."""
        level, edges_ps = self._take_back(start_ps)
        while self._reaches(start_ps):
            level, earlier_ps = self._take_back(start_ps)
            edges_ps |= earlier_ps
        if not self.pieces:
            self.pieces.append((self._clock.now_ps, (), level))
        self._put(start_ps, edges_ps ^ {start_ps + one for one in toggles}, level)
        if self._sampler is not None:
            self._sampler(start_ps)

    def level_at(self, at_ps: int) -> int:
        """Return the level at `at_ps`, as far back as the waveform is kept."""
        found = self.pieces[0]
        for piece in self.pieces:  # what is looked for stands near the front
            if piece[0] > at_ps:
                break
            found = piece
        start_ps, toggles, before = found
        return before ^ (bisect_right(toggles, at_ps - start_ps) & 1)

    def next_fall_ps(self, from_ps: int) -> int | None:
        """Return when the wire first goes from 1 to 0 at or after `from_ps`, if that is known."""
        for start_ps, toggles, before in self.pieces:
            if not toggles or start_ps + toggles[-1] < from_ps:
                continue
            for number, offset_ps in enumerate(toggles):
                if before ^ (number & 1) and start_ps + offset_ps >= from_ps:
                    return start_ps + offset_ps
        return None

    def next_rise_ps(self, from_ps: int) -> int | None:
        """Return when the wire first goes from 0 to 1 at or after `from_ps`, if that is known."""
        for start_ps, toggles, before in self.pieces:
            for number, offset_ps in enumerate(toggles):
                if not before ^ (number & 1) and start_ps + offset_ps >= from_ps:
                    return start_ps + offset_ps
        return None

    def forget_before(self, at_ps: int) -> None:
        """Drop the waveform that nobody needs to tell the level from `at_ps` on."""
        pieces = self.pieces
        while len(pieces) > 1 and pieces[1][0] <= at_ps:
            pieces.popleft()

    def disturb(self, width_ps: int) -> None:
        """Invert the wire from now for `width_ps`, whatever is on it: a glitch.

        Args:
            width_ps: 1 or more.
        """
        now_ps = self._clock.now_ps
        end_ps = now_ps + width_ps
        self._plain, self.row = False, None
        if self._sampler is None:
            self.forget_before(now_ps)
        if self._reaches(now_ps) or self.pieces[-1][0] > now_ps:
            self._invert(now_ps, end_ps)
        else:
            self.pieces.append((now_ps, (0, width_ps), self._final))
        self._tails_ps = [*(one for one in self._tails_ps if one > now_ps), end_ps]
        self._disturbed_ps = max(self._disturbed_ps, end_ps)
        if self._watchers:
            self._announce(now_ps, (0, width_ps))
        if self._sampler is not None:
            self._sampler(now_ps)

    def _invert(self, from_ps: int, until_ps: int) -> None:
        """Invert what is on the wire from `from_ps` until `until_ps`.

        Only the pieces that this meets are touched, however many are played ahead; those that
        begin later stand at the left meanwhile, so that the one concerned is the last.
        """
        pieces = self.pieces
        later = 0
        for piece in reversed(pieces):
            if piece[0] <= from_ps:
                break
            later += 1
        pieces.rotate(later)
        level, edges_ps = self._take_back(from_ps)
        if len(pieces) == later:
            pieces.append((from_ps, (), level))  # one at least has begun by now
        met = 0
        while met < later and pieces[met][0] <= until_ps:
            met += 1
        if not met:
            edges_ps ^= {until_ps}
        self._put(from_ps, edges_ps ^ {from_ps}, level)
        for left in range(met, 0, -1):
            start_ps, toggles, before = pieces.popleft()
            inverted_ps = {start_ps + one for one in toggles}
            if left == 1:
                inverted_ps ^= {until_ps}
            self._put(start_ps, inverted_ps, before ^ 1)
        pieces.rotate(met - later)

    def _take_back(self, at_ps: int) -> tuple[int, Edges]:
        """Take the last piece from `at_ps` on off the wire.

        Returns:
            The level just before `at_ps`, or before the piece, and when it would have toggled.
        """
        start_ps, toggles, before = self.pieces.pop()
        count = bisect_left(toggles, at_ps - start_ps)
        if count:
            kept = toggles if count == len(toggles) else toggles[:count]
            self.pieces.append((start_ps, kept, before))
        return before ^ (count & 1), {start_ps + one for one in toggles[count:]}

    def _put(self, start_ps: int, edges_ps: Edges, before: int) -> None:
        """Add a piece that toggles at `edges_ps`, if it ever does."""
        if edges_ps:
            self.pieces.append((start_ps, _offsets(edges_ps, start_ps), before))

    def _reaches(self, at_ps: int) -> bool:
        """Say whether the last piece goes on at `at_ps` or after."""
        if not self.pieces:
            return False
        start_ps, toggles, _ = self.pieces[-1]
        return bool(toggles) and start_ps + toggles[-1] >= at_ps

    def _append(self, start_ps: int, toggles: Toggles) -> None:
        self.row = None
        pieces = self.pieces
        if self._sampler is None:
            self.forget_before(self._clock.now_ps)
        pieces.append((start_ps, toggles, self._final))
        if self._sampler is not None:
            self._sampler(start_ps)

    def _cut(self, at_ps: int) -> None:
        """Remove every toggle after `at_ps`."""
        self.row = None
        while True:
            start_ps, toggles, before = self.pieces.pop()
            kept = toggles[: bisect_right(toggles, at_ps - start_ps)] if start_ps <= at_ps else ()
            if kept or not self.pieces:
                self.pieces.append((start_ps, kept, before))
                self._final = before ^ (len(kept) & 1)
                return

    def _announce(self, start_ps: int, toggles: Iterable[int]) -> None:
        """Look at the wire at each toggle, to tell watchers unless it was cut off by then."""
        for offset_ps in toggles:
            self._clock.schedule(start_ps + offset_ps, self._look)

    def _look(self) -> None:
        level = self.level
        if level != self._told:
            self._tell(level)

    def _tell(self, level: int) -> None:
        """Tell every watcher, unless one of them drives the wire: that has told the others."""
        self._told = level
        for watcher in self._watchers:
            if self._told != level:
                return
            watcher(level)


def _offsets(edges_ps: Iterable[int], start_ps: int) -> Toggles:
    return tuple([edge - start_ps for edge in sorted(edges_ps)])


def _odd(times_ps: Iterable[int]) -> Edges:
    """Return the times that are given an odd number of times: two toggles at once are none."""
    odd: Edges = set()
    for one in times_ps:
        odd ^= {one}
    return odd
