"""One kind of wire for interrupt lines, pins and serial lines: a level over time.

A level is 0 or 1 and piecewise constant. It can be `set` now, or `play`ed into the future as a
list of toggle times, which is what a transmitter does with a whole frame at once. Watchers are
told of every change when it happens. A sampler is told at once that something was played and
looks at the waveform at moments of its own choosing, which lets a receiver spend one event on a
character instead of one on every edge. Electrical levels and slopes are left out.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from itertools import repeat

from emu.kernel.clock import NEVER_PS, Clock

__all__ = ["Piece", "Signal", "Toggles"]

Toggles = tuple[int, ...]
Piece = tuple[int, Toggles, int]  # start in ps, toggle offsets from it in ps, level before
Watcher = Callable[[int], None]
Sampler = Callable[[int], None]

_STEP: Toggles = (0,)


class Signal:
    """A wire with a name and a level.

    Attributes:
        pieces: what was put on the wire, oldest first, as far as it is kept.
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
        "_clock", "_disturbed_ps", "_final", "_sampler", "_told", "_watchers",
        "alert_ps", "name", "pieces",
    )  # fmt: skip

    def __init__(self, clock: Clock, name: str, *, level: int = 0) -> None:
        self.name = name
        self.pieces: deque[Piece] = deque(((0, (), level),))
        self._clock = clock
        self._final = level
        self._told = level
        self._disturbed_ps = -1
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

    def unwatch(self, watcher: Watcher) -> None:
        """Stop calling `watcher`; it must be watching."""
        self._watchers = left = list(self._watchers)
        left.remove(watcher)

    def sample(self, sampler: Sampler) -> None:
        """Call `sampler` with the start time of whatever is set or played, and keep the waveform.

        The sampler must call `forget_before` as it goes; a wire has at most one.
        """
        self._sampler = sampler

    def stop_sampling(self) -> None:
        """Let go of the sampler; the waveform is no longer kept."""
        self._sampler = None
        self.alert_ps = NEVER_PS

    def set(self, level: int) -> None:
        """Drive the wire to `level` now, cutting off whatever was played beyond this moment."""
        now_ps = self._clock.now_ps
        start_ps, toggles, _ = self.pieces[-1]
        if toggles and start_ps + toggles[-1] > now_ps:
            self._cut(now_ps)
        if level != self._final:
            if self._sampler is None and len(self.pieces) == 1:
                self.pieces[0] = (now_ps, _STEP, self._final)  # nobody looks further back
            else:
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
        if self._watchers:
            self._announce(start_ps, toggles)
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
        if starts_ps[0] < self.alert_ps:
            self._sampler(starts_ps[0])

    def _play_over(self, start_ps: int, toggles: Toggles) -> None:
        """Play while a disturbance is still on the wire."""
        self._merge(start_ps, *(start_ps + one for one in toggles))
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
        start_ps, toggles, _ = self.pieces[-1]
        if start_ps > now_ps or (toggles and start_ps + toggles[-1] > now_ps):
            self._merge(now_ps, now_ps, now_ps + width_ps)
        else:
            self.pieces.append((now_ps, (0, width_ps), self._final))
        self._disturbed_ps = max(self._disturbed_ps, now_ps + width_ps)
        if self._watchers:
            self._announce(now_ps, (0, width_ps))
        if self._sampler is not None:
            self._sampler(now_ps)

    def _merge(self, from_ps: int, *toggles_ps: int) -> None:
        """Invert the wire at each of the given times, none of them before `from_ps`.

        Everything from the piece that `from_ps` lies in onwards becomes one piece, since pieces
        may not overlap.
        """
        edges: set[int] = set(toggles_ps)
        start_ps, toggles, before = self.pieces.pop()
        edges ^= {start_ps + offset for offset in toggles}
        while self.pieces and (start_ps > from_ps or self._reaches(start_ps)):
            start_ps, toggles, before = self.pieces.pop()
            edges ^= {start_ps + offset for offset in toggles}
        merged = tuple(edge - start_ps for edge in sorted(edges))
        self.pieces.append((start_ps, merged, before))

    def _reaches(self, at_ps: int) -> bool:
        """Say whether the last piece goes on at `at_ps` or after."""
        start_ps, toggles, _ = self.pieces[-1]
        return bool(toggles) and start_ps + toggles[-1] >= at_ps

    def _append(self, start_ps: int, toggles: Toggles) -> None:
        pieces = self.pieces
        if self._sampler is None:
            self.forget_before(self._clock.now_ps)
        pieces.append((start_ps, toggles, self._final))
        if self._sampler is not None:
            self._sampler(start_ps)

    def _cut(self, at_ps: int) -> None:
        """Remove every toggle after `at_ps`."""
        while True:
            start_ps, toggles, before = self.pieces.pop()
            kept = toggles[: bisect_right(toggles, at_ps - start_ps)] if start_ps <= at_ps else ()
            if kept or not self.pieces:
                self.pieces.append((start_ps, kept, before))
                self._final = before ^ (len(kept) & 1)
                self._disturbed_ps = -1
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
