"""Plain memory on the bus: accesses of any width at any aligned offset, without a table entry each.

The hot path looks handlers up by offset. Memory answers at every offset, so its tables make the
handler when it is asked for, which costs memory nothing until it is touched.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

__all__ = ["memory_tables"]


class _Reads(dict[int, Callable[[], int]]):
    """Make the reader of an offset on first use; an offset that cannot be is a missing key."""

    def __init__(self, memory: bytearray, width_bits: int, *, big_endian: bool) -> None:
        super().__init__()
        self._memory = memory
        self._step = width_bits // 8
        self._order = "big" if big_endian else "little"

    def __missing__(self, offset: int) -> Callable[[], int]:
        memory, order, end = self._memory, self._order, offset + self._step
        if offset < 0 or end > len(memory) or offset % self._step:
            raise KeyError(offset)

        def read() -> int:
            return int.from_bytes(memory[offset:end], order)  # type: ignore[arg-type]

        if len(self) < _KEPT:
            self[offset] = read
        return read


class _Writes(dict[int, Callable[[int], None]]):
    """Make the writer of an offset on first use."""

    def __init__(self, memory: bytearray, width_bits: int, *, big_endian: bool) -> None:
        super().__init__()
        self._memory = memory
        self._step = width_bits // 8
        self._order = "big" if big_endian else "little"

    def __missing__(self, offset: int) -> Callable[[int], None]:
        memory, order, step = self._memory, self._order, self._step
        if offset < 0 or offset + step > len(memory) or offset % step:
            raise KeyError(offset)

        def write(value: int) -> None:
            memory[offset : offset + step] = value.to_bytes(step, order)  # type: ignore[arg-type]

        if len(self) < _KEPT:
            self[offset] = write
        return write


_KEPT = 1 << 16  # handlers kept for each width; beyond that they are made anew, slower but bounded


def memory_tables(
    memory: bytearray, widths: Iterable[int], big_endian: bool
) -> tuple[dict[int, dict[int, Callable[[], int]]], dict[int, dict[int, Callable[[int], None]]]]:
    """Return readers and writers of `memory` for each of `widths`."""
    reads: dict[int, dict[int, Callable[[], int]]] = {}
    writes: dict[int, dict[int, Callable[[int], None]]] = {}
    for width in widths:
        reads[width] = _Reads(memory, width, big_endian=big_endian)
        writes[width] = _Writes(memory, width, big_endian=big_endian)
    return reads, writes
