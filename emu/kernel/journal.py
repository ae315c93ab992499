"""What happened, in order, in bounded memory: the tape that the kernel writes as it runs.

An entry is a plain tuple ``(time_ps, who, what, value)``: `who` is the number of a source that was
announced once, `what` and `value` mean what that source says. Equal reads in a row are one entry
and a count, so that a busy-wait loop does not push everything else off the tape. Reading the tape,
printing it and counting over it is the business of `emu.record`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from emu.kernel.where import driver_place

__all__ = ["AGAIN", "DEFAULT_EVENTS", "Entry", "Journal", "Source"]

DEFAULT_EVENTS = 4096
AGAIN = -1  # `what` of the entry that closes a row of equal reads; its value is how many more

Entry = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Source:
    """Say who writes entries.

    Args:
        kind: ``read``, ``write``, ``cpu``, ``fault``, ``line``, ``call`` or another word of ours.
        name: the window, line or device the entries are about.
        width_bits: width of the access, 0 when it is none.
    """

    kind: str
    name: str
    width_bits: int = 0


class Journal:
    """Keep the last `events` entries.

    Args:
        events: how many entries to keep, None for all of them.
        places: note the driver's file and line with every entry, as a fifth element.

    Attributes:
        placed: whether places are noted. Then a row of equal reads also ends where something else
            is noted, so that the tape has everything in its order.
        pauses: with places, called with each entry before it is noted, but for those that close
            rows.
    """

    __slots__ = ("append", "entries", "extend", "open_rows", "pauses", "placed", "sources")

    def __init__(self, *, events: int | None = DEFAULT_EVENTS, places: bool = False) -> None:
        self.entries: deque[Entry] = deque(maxlen=events)
        self.sources: list[Source] = []
        self.open_rows: dict[Callable[[], None], None] = {}  # an ordered set
        self.placed = places
        self.pauses: list[Callable[[Entry], None]] = []
        self.append: Callable[[Entry], None] = (
            self._append_placed if places else self.entries.append
        )
        self.extend: Callable[[Iterable[Entry]], None] = (
            self._extend_placed if places else self.entries.extend
        )

    def source(self, kind: str, name: str, width_bits: int = 0) -> int:
        """Announce a source and return its number."""
        self.sources.append(Source(kind, name, width_bits))
        return len(self.sources) - 1

    def settle(self) -> None:
        """Close every open row of equal reads, so that entries and counters are complete."""
        if self.open_rows:
            for settle in self.open_rows:
                settle()
            self.open_rows.clear()

    def _append_placed(self, entry: Entry) -> None:
        if entry[2] != AGAIN:
            for pause in self.pauses:
                pause(entry)
        self.entries.append((*entry, driver_place()))

    def _extend_placed(self, entries: Iterable[Entry]) -> None:
        place = driver_place()
        self.entries.extend((*entry, place) for entry in entries)
