"""Events of a run: typed, plain data, ready for JSON.

An event says when, on which lane (`depth`: 0 is main code, 1 a handler, 2 a handler inside a
handler), at which line of the driver if places were recorded, and what. Making events from the
kernel's tape is the business of `emu.record.tape`; nothing here knows a board.
"""

from __future__ import annotations

import msgspec

__all__ = [
    "Access",
    "AnyEvent",
    "BankSwitch",
    "BusErrorEvent",
    "CallBegin",
    "CallEnd",
    "Character",
    "Connected",
    "Cut",
    "Event",
    "HandlerEnter",
    "HandlerExit",
    "Injection",
    "Masked",
    "Note",
    "Sleep",
    "Unmasked",
]


class Event(msgspec.Struct, kw_only=True, tag_field="kind"):
    """Hold what every event has.

    Args:
        time_ps: simulated time.
        depth: how many handlers were running, one inside the other; 0 is main code.
        file, line: the driver's own place, ``""`` and 0 when places were not recorded.
    """

    time_ps: int
    depth: int = 0
    file: str = ""
    line: int = 0


class Access(Event, kw_only=True, tag="access"):
    """Say that the driver read or wrote.

    Args:
        direction: ``read`` or ``write``.
        device: name of the window.
        offset: bytes from the start of the window, as the driver gave it.
        width_bits: width of the access.
        value: what was read or written, as wide as the access.
        registers: what answered: one name, several where the access spans several registers, a
            name with a bit range (``CTRL[15:8]``) where it takes a part; empty for memory.
        fields: ``NAME=value`` for each field that is not zero; ``REGISTER.NAME`` for several.
        stream: whether each access moves a value on, as those of a FIFO do.
        repeats: how many more equal reads followed, with no other result in between.
        until_ps: when the row of repeats was over, equal to `time_ps` if there are none.
    """

    direction: str
    device: str
    offset: int
    width_bits: int
    value: int
    registers: tuple[str, ...] = ()
    fields: tuple[str, ...] = ()
    stream: bool = False
    repeats: int = 0
    until_ps: int = 0


class HandlerEnter(Event, kw_only=True, tag="handler_enter"):
    """Say that the processor took an interrupt; `depth` is the handler's own."""

    irq: int
    name: str = ""


class HandlerExit(Event, kw_only=True, tag="handler_exit"):
    """Say that a handler was left after `took_ps`, None when its entry is no longer on the tape."""

    irq: int
    name: str = ""
    took_ps: int | None = None


class Masked(Event, kw_only=True, tag="masked"):
    """Say that the driver masked interrupts."""


class Unmasked(Event, kw_only=True, tag="unmasked"):
    """Say that the driver unmasked interrupts."""


class Sleep(Event, kw_only=True, tag="sleep"):
    """Say that the driver went to sleep; `until_ps` is when the processor next did something."""

    until_ps: int = 0


class Connected(Event, kw_only=True, tag="connected"):
    """Say that a handler was connected to an interrupt line, or taken off it."""

    irq: int
    name: str = ""
    connected: bool = True


class CallBegin(Event, kw_only=True, tag="call_begin"):
    """Say that the bench called the driver of `port`."""

    port: str
    call: str


class CallEnd(Event, kw_only=True, tag="call_end"):
    """Say that a call ended after `took_ps`, None when its begin is no longer on the tape."""

    port: str
    call: str
    took_ps: int | None = None


class Injection(Event, kw_only=True, tag="injection"):
    """Say that a fault did something.

    Args:
        fault: number of the fault in its plan, from 0.
        name: kind and target.
        detail: what it did, with values.
        repeats: how many more equal ones followed, with no other in between.
        until_ps: when the row of repeats was over, equal to `time_ps` if there are none.
    """

    fault: int
    name: str
    detail: str
    repeats: int = 0
    until_ps: int = 0


class BusErrorEvent(Event, kw_only=True, tag="bus_error"):
    """Say that nothing answered an access at `offset` of `device`."""

    device: str
    offset: int


class BankSwitch(Event, kw_only=True, tag="bank_switch"):
    """Say that `device` shows other registers at shared offsets from now on."""

    device: str
    old: int
    new: int


class Character(Event, kw_only=True, tag="character"):
    """Say what happened to a character on the line.

    Args:
        device: the serial device.
        what: ``arrived`` (in the receive buffer), ``lost`` (for want of room there), ``sent`` (its
            start bit left) or another word of the device.
        value: the character.
        errors: what was wrong with it: parity, framing, break.
    """

    device: str
    what: str
    value: int
    errors: tuple[str, ...] = ()


class Cut(Event, kw_only=True, tag="cut"):
    """Say that a row of repeats began before the tape does; `repeats` reads of `device` were it."""

    device: str
    repeats: int


class Note(Event, kw_only=True, tag="note"):
    """Hold an entry of a source that only its writer knows, as text."""

    source: str
    name: str
    what: str
    value: str


AnyEvent = (
    Access
    | HandlerEnter
    | HandlerExit
    | Masked
    | Unmasked
    | Sleep
    | Connected
    | CallBegin
    | CallEnd
    | Injection
    | BusErrorEvent
    | BankSwitch
    | Character
    | Cut
    | Note
)
