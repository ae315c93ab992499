"""From the kernel's tape to events: numbers become names, rows of repeats one event.

The tape may begin anywhere, since the kernel drops what is oldest. What an entry means can depend
on what came before it (the bank, how many handlers were running), so both are worked out for the
beginning of the tape before it is read: the first bank switch says which bank was left, and the
lanes are such that no handler is left that was never entered. Outside the calls of a driver the
bench itself waits; what it does then has no place in the driver.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from emu.kernel.board import Board
from emu.kernel.cpu import CONNECT, DISCONNECT, ENTER, EXIT, MASK, SLEEP, UNMASK
from emu.kernel.journal import AGAIN, Entry, Source
from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR
from emu.record.events import (
    Access,
    AnyEvent,
    BankSwitch,
    BusErrorEvent,
    CallBegin,
    CallEnd,
    Character,
    Connected,
    Cut,
    HandlerEnter,
    HandlerExit,
    Injection,
    Masked,
    Note,
    Sleep,
    Unmasked,
)
from emu.record.naming import Naming, Part

__all__ = ["Recording", "read_tape"]

_ERRORS = ((PARITY_ERROR, "parity"), (FRAMING_ERROR, "framing"), (BREAK, "break"))


@dataclass(frozen=True, slots=True)
class Recording:
    """Hold the events of a run.

    Args:
        events: in the order in which they happened.
        cut: whether the tape is full, so that what came before its first event may be missing.
    """

    events: list[AnyEvent]
    cut: bool


def read_tape(board: Board) -> Recording:
    """Return what the journal of `board` holds, as events.

    Args:
        board: the board, at any time of its run.

    Side effects: closes rows of equal reads, so that their counts are complete; the run may go on.
    """
    board.journal.settle()
    entries = board.journal.entries
    cut = entries.maxlen is not None and len(entries) == entries.maxlen
    return Recording(_Reader(board).events(), cut)


class _Reader:
    """Walk over the tape once, from its beginning."""

    def __init__(self, board: Board) -> None:
        self._sources = board.journal.sources
        self._entries = list(board.journal.entries)
        self._lines = {one.number: one.name for one in board.cpu.interrupts.lines.values()}
        self._naming = {
            region.device.name: Naming(region, big_endian=board.bus.big_endian)
            for region in board.bus.regions
        }
        self._banks = {name: device.bank for name, device in board.devices.items()}
        self._banks |= self._first_banks()
        self._depth = self._first_depth()
        self._now_ps = board.clock.now_ps
        self._calls = self._first_calls()
        self._entered: list[int] = []
        self._begun: list[tuple[str, str, int]] = []
        self._rows: dict[int, Access | Injection] = {}
        self._asleep: Sleep | None = None
        self._kinds: dict[str, Callable[[Entry, Source], AnyEvent | None]] = {
            "read": self._access,
            "write": self._access,
            "cpu": self._cpu,
            "fault": self._fault,
            "call": self._call,
            "bank": self._bank,
            "bus error": self._bus_error,
            "line": self._line,
        }

    def events(self) -> list[AnyEvent]:
        """Return all events."""
        events = [event for entry in self._entries for event in self._read(entry)]
        self._wake(self._now_ps)
        return events

    # what was so before the tape begins

    def _first_banks(self) -> dict[str, int]:
        """Return the bank that each device showed at first, if the tape has a switch of it."""
        banks: dict[str, int] = {}
        for _, who, old, *_ in self._entries:
            source = self._sources[who]
            if source.kind == "bank":
                banks.setdefault(source.name, old)
        return banks

    def _first_depth(self) -> int:
        """Return how many handlers were running: as many as are left without being entered."""
        whats = [what for _, who, what, *_ in self._entries if self._sources[who].kind == "cpu"]
        return _unopened([what == ENTER for what in whats if what in (ENTER, EXIT)])

    def _first_calls(self) -> int:
        """Return how many calls were open; without any call on the tape all of it is one."""
        ends = [
            value for _, who, _, value, *_ in self._entries if self._sources[who].kind == "call"
        ]
        return _unopened([bool(value) for value in ends]) if ends else 1

    # entry by entry

    def _read(self, entry: Entry) -> Iterator[AnyEvent]:
        source = self._sources[entry[1]]
        if source.kind in _BY_PROCESSOR:
            self._wake(entry[0])
        event = self._kinds.get(source.kind, self._note)(entry, source)
        if event is not None:
            inside = self._calls or event.depth > isinstance(event, HandlerEnter)
            if len(entry) > 4 and source.kind in _BY_DRIVER and inside:
                event.file, event.line = entry[4]
            yield event

    def _wake(self, now_ps: int) -> None:
        if self._asleep is not None:
            self._asleep.until_ps = now_ps
            self._asleep = None

    def _access(self, entry: Entry, source: Source) -> AnyEvent | None:
        time_ps, who, what, value = entry[:4]
        if what == AGAIN:
            return self._close_row(entry, source)
        device, width = source.name, source.width_bits
        parts = self._naming[device].parts(source.kind, what, width, self._banks[device])
        event = Access(
            time_ps=time_ps, depth=self._depth, direction=source.kind, device=device,
            offset=what, width_bits=width, value=value,
            registers=tuple(part.name for part in parts), fields=_describe(parts, value),
            stream=len(parts) == 1 and parts[0].stream, until_ps=time_ps,
        )  # fmt: skip
        self._rows[who] = event
        return event

    def _fault(self, entry: Entry, source: Source) -> AnyEvent | None:
        time_ps, who, what, value = entry[:4]
        if what == AGAIN:
            return self._close_row(entry, source)
        event = Injection(
            time_ps=time_ps, depth=self._depth, fault=what, name=source.name, detail=value,
            until_ps=time_ps,
        )  # fmt: skip
        self._rows[who] = event
        return event

    def _close_row(self, entry: Entry, source: Source) -> Cut | None:
        """Add repeats to the event they repeat, which may have been dropped from the tape."""
        time_ps, who, _, repeats = entry[:4]
        row = self._rows.pop(who, None)
        if row is None:
            return Cut(time_ps=time_ps, depth=self._depth, device=source.name, repeats=repeats)
        row.repeats += repeats
        row.until_ps = time_ps
        return None

    def _cpu(self, entry: Entry, source: Source) -> AnyEvent | None:
        time_ps, _, what, value = entry[:4]
        if what == ENTER:
            return self._enter(time_ps, value)
        if what == EXIT:
            return self._exit(time_ps, value)
        if what == SLEEP:
            self._asleep = Sleep(time_ps=time_ps, depth=self._depth, until_ps=time_ps)
            return self._asleep
        if what in (MASK, UNMASK):
            kind = Masked if what == MASK else Unmasked
            return kind(time_ps=time_ps, depth=self._depth)
        if what in (CONNECT, DISCONNECT):
            return Connected(
                time_ps=time_ps, depth=self._depth, irq=value, name=self._lines.get(value, ""),
                connected=what == CONNECT,
            )  # fmt: skip
        return self._note(entry, source)

    def _enter(self, time_ps: int, irq: int) -> HandlerEnter:
        self._depth += 1
        self._entered.append(time_ps)
        name = self._lines.get(irq, "")
        return HandlerEnter(time_ps=time_ps, depth=self._depth, irq=irq, name=name)

    def _exit(self, time_ps: int, irq: int) -> HandlerExit:
        took_ps = time_ps - self._entered.pop() if self._entered else None
        event = HandlerExit(
            time_ps=time_ps, depth=self._depth, irq=irq, name=self._lines.get(irq, ""),
            took_ps=took_ps,
        )  # fmt: skip
        self._depth -= 1
        return event

    def _call(self, entry: Entry, source: Source) -> AnyEvent | None:
        time_ps, _, call, begins = entry[:4]
        self._calls += 1 if begins else -1
        if begins:
            self._begun.append((source.name, call, time_ps))
            return CallBegin(time_ps=time_ps, depth=self._depth, port=source.name, call=call)
        took_ps = None
        if self._begun and self._begun[-1][:2] == (source.name, call):
            took_ps = time_ps - self._begun.pop()[2]
        return CallEnd(
            time_ps=time_ps, depth=self._depth, port=source.name, call=call, took_ps=took_ps
        )

    def _bank(self, entry: Entry, source: Source) -> AnyEvent | None:
        time_ps, _, old, new = entry[:4]
        self._banks[source.name] = new
        return BankSwitch(time_ps=time_ps, depth=self._depth, device=source.name, old=old, new=new)

    def _bus_error(self, entry: Entry, _source: Source) -> AnyEvent | None:
        time_ps, _, offset, device = entry[:4]
        return BusErrorEvent(time_ps=time_ps, depth=self._depth, device=device, offset=offset)

    def _line(self, entry: Entry, source: Source) -> AnyEvent | None:
        time_ps, _, what, value = entry[:4]
        errors = tuple(name for mask, name in _ERRORS if value >> 8 & mask)
        return Character(
            time_ps=time_ps, depth=self._depth, device=source.name, what=what,
            value=value & 0xFF, errors=errors,
        )  # fmt: skip

    def _note(self, entry: Entry, source: Source) -> AnyEvent | None:
        time_ps, _, what, value = entry[:4]
        return Note(
            time_ps=time_ps, depth=self._depth, source=source.kind, name=source.name,
            what=str(what), value=str(value),
        )  # fmt: skip


_BY_DRIVER = ("read", "write", "cpu", "fault", "bus error")  # what has a place in the driver
_BY_PROCESSOR = ("read", "write", "cpu", "call", "bus error")  # what a sleeping one cannot do


def _unopened(opens: Sequence[bool]) -> int:
    """Return how many of what is opened (True) and closed (False) was open at the beginning."""
    level = least = 0
    for one in opens:
        level += 1 if one else -1
        least = min(least, level)
    return -least


def _describe(parts: tuple[Part, ...], value: int) -> tuple[str, ...]:
    """Return the fields of an access that are not zero."""
    return tuple(
        f"{part.register.name}.{text}" if len(parts) > 1 else text
        for part in parts
        for text in part.register.describe(part.value(value))
    )
