"""The hot path: what happens between a driver's ``io.read8(offset)`` and the device's answer.

One idea, kept bare: look up the handler, call it, note the access, let its time pass, and look up
only if something is due. Everything that can be decided before the run is decided when the ports
are built. The functions here share cells, so they stand in one factory that is longer than the
habits of this house allow; `tests/bench/` holds its figures.

An access takes effect at its start and is over `cost_ps` later. Hardware events due by then have
happened, and interrupts pending then are served, before the driver goes on.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from emu.errors import AccessError
from emu.kernel.clock import Clock
from emu.kernel.journal import AGAIN, Journal

__all__ = ["Attendant", "Counts", "Ports", "Read", "Refuse", "Write", "build_ports"]

Read = Callable[[int], int]
Write = Callable[[int, int], None]
Refuse = Callable[[str, int, int], None]
Counts = tuple[int, int, int]  # reads that brought something new, equal reads in a row, writes


class Attendant(Protocol):
    """What the hot path needs of the processor."""

    polled_ps: int
    depth: int

    def attend(self, now_ps: int) -> None:
        """Run what is due by `now_ps`, then serve interrupts."""


class Ports:
    """Hold the access functions of one window, a reader and a writer for each width."""

    __slots__ = ("counts", "read", "write")

    def __init__(
        self, read: dict[int, Read], write: dict[int, Write], counts: Callable[[], Counts]
    ) -> None:
        self.read = read
        self.write = write
        self.counts = counts


def build_ports(  # noqa: C901, PLR0915 - one factory, since its functions share cells
    *,
    name: str,
    clock: Clock,
    attendant: Attendant,
    journal: Journal,
    cost_ps: int,
    readers: dict[int, dict[int, Callable[[], int]]],
    writers: dict[int, dict[int, Callable[[int], None]]],
    refuse: Refuse,
) -> Ports:
    """Build the access functions of a window.

    Args:
        name: the window, for the journal.
        clock: the clock of the board.
        attendant: the processor.
        journal: where accesses are noted.
        cost_ps: time of one access, wait states included.
        readers: for each width in bits, the handler at each offset; looked up on every access,
            so a bank switch may replace entries.
        writers: likewise for writing.
        refuse: called with ``"read"`` or ``"write"``, offset and width where there is no
            handler; must raise.
    """
    last_offset = last_value = -1
    fresh = again = written = repeats = 0
    append = journal.append
    open_rows = journal.open_rows
    who_last = 0

    def settle() -> None:
        """Close the open row of equal reads, and count its time as polling in main code."""
        nonlocal again, repeats, last_offset
        last_offset = -1
        if repeats:
            append((clock.now_ps, who_last, AGAIN, repeats))
            again += repeats
            if not attendant.depth:
                attendant.polled_ps += repeats * cost_ps
            repeats = 0

    def make_reader(width_bits: int) -> Read:
        table = readers[width_bits]
        who = journal.source("read", name, width_bits)

        def read(offset: int) -> int:
            nonlocal last_offset, last_value, repeats, fresh, who_last
            try:
                handler = table[offset]
            except KeyError:
                refuse("read", offset, width_bits)
                raise
            value = handler()
            now_ps = clock.now_ps
            if value == last_value and offset == last_offset:
                if not repeats:
                    open_rows[settle] = None
                    who_last = who
                repeats += 1
            else:
                if repeats:
                    settle()
                last_offset = offset
                last_value = value
                fresh += 1
                append((now_ps, who, offset, value))
            clock.now_ps = now_ps = now_ps + cost_ps
            if now_ps >= clock.due_ps:
                attendant.attend(now_ps)
            return value

        return read

    def make_writer(width_bits: int) -> Write:
        table = writers[width_bits]
        who = journal.source("write", name, width_bits)

        def write(offset: int, value: int) -> None:
            nonlocal last_offset, written
            try:
                handler = table[offset]
            except KeyError:
                refuse("write", offset, width_bits)
                raise
            if value >> width_bits:
                raise AccessError(
                    f"value {value:#x} is too wide",
                    where=f"{name}: write{width_bits}({offset:#x})",
                    allowed=f"0x0 to {(1 << width_bits) - 1:#x}",
                )
            if repeats:
                settle()
            last_offset = -1
            written += 1
            now_ps = clock.now_ps
            append((now_ps, who, offset, value))
            handler(value)
            clock.now_ps = now_ps = now_ps + cost_ps
            if now_ps >= clock.due_ps:
                attendant.attend(now_ps)

        return write

    return Ports(
        {width: make_reader(width) for width in readers},
        {width: make_writer(width) for width in writers},
        lambda: (fresh, again + repeats, written),
    )
