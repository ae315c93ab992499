"""The hot path: what happens between a driver's ``io.read8(offset)`` and the device's answer.

One idea, kept bare: look up the handler, call it, note the access, let its time pass, and look up
only if something is due. Everything that can be decided before the run is decided when the ports
are built. The functions here share cells, so they stand in one factory that is longer than the
habits of this house allow; `tests/bench/` holds its figures.

An access takes effect at its start and is over `cost_ps` later. Hardware events due by then have
happened, and interrupts pending then are served, before the driver goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import repeat
from typing import Protocol

from emu.kernel.clock import Clock
from emu.kernel.journal import AGAIN, Entry, Journal

__all__ = [
    "Attendant", "Burst", "Counts", "Ports", "Read", "ReadRep", "Refuse", "Write", "WriteRep",
    "build_ports",
]  # fmt: skip

Read = Callable[[object, int], int]  # these stand in the class of a window: its object comes first
Write = Callable[[object, int, int], None]
ReadRep = Callable[[object, int, int], list[int]]
WriteRep = Callable[[object, int, Iterable[int]], None]
Burst = Callable[[int, int], list[int]]  # see `emu.kernel.device.BurstPort`
Refuse = Callable[..., None]  # direction, offset, width in bits, and the value of a write
Counts = tuple[int, int, int]  # reads that brought something new, equal reads in a row, writes


class Attendant(Protocol):
    """What the hot path needs of the processor."""

    polled_ps: int
    depth: int

    def attend(self, now_ps: int) -> None:
        """Run what is due by `now_ps`, then serve interrupts."""


class Ports:
    """Hold the access functions of one window, of each kind one for each width."""

    __slots__ = ("counts", "read", "read_rep", "write", "write_rep")

    def __init__(
        self,
        read: dict[int, Read],
        write: dict[int, Write],
        read_rep: dict[int, ReadRep],
        counts: Callable[[], Counts],
    ) -> None:
        self.read = read
        self.write = write
        self.read_rep = read_rep
        self.write_rep = {width: _repeated(one) for width, one in write.items()}
        self.counts = counts


def _repeated(write: Write) -> WriteRep:
    def write_rep(io: object, offset: int, values: Iterable[int]) -> None:
        for value in values:
            write(io, offset, value)

    return write_rep


def build_ports(  # noqa: C901, PLR0915 - one factory, since its functions share cells
    *,
    name: str,
    clock: Clock,
    attendant: Attendant,
    journal: Journal,
    cost_ps: int,
    readers: dict[int, dict[int, Callable[[], int]]],
    writers: dict[int, dict[int, Callable[[int], None]]],
    bursts: dict[int, dict[int, Burst]],
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
        bursts: what answers several reads at once, where something does.
        refuse: called with ``"read"`` or ``"write"``, offset, width and, for a write, the value
            where there is no handler or an argument is wrong; must raise.
    """
    last_offset = last_value = -1
    fresh = again = written = repeats = 0
    append = journal.append
    open_rows = journal.open_rows
    who_last = 0
    own_reads: set[int] = set()
    interrupted = False

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

        def read(_io: object, offset: int) -> int:
            nonlocal last_offset, last_value, repeats, fresh, who_last
            try:
                handler = table[offset]
            except (KeyError, TypeError):
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

        read.__qualname__ = f"io.read{width_bits}"  # as a call with wrong arguments names it
        return read

    def count_again(count: int) -> None:
        nonlocal again
        again += count
        if not attendant.depth:
            attendant.polled_ps += count * cost_ps

    def pause(entry: Entry) -> None:
        """Close the open row on the tape, for now, before something else is noted there."""
        nonlocal interrupted, repeats
        interrupted = entry[1] not in own_reads
        if interrupted and repeats:
            append((clock.now_ps, who_last, AGAIN, repeats))
            count_again(repeats)
            repeats = 0

    def make_placed_reader(width_bits: int) -> Read:
        """Read as the bare reader does, but note an equal read anew if something came between.

        It counts as one more of its row all the same, so that a run is measured alike.
        """
        table = readers[width_bits]
        read = make_reader(width_bits)
        who = len(journal.sources) - 1
        own_reads.add(who)

        def read_placed(io: object, offset: int) -> int:
            nonlocal last_value, fresh, who_last
            if not interrupted or offset != last_offset or offset not in table:
                return read(io, offset)
            value = table[offset]()
            append((clock.now_ps, who, offset, value))
            if value == last_value:
                open_rows[settle] = None
                who_last = who
                count_again(1)
            else:
                last_value = value
                fresh += 1
            clock.now_ps = now_ps = clock.now_ps + cost_ps
            if now_ps >= clock.due_ps:
                attendant.attend(now_ps)
            return value

        read_placed.__qualname__ = read.__qualname__
        return read_placed

    def make_writer(width_bits: int) -> Write:
        table = writers[width_bits]
        who = journal.source("write", name, width_bits)

        def write(_io: object, offset: int, value: int) -> None:
            nonlocal last_offset, written
            try:
                handler = table[offset]
                if value >> width_bits:
                    refuse("write", offset, width_bits, value)
            except (KeyError, TypeError):
                refuse("write", offset, width_bits, value)
                raise
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

        write.__qualname__ = f"io.write{width_bits}"
        return write

    def make_repeated_reader(width_bits: int) -> ReadRep:
        table, burst_table = readers[width_bits], bursts[width_bits]
        who = journal.source("read", name, width_bits)
        extend = journal.extend

        def read_rep(_io: object, offset: int, count: int) -> list[int]:
            nonlocal last_offset, fresh
            if repeats:
                settle()
            last_offset = -1
            values: list[int] = []
            left = count
            while left > 0:
                now_ps = clock.now_ps
                most = min(left, (clock.due_ps - now_ps) // cost_ps) if cost_ps else 0
                row: list[int] = []
                if most > 1 and offset in burst_table:
                    row = burst_table[offset](most, cost_ps)
                if row:
                    done = len(row)
                    end_ps = now_ps + done * cost_ps
                    extend(zip(range(now_ps, end_ps, cost_ps), repeat(who), repeat(offset), row))
                    values += row
                else:
                    try:
                        handler = table[offset]
                    except (KeyError, TypeError):
                        refuse("read", offset, width_bits)
                        raise
                    value = handler()
                    now_ps = clock.now_ps
                    append((now_ps, who, offset, value))
                    values.append(value)
                    done = 1
                    end_ps = now_ps + cost_ps
                left -= done
                fresh += done
                clock.now_ps = end_ps
                if end_ps >= clock.due_ps:
                    attendant.attend(end_ps)
            return values

        return read_rep

    if journal.placed:
        journal.pauses.append(pause)
    return Ports(
        {
            width: (make_placed_reader if journal.placed else make_reader)(width)
            for width in readers
        },
        {width: make_writer(width) for width in writers},
        {width: make_repeated_reader(width) for width in readers},
        lambda: (fresh, again + repeats, written),
    )
