"""The far end of the line in a scenario file: its keys, and the plan that they make.

The one idea: a key that would do nothing for a kind of far end is not a key of that kind, so a
scenario cannot ask for something that never happens.
"""

from __future__ import annotations

from fractions import Fraction

from emu.line.plan import FAR_ENDS, BreakPlan, FarEndPlan, NoisePlan, ScriptLine
from emu.scenario.load_board import Name
from emu.scenario.load_data import DATA
from emu.scenario.quantities import BAUD_ERROR, DURATION, LINE, RATE, SPAN
from emu.scenario.shape import (
    Items,
    Key,
    Table,
    Tagged,
    Text,
    Truth,
    Values,
    Whole,
    finder,
    tag_key,
)
from emu.scenario.source import Notes

__all__ = ["FAR_END", "make_far_end"]

_MOST_BYTES = 1 << 20
_MOST_LAG = 64  # characters, the deepest FIFO

_NOISE = Table(
    "noise",
    (
        Key("per_second", RATE, "glitches a second, on average", required=True),
        Key("width", SPAN, "how long each inverts the line", required=True),
        Key("from", DURATION, "when it begins, after the far end started"),
        Key("until", DURATION, "when it ends"),
    ),
)

_BREAK = Table(
    "a break",
    (
        Key("at", DURATION, "when it begins, after the far end started", required=True),
        Key("length", SPAN, "how long the line is held at space", required=True),
    ),
)

_FLOW = Table(
    "flow control",
    (
        Key("rts_cts", Truth(), "RTS of the driver's port stops it, its buffer drives CTS"),
        Key("buffer", Whole(1, _MOST_BYTES), "characters it takes before it drops CTS"),
        Key("busy", DURATION, "how long it needs to empty that buffer"),
        Key("lag", Whole(0, _MOST_LAG), "characters that it still sends once RTS has dropped"),
        Key("eager", Truth(), "it begins when RTS rises, even while open runs"),
    ),
)

_SCRIPT_LINE = Table(
    "a line of a script",
    (
        Key("at", DURATION, "when it is sent, after the far end started"),
        Key("when", DATA, "what it answers; each match in what was heard triggers it once"),
        Key("after", DURATION, "how long it waits before an answer"),
        Key("send", DATA, "what it sends", required=True),
    ),
)

_EVERY = (
    Key("line", LINE, "settings it speaks, if not those of the driver"),
    Key("baud_error", BAUD_ERROR, "how far its clock is off; positive is fast"),
    Key("gap", DURATION, "idle time it leaves between characters"),
    Key("noise", _NOISE, "glitches on what it sends"),
    Key("breaks", Items(_BREAK), "breaks it sends"),
    Key("flow", _FLOW, "flow control by RTS and CTS"),
)

_OWN: dict[str, tuple[str, tuple[Key, ...]]] = {
    "echo": ("sends back what it gets", _EVERY),
    "sink": ("only listens", _EVERY),
    "source": (
        "sends on its own",
        (
            *_EVERY,
            Key("data", DATA, "what it sends", required=True),
            Key("start", DURATION, "when it begins, after the far end started"),
            Key("burst", Whole(0, _MOST_BYTES), "characters in a row, 0 for all of them"),
            Key("pause", DURATION, "idle time between bursts"),
        ),
    ),
    "script": (
        "sends at times, and answers",
        (*_EVERY, Key("script", Items(_SCRIPT_LINE, least=1), "what it does", required=True)),
    ),
    "port": (
        "another controller of the board",
        (
            Key("port", Name(), "name of the other controller", required=True),
            Key("driver", Text(), "its driver, if not the same class"),
            Key("line", LINE, "settings it is opened with, if not those of the driver"),
        ),
    ),
}

_TABLES = {
    kind: Table(f"a far end of kind {kind}", (tag_key("kind", kind, _OWN[kind][0]), *_OWN[kind][1]))
    for kind in FAR_ENDS
}

FAR_END = Tagged(
    "kind", "a far end", lambda: FAR_ENDS, finder("kind of far end", _TABLES), short=True
)


def make_far_end(values: Values | None, notes: Notes) -> FarEndPlan:
    """Return the plan that was read, having noted what contradicts itself in it."""
    if values is None:
        return FarEndPlan()
    flow: Values | dict[str, int] = values.get("flow", {})
    heeds_rts = bool(flow.get("rts_cts", bool(flow)))
    if isinstance(flow, Values) and not heeds_rts:
        _refuse_idle(flow, notes)
    return FarEndPlan(
        kind=values.get("kind", "sink"),
        line=values.get("line"),
        baud_error=values.get("baud_error", Fraction(0)),
        noise=_noise(values["noise"], notes) if "noise" in values else None,
        breaks=tuple(
            BreakPlan(one["at"], one["length"])
            for one in values.get("breaks", ())
            if "at" in one and "length" in one
        ),
        gap_ps=values.get("gap", 0),
        flow=heeds_rts,
        buffer_bytes=flow.get("buffer", 16),
        busy_ps=flow.get("busy", 0),
        lag=flow.get("lag", 0),
        eager=bool(flow.get("eager", False)),
        start_ps=values.get("start", 0),
        data=values.get("data", b""),
        burst_bytes=values.get("burst", 0),
        pause_ps=values.get("pause", 0),
        lines=tuple(_script_line(one, notes) for one in values.get("script", ())),
        port=values.get("port", ""),
        driver=values.get("driver", ""),
    )


def _refuse_idle(flow: Values, notes: Notes) -> None:
    """Refuse what says how RTS is heeded where it is not."""
    for key in ("lag", "eager"):
        if flow.get(key):
            notes.refuse(
                flow.place(key), f"'{key}' does nothing where RTS is not heeded",
                fix="turn rts_cts on, or leave it out",
            )  # fmt: skip


def _noise(values: Values, notes: Notes) -> NoisePlan | None:
    until_ps = values.get("until")
    if until_ps is not None and until_ps <= values.get("from", 0):
        notes.refuse(values.place("until"), "the noise ends before it begins")
    if "per_second" not in values or "width" not in values:
        return None
    return NoisePlan(values["per_second"], values["width"], values.get("from", 0), until_ps)


def _script_line(values: Values, notes: Notes) -> ScriptLine:
    """Return a line of a script, which is either timed or an answer."""
    timed, answers = "at" in values.places, "when" in values.places
    if timed == answers:
        what = "both 'at' and 'when'" if timed else "neither 'at' nor 'when'"
        notes.refuse(values.node, f"a line of a script with {what}", fix="give it one of the two")
    if timed and "after" in values.places:
        notes.refuse(values.place("after"), "'after' belongs to an answer", fix="add it to 'at'")
    if values.get("when") == b"":
        notes.refuse(values.place("when"), "nothing to answer", allowed="1 byte or more")
    return ScriptLine(
        data=values.get("send", b""),
        at_ps=values.get("at"),
        when=values.get("when", b""),
        after_ps=values.get("after", 0),
    )
