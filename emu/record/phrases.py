"""Words for events: what one row of the timeline says.

The one idea: a row is about one event or about several that are alike, and the same words serve
for both, with a count, with the characters strung together, with the time until when it went on.
How rows are laid out is the business of `emu.record.timeline`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from emu.record import events as kinds
from emu.record.events import Access, AnyEvent, Character, HandlerExit

__all__ = ["Phrases", "about", "end_of", "quoted"]

_STEPS = (("s", 10**12), ("ms", 10**9), ("us", 10**6), ("ns", 10**3), ("ps", 1))
_ESCAPES = {0x07: "\\a", 0x09: "\\t", 0x0A: "\\n", 0x0D: "\\r", 0x22: '\\"', 0x5C: "\\\\"}
_MOST_SHOWN = 32


def about(ps: int) -> str:
    """Return a duration with four figures at most, such as ``86.81 us``."""
    unit, size = next((step for step in _STEPS if abs(ps) >= step[1]), _STEPS[-1])
    figures = f"{ps / size:.4g}" if abs(ps) < 1000 * size else str(round(ps / size))
    return f"{figures} {unit}"


def quoted(data: Sequence[int]) -> str:
    """Return characters as text where most of them are some, else in hex; cut when many."""
    shown = data[:_MOST_SHOWN]
    more = "..." if len(data) > len(shown) else ""
    printable = sum(0x20 <= value < 0x7F or value in _ESCAPES for value in shown)
    if 4 * printable < 3 * len(shown):
        return " ".join(f"{value:02x}" for value in shown[: _MOST_SHOWN // 2]) + (
            more or ("..." if len(shown) > _MOST_SHOWN // 2 else "")
        )
    return f'"{"".join(_character(value) for value in shown)}"{more}'


def end_of(event: AnyEvent) -> int:
    """Return when the last of what an event stands for was, in ps."""
    return max(event.time_ps, getattr(event, "until_ps", 0))


class Phrases:
    """Put rows in words.

    Args:
        moment: writes a point in time in ps, unit included.
        several: whether there is more than one device, so that a register's name needs it.
    """

    def __init__(self, moment: Callable[[int], str], *, several: bool) -> None:
        self.moment = moment
        self._several = several

    def say(self, events: Sequence[AnyEvent], rounds: int = 1) -> str:
        """Return the words for `events`, which are alike.

        Args:
            events: at least one.
            rounds: how often the group they are in comes; a count is said only beyond it.
        """
        first = events[0]
        match first:
            case Access():
                text = self._access([one for one in events if isinstance(one, Access)], rounds)
            case Character():
                characters = [one for one in events if isinstance(one, Character)]
                text = _characters(characters)
                if len(characters) > 1 and rounds == 1:
                    text += self._until(events, rounds)
            case kinds.Injection():
                text = f"FAULT {first.name}: {first.detail}{self._count(events, rounds)}"
            case kinds.Sleep():
                text = _sleeps([end_of(one) - one.time_ps for one in events])
            case HandlerExit():
                text = _left([one for one in events if isinstance(one, HandlerExit)])
            case kinds.Masked() | kinds.Unmasked():
                text = self._masking(events, rounds)
            case _:
                text = _single(first)
        return text

    def _masking(self, events: Sequence[AnyEvent], rounds: int) -> str:
        if isinstance(events[0], kinds.Unmasked):
            return "interrupts unmasked" + self._count(events, rounds)
        pairs = [one for one in events if isinstance(one, kinds.Masked)]
        if len(pairs) == len(events):
            return "interrupts masked" + self._count(events, rounds)
        return "interrupts masked and unmasked" + self._count(pairs, rounds)

    def _access(self, events: Sequence[Access], rounds: int) -> str:
        first = events[0]
        words = f"{first.direction:<5} {self._place(first)} "
        if first.stream and len(events) > 1:
            data = [one.value for one in events]
            return f"{words}{quoted(data)}{self._count(events, rounds)}"
        words += f"{first.value:#0{first.width_bits // 4 + 2}x}"
        return f"{words}{_meaning(first)}{self._count(events, rounds)}"

    def _place(self, access: Access) -> str:
        name = "+".join(access.registers) or f"[{access.offset:#x}]"
        return f"{access.device}.{name}" if self._several else name

    def _count(self, events: Sequence[AnyEvent], rounds: int) -> str:
        """Say how often and until when, if more often than once a round."""
        total = sum(1 + getattr(one, "repeats", 0) for one in events)
        return f"  x{total}" + self._until(events, rounds) if total > rounds else ""

    def _until(self, events: Sequence[AnyEvent], rounds: int) -> str:
        if rounds > 1:
            return " in all"
        return f" until {self.moment(end_of(events[-1]))}"


def _single(event: AnyEvent) -> str:
    """Return the words for an event that says the same however often it comes."""
    match event:
        case kinds.HandlerEnter():
            text = f"interrupt {event.irq} {event.name}".rstrip()
        case kinds.Connected():
            done = "connected to" if event.connected else "taken off"
            text = f"handler {done} interrupt {event.irq} {event.name}".rstrip()
        case kinds.CallBegin():
            text = f"{event.call} of {event.port}"
        case kinds.CallEnd():
            text = f"{event.call} returned{_after([event.took_ps])}"
        case kinds.BusErrorEvent():
            text = f"BUS ERROR: nothing answers at {event.device}[{event.offset:#x}]"
        case kinds.BankSwitch():
            text = f"{event.device} shows the registers of bank {event.new}"
        case kinds.Cut():
            text = f"{event.repeats} more equal reads of {event.device}, begun before this record"
        case kinds.Note():
            text = f"{event.source} {event.name}: {event.what} {event.value}"
        case _:
            text = type(event).__name__
    return text


def _left(exits: Sequence[HandlerExit]) -> str:
    return "back" + _after([one.took_ps for one in exits])


def _meaning(access: Access) -> str:
    """Return the fields of a value, or the character that it is, with two spaces before."""
    if access.stream:
        return _glyph(access.value)
    fields = access.fields
    if not fields or (len(fields) == 1 and fields[0].endswith(f"={access.value:#x}")):
        return ""
    return "  " + (", " if any(" " in one for one in fields) else " ").join(fields)


def _characters(events: Sequence[Character]) -> str:
    first = events[0]
    arrow = "->" if first.what == "sent" else "<-"
    what = first.what.upper() if first.what == "lost" else first.what
    errors = f" with {' and '.join(first.errors)} error" if first.errors else ""
    if len(events) == 1:
        return f"{arrow} {first.value:#04x}{_glyph(first.value)}  {what}{errors}"
    data = [one.value for one in events]
    return f"{arrow} {quoted(data)}  x{len(data)} {what}{errors}"


def _glyph(value: int) -> str:
    return f"  '{_character(value)}'" if 0x20 <= value < 0x7F or value in _ESCAPES else ""


def _character(value: int) -> str:
    if 0x20 <= value < 0x7F and value not in _ESCAPES:
        return chr(value)
    return _ESCAPES.get(value, f"\\x{value:02x}")


def _sleeps(lengths_ps: Sequence[int]) -> str:
    if len(lengths_ps) == 1:
        return f"sleep {about(lengths_ps[0])}"
    return f"sleep x{len(lengths_ps)}, {about(sum(lengths_ps))} in all"


def _after(lengths_ps: Sequence[int | None]) -> str:
    """Say how long it took, as far as is known."""
    known = [one for one in lengths_ps if one is not None]
    if not known:
        return ""
    if not max(known):
        return " at once"
    least, most = about(min(known)), about(max(known))
    return f" after {least}" if least == most else f" after {least} to {most}"
