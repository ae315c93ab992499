"""Compare what a driver returned with what arrived: in order, nothing invented, which gaps.

What a driver returns must be what arrived with some characters left out: those that arrived with
an error may be missing freely, others leave a *gap*, which the driver must have counted. As long
as everything fits end to end the comparison is one slice. From the first difference on, or the
first character that may be missing, the rest is kept and aligned when it is asked for: `align`
follows all possible alignments at once, a bit for each place in what arrived.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Alignment", "ReceivedStream", "align"]

_TRIM_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class Alignment:
    """Hold the outcome of a comparison.

    Args:
        gaps: fewest gaps of characters that had to be returned and were not.
        missing: how many such characters there are at least; exact when none is free.
        invented_at: index of the first returned byte that did not arrive there, None if all did.
    """

    gaps: int
    missing: int
    invented_at: int | None = None


class ReceivedStream:
    """Hold what arrived and was not returned yet.

    Attributes:
        arrived: how many characters arrived in all.
        returned: how many bytes were returned in all.
    """

    def __init__(self) -> None:
        self._data = bytearray()
        self._first = 0  # how many characters came before those in _data
        self._free: set[int] = set()  # indices into _data that may be missing without a gap
        self._at = 0
        self._tail: bytearray | None = None
        self.arrived = 0
        self.returned = 0
        self._base_returned = 0
        self._even = 0

    def arrive(self, data: int, *, free: bool = False) -> None:
        """Note a character; a `free` one may be returned or not."""
        if free:
            self._forgive(range(len(self._data), len(self._data) + 1))
        self._data.append(data)
        self.arrived += 1

    def arrive_row(self, data: bytes) -> None:
        """Note characters that must all be returned."""
        self._data += data
        self.arrived += len(data)

    def forgive_last(self, count: int) -> None:
        """Let the last `count` characters be missing freely, as far as they were not returned."""
        self._forgive(range(len(self._data) - count, len(self._data)))

    def forgive_from(self, number: int) -> None:
        """Let what arrived after the first `number` characters be missing freely."""
        self._forgive(range(number - self._first, len(self._data)))

    def give(self, data: bytes) -> None:
        """Note bytes that the driver returned."""
        self.returned += len(data)
        if self._tail is not None:
            self._tail += data
            return
        end = self._at + len(data)
        if self._data[self._at : end] == data:
            self._at = end
            if end > _TRIM_BYTES:
                self._trim()
            return
        self._keep(data)

    @property
    def behind(self) -> int:
        """How many more characters arrived than were returned; less than 0 for a surplus."""
        return self.arrived - self.returned - self._even

    def settle(self) -> None:
        """Forget what was returned amiss: anything that came up to now may yet come, or not."""
        self._even = min(0, self.arrived - self.returned)
        self._forgive(range(self._at, len(self._data)))
        self._keep(b"")

    @property
    def unread(self) -> int:
        """How many characters that must be returned have not been, as far as is known now."""
        if self._tail is None:
            return len(self._data) - self._at
        return self.result().missing

    @property
    def first_unread(self) -> int | None:
        """Number of the first character that had to be returned and was not, counted from 0.

        None without any, or when what was returned did not arrive.
        """
        data, at = self._data, self._at
        for byte in self._tail or b"":
            while at < len(data) and data[at] != byte and at in self._free:
                at += 1
            if at == len(data):
                return None
            if data[at] != byte:
                break
            at += 1
        while at in self._free:
            at += 1
        return self._first + at if at < len(data) else None

    def result(self) -> Alignment:
        """Compare everything up to now."""
        free = [index - self._at for index in self._free]
        found = align(bytes(self._data[self._at :]), free, bytes(self._tail or b""))
        if found.invented_at is None:
            return found
        return Alignment(found.gaps, found.missing, self._base_returned + found.invented_at)

    def _forgive(self, indices: range) -> None:
        """Let characters be missing freely; what is returned from now on may fit in many ways."""
        self._free.update(range(max(self._at, indices.start), indices.stop))
        if self._tail is None and self._free:
            self._keep(b"")

    def _keep(self, data: bytes) -> None:
        """Keep `data` and whatever is returned after it, for `align`."""
        self._base_returned = self.returned - len(data)
        self._tail = bytearray(data)

    def _trim(self) -> None:
        del self._data[: self._at]
        self._first += self._at
        self._at = 0


def align(arrived: bytes, free: Iterable[int], returned: bytes) -> Alignment:
    """Find the way to leave characters of `arrived` out that gives `returned` with fewest gaps.

    Args:
        arrived: what came.
        free: indices of `arrived` that may be left out at no cost.
        returned: what was returned.

    >>> align(b"tide 321", (), b"tide 1")
    Alignment(gaps=1, missing=2, invented_at=None)
    >>> align(b"tide", {1}, b"tde").gaps
    0
    """
    loose = 0
    for index in free:
        loose |= 1 << index
    places: dict[int, int] = {}
    layers = [_spread(1, loose)]  # by number of gaps: the places reached, as bits
    for given, byte in enumerate(returned):
        if byte not in places:
            places[byte] = _places(arrived, byte)
        layers = _step(layers, places[byte], loose)
        if not any(layers):
            return Alignment(0, 0, given)
    end = 1 << len(arrived)
    gaps = min(count + (not reached & end) for count, reached in enumerate(layers) if reached)
    strict = len(arrived) - loose.bit_count()
    return Alignment(gaps, max(gaps, strict - len(returned)))


def _step(layers: list[int], places: int, loose: int) -> list[int]:
    """Return the places reached after one more returned byte, which stands at `places`.

    A place with a later one reached by at least one gap more need not be followed there: the gap
    may as well begin here.
    """
    after = [0] * (len(layers) + 1)
    for gaps, reached in enumerate(layers):
        lowest = reached & -reached
        after[gaps] |= (reached & places) << 1
        if lowest:
            after[gaps + 1] |= (places & -(lowest << 1)) << 1
    below = -1
    for gaps, reached in enumerate(after):
        after[gaps] = found = _spread(reached, loose) & below
        if found:
            below = (found & -found) - 1
    while after and not after[-1]:
        after.pop()
    return after


def _spread(reached: int, loose: int) -> int:
    """Add every place that can be reached by leaving out `loose` characters: carries run on."""
    return reached | ((reached & loose) + loose ^ loose)


def _places(data: bytes, byte: int) -> int:
    """Return where `byte` stands in `data`, as bits."""
    table = bytearray(b"0" * 256)
    table[byte] = ord("1")
    return int(b"0" + data[::-1].translate(table), 2)
