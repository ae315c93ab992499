"""Events as JSON Lines: a line an event, from which the event can be had back whole."""

from __future__ import annotations

import io
import json

import msgspec

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
from emu.record.jsonl import write_events

LSR_READ = Access(
    time_ps=1_500_000, depth=1, file="gauge.py", line=7, direction="read", device="telemetry",
    offset=20, width_bits=8, value=0x61, registers=("LSR",), fields=("DR", "THRE", "TEMT"),
    repeats=430, until_ps=352_800_000,
)  # fmt: skip
EVERY_KIND: list[AnyEvent] = [
    CallBegin(time_ps=0, port="telemetry", call="open"),
    LSR_READ,
    HandlerEnter(time_ps=1, irq=5, name="telemetry.irq"),
    HandlerExit(time_ps=2, irq=5, name="telemetry.irq"),
    Masked(time_ps=3),
    Unmasked(time_ps=4),
    Sleep(time_ps=5, until_ps=6),
    Connected(time_ps=6, irq=5, connected=False),
    Injection(time_ps=7, fault=0, name="stuck-field telemetry.LSR.DR", detail="0x61"),
    BusErrorEvent(time_ps=8, device="telemetry", offset=1),
    BankSwitch(time_ps=9, device="telemetry", old=0, new=1),
    Character(time_ps=10, device="telemetry", what="lost", value=0x41, errors=("parity",)),
    Cut(time_ps=11, device="telemetry", repeats=3),
    Note(time_ps=12, source="tide", name="float", what="rose", value="é\n"),
    CallEnd(time_ps=10**15 + 1, port="telemetry", call="open", took_ps=13),
]


def written(events: list[AnyEvent]) -> str:
    """Return events as JSON Lines."""
    stream = io.StringIO()
    assert write_events(events, stream) == len(events)
    return stream.getvalue()


def test_nothing_is_lost_on_the_way() -> None:
    """From each line its event can be made again, to the picosecond."""
    lines = written(EVERY_KIND).splitlines()

    assert [msgspec.json.decode(line, type=AnyEvent) for line in lines] == EVERY_KIND
    assert {type(one) for one in EVERY_KIND} == set(AnyEvent.__args__)


def test_each_line_is_one_object_that_says_when_and_what() -> None:
    """Kind, picoseconds and seconds come first in every line."""
    lines = [json.loads(line) for line in written(EVERY_KIND).splitlines()]

    assert all(list(line)[:3] == ["kind", "time_ps", "time_s"] for line in lines)
    assert (lines[1]["kind"], lines[1]["time_s"]) == ("access", 1.5e-6)
    assert lines[1]["fields"] == ["DR", "THRE", "TEMT"]
