"""Compare what a driver returned with what arrived: in order, nothing invented, which gaps.

What a driver returns must be what arrived with some characters left out: those that arrived with
an error may be missing freely, others leave a *gap*, which the driver must have counted. As long
as everything fits end to end the comparison is one slice; from the first difference on the rest is
kept and aligned with the fewest gaps when it is asked for.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

__all__ = ["Alignment", "ReceivedStream", "align"]

_TRIM_BYTES = 1 << 16
_MOST_STATES = 400_000


@dataclass(frozen=True, slots=True)
class Alignment:
    """Hold the outcome of a comparison.

    Args:
        gaps: fewest gaps of characters that had to be returned and were not.
        missing: how many such characters are in these gaps.
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
        self._free: set[int] = set()  # indices into _data that may be missing without a gap
        self._at = 0
        self._tail: bytearray | None = None
        self.arrived = 0
        self.returned = 0
        self._base_returned = 0

    def arrive(self, data: int, *, free: bool = False) -> None:
        """Note a character; a `free` one may be returned or not."""
        if free:
            self._free.add(len(self._data))
        self._data.append(data)
        self.arrived += 1

    def forgive_last(self, count: int) -> None:
        """Let the last `count` characters be missing freely."""
        end = len(self._data)
        self._free.update(range(max(self._at, end - count), end))

    def forgive_unread(self) -> None:
        """Let everything that was not returned yet be missing freely."""
        self._free.update(range(self._at, len(self._data)))

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
        self._base_returned = self.returned - len(data)
        self._tail = bytearray(data)

    @property
    def unread(self) -> int:
        """How many characters that must be returned have not been, as far as is known now."""
        if self._tail is None:
            return sum(1 for index in range(self._at, len(self._data)) if index not in self._free)
        return self.result().missing

    def result(self) -> Alignment:
        """Compare everything up to now."""
        free = {index - self._at for index in self._free if index >= self._at}
        found = align(bytes(self._data[self._at :]), free, bytes(self._tail or b""))
        if found.invented_at is None:
            return found
        return Alignment(found.gaps, found.missing, self._base_returned + found.invented_at)

    def _trim(self) -> None:
        del self._data[: self._at]
        self._free = {index - self._at for index in self._free if index >= self._at}
        self._at = 0


def align(arrived: bytes, free: set[int], returned: bytes) -> Alignment:
    """Find the way to leave characters of `arrived` out that gives `returned` with fewest gaps.

    Args:
        arrived: what came.
        free: indices of `arrived` that may be left out at no cost.
        returned: what was returned.

    >>> align(b"tide 321", set(), b"tide 1")
    Alignment(gaps=1, missing=2, invented_at=None)
    >>> align(b"tide", {1}, b"tde").gaps
    0
    """
    length, wanted = len(arrived), len(returned)
    states: deque[tuple[int, int, bool, int, int]] = deque([(0, 0, False, 0, 0)])
    seen: set[tuple[int, int, bool]] = set()
    furthest = 0
    while states:
        at, given, in_gap, gaps, missing = states.popleft()
        if (at, given, in_gap) in seen:
            continue
        seen.add((at, given, in_gap))
        if len(seen) > _MOST_STATES:
            return _align_roughly(arrived, returned)
        furthest = max(furthest, given)
        if at == length:
            if given == wanted:
                return Alignment(gaps, missing)
            continue
        fits = given < wanted and arrived[at] == returned[given]
        if in_gap:
            states.appendleft((at + 1, given, True, gaps, missing + 1))
        elif not fits and at not in free:
            # A gap can always be moved behind what fits, so it need not open earlier.
            states.append((at + 1, given, True, gaps + 1, missing + 1))
        if at in free:
            states.appendleft((at + 1, given, in_gap, gaps, missing))
        if fits:
            states.appendleft((at + 1, given + 1, False, gaps, missing))
    return Alignment(0, 0, furthest)


def _align_roughly(arrived: bytes, returned: bytes) -> Alignment:
    """Answer for streams too tangled to search: whether it fits at all, with at least one gap."""
    at = 0
    for index, byte in enumerate(returned):
        found = arrived.find(byte, at)
        if found < 0:
            return Alignment(0, 0, index)
        at = found + 1
    missing = len(arrived) - len(returned)
    return Alignment(int(missing > 0), missing)
