"""Which line of a copy driver a broken promise leads to: the first reason that applies.

The one idea: reasons are asked for only after a promise was broken, so what a driver does in its
own way is never held against it while the bytes are right.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from emu.kernel.where import Place
from emu.scenario.copy_memory import Piece
from emu.scenario.copy_watch import NOWHERE, Begun, CopyWatch

__all__ = ["Blame", "CopyBlame", "in_words"]

Blame = tuple[str, Place]  # rule and place; the rule is "" where none is known
_UNKNOWN: Blame = ("", NOWHERE)
_WORDS = {
    "abort-not-awaited": "; it did not wait until the channel it aborted had stopped",
    "channel-at-work": "; a write to a channel at work had no effect",
    "descriptor-unfinished": "; the engine looked at a descriptor that was not complete",
    "end-mistaken": "; BUSY was up when the transfer was taken to be over",
    "error-taken-for-success": "; STATUS had shown ERROR",
    "error-unheard": "; the channel had met an error",
    "event-cleared-uncounted": "; DONE or ERROR was cleared unseen",
    "items-miscounted": "; COUNT was not the items of these bytes",
}


class CopyBlame:
    """Lead broken promises to lines.

    Args:
        watch: what engine and driver did.
    """

    def __init__(self, watch: CopyWatch) -> None:
        self._watch = watch

    def of_data(self, pieces: Sequence[Piece], base: int, counted: int, right: int) -> Blame:
        """Return what made bytes go wrong, or a transfer end early.

        Args:
            pieces: what was to be moved.
            base: bus address of the memory.
            counted: how many bytes the driver says were moved.
            right: how many were.
        """
        watch = self._watch
        asked = [(base + one.source, base + one.destination, one.size) for one in pieces]
        strays = [one for one in watch.begun if not _fits(one, asked)]
        for place in (watch.taken_early(), watch.rung_early):
            if place[1]:
                return "descriptor-unfinished", place
        if watch.failed and watch.saw_error[1] and counted > right and not strays:
            return "error-taken-for-success", watch.saw_error
        if watch.ignored[1]:
            return "channel-at-work", watch.ignored
        if watch.counted_early[1]:
            return "end-mistaken", watch.counted_early
        return next(self._miscounts(strays, asked, counted), _UNKNOWN)

    def _miscounts(
        self, strays: Sequence[Begun], asked: Sequence[tuple[int, int, int]], counted: int
    ) -> Iterator[Blame]:
        """Yield where a number of items was written that is not that of the bytes."""
        watch = self._watch
        if watch.impossible[1]:
            yield "items-miscounted", watch.impossible
        for stray in strays:
            if _begins_right(stray, asked):
                yield "items-miscounted", stray.place
        covered = sum(one.destination.stop - one.destination.start for one in watch.begun)
        wanted = sum(size for _, _, size in asked)
        if watch.begun and covered < counted <= wanted and not watch.failed:
            yield "items-miscounted", watch.begun[-1].place

    def of_release(self, call: Place) -> Blame:
        """Return what made a driver believe that the engine had let go.

        Args:
            call: where the driver defines the call that returned too early.
        """
        watch = self._watch
        if watch.aborting[1]:
            return "abort-not-awaited", watch.aborting
        return "end-mistaken", watch.saw_busy if watch.saw_busy[1] else call

    def of_early_end(self) -> Blame:
        """Return what made a driver take something else for the end."""
        watch = self._watch
        return ("end-mistaken", watch.saw_busy) if watch.saw_busy[1] else _UNKNOWN

    def of_silence(self) -> Blame:
        """Return what made the end of a transfer go unnoticed."""
        if self._watch.unseen[1]:
            return "event-cleared-uncounted", self._watch.unseen
        if self._watch.failed:
            return "error-unheard", self._watch.unheard
        return "end-unnoticed", self._watch.interrupted


def in_words(blame: Blame) -> str:
    """Return what to add to a message about what a reason led to."""
    return _WORDS.get(blame[0], "")


def _begins_right(begun: Begun, asked: Sequence[tuple[int, int, int]]) -> bool:
    """Whether a transfer begins inside what was asked, with its source and destination in step."""
    source, destination = begun.source.start, begun.destination.start
    return any(
        into <= destination < into + size and destination - into == source - out
        for out, into, size in asked
    )


def _fits(begun: Begun, asked: Sequence[tuple[int, int, int]]) -> bool:
    """Whether a transfer moves what was asked, or a part of it."""
    return _begins_right(begun, asked) and any(
        into <= begun.destination.start and begun.destination.stop <= into + size
        for _, into, size in asked
    )
