"""`emu faults`: what can be made to go wrong, on what, and with which settings."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator
from typing import Any

import click

from emu.errors import Flaw, InputError, nearest
from emu.faults.kind import OCCASIONS, FaultKind
from emu.faults.kinds import FAULT_KINDS
from emu.faults.target import TARGETS
from emu.kernel.parameter import Parameter

__all__ = ["EXAMPLES", "command"]

_WIDTH = 100

EXAMPLES = {
    "stuck-field": "target: telemetry.LSR.THRE, value: 0, until: 5 ms",
    "flip-on-read": "target: telemetry.RBR, mask: 0x10, probability: 1/50",
    "dropped-write": "target: telemetry.THR, first: 3, count: 1",
    "write-ignored-while-busy": "target: telemetry.LCR, busy_for: 20 us",
    "bus-error": "target: telemetry.LSR, access: read, first: 10, count: 2",
    "late-ready": "target: telemetry.LSR.THRE, reads: 3",
    "never-ready": "target: telemetry.LSR.THRE, from: 1 ms, until: 4 ms",
    "all-ones": "target: telemetry, from: 2 ms, until: 3 ms",
    "reset-in-flight": "target: telemetry, from: 2 ms",
    "device-stops": "target: telemetry, from: 2 ms, until: 3 ms",
    "random-state": "target: telemetry",
    "overrun": "target: telemetry, first: 5, count: 1",
    "framing-error": "target: telemetry, first: 5, count: 1",
    "parity-error": "target: telemetry, first: 5, count: 1",
    "break": "target: telemetry, first: 5, count: 1",
    "noise": "target: telemetry.sin, per_second: 500, width: 3 us, until: 10 ms",
    "baud-drift": "target: telemetry.sin, to: +2 %, over: 10 ms",
    "spurious-interrupt": "target: telemetry.irq, every: 500 us, until: 20 ms",
    "withdrawn-interrupt": "target: telemetry.irq, first: 2, count: 1",
    "lost-interrupt": "target: telemetry.irq, first: 5, count: 1",
    "delayed-interrupt": "target: telemetry.irq, duration: 200 us, until: 20 ms",
    "stuck-interrupt": "target: telemetry.irq, from: 2 ms, until: 3 ms",
    "cpu-stalled": "target: cpu, from: 2 ms, duration: 100 us",
    "cpu-masked": "target: cpu, from: 2 ms, duration: 3 ms",
}
"""For each kind what an example of it may look like, on the board of the tide gauge."""

_COMMON = (
    "Every fault takes kind, target, and when it acts: from and until (times after the driver's "
    "first open), first and count (occasions), probability (of each, from the run's seed)."
)


@click.command()
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print the kinds of fault as JSON.")
def command(name: str | None, *, as_json: bool) -> int:
    """List all kinds of fault, or explain the one called NAME."""
    if name is not None and name not in FAULT_KINDS:
        fix = nearest(name, FAULT_KINDS) or "emu faults lists them"
        raise InputError([Flaw("emu faults", 0, 0, f"no fault {name!r}", fix=fix)])
    chosen = list(FAULT_KINDS.values()) if name is None else [FAULT_KINDS[name]]
    if as_json:
        click.echo(json.dumps([_plain(one) for one in chosen], indent=2))
    else:
        click.echo("\n".join(_list(chosen) if name is None else _explain(chosen[0])))
    return 0


def _plain(kind: FaultKind) -> dict[str, Any]:
    """Return a kind as plain data."""
    return {
        "name": kind.name,
        "meaning": kind.meaning,
        "targets": [TARGETS[one] for one in kind.targets],
        "occasion": OCCASIONS[kind.occasion],
        "settings": {one.name: one.meaning for one in kind.parameters},
        "waives": sorted({one.promise for one in kind.waives}),
    }


def _list(kinds: list[FaultKind]) -> Iterator[str]:
    width = max(len(one.name) for one in kinds)
    for one in kinds:
        where = " or ".join(TARGETS[target] for target in one.targets)
        yield from _wrapped(f"{one.meaning}; on {where}", f"  {one.name:<{width}}  ")
    yield ""
    yield from _wrapped(_COMMON, "")
    yield ""
    yield "Next: emu faults NAME shows the settings of a kind, and how to name it in a scenario"


def _explain(kind: FaultKind) -> Iterator[str]:
    yield kind.name
    rows = [
        ("does", kind.meaning),
        ("target", " or ".join(TARGETS[one] for one in kind.targets)),
        ("occasion", OCCASIONS[kind.occasion]),
        *((one.name, _setting(one)) for one in kind.parameters),
    ]
    promises = sorted({one.promise for one in kind.waives})
    if promises:
        rows.append(("waives", f"may make it impossible to keep: {', '.join(promises)}"))
    width = max(len(label) for label, _ in rows)
    for label, text in rows:
        yield from _wrapped(text, f"  {label:<{width}}  ")
    yield ""
    yield "In a scenario"
    yield "  faults:"
    yield f"    - {{kind: {kind.name}, {EXAMPLES[kind.name]}}}"
    yield ""
    yield from _wrapped(_COMMON, "")


def _setting(one: Parameter) -> str:
    text = one.meaning
    if one.choices:
        text += f" ({', '.join(str(choice) for choice in one.choices)})"
    return text + ("; must be given" if one.default is None else "")


def _wrapped(text: str, label: str) -> Iterator[str]:
    yield from textwrap.wrap(
        text, _WIDTH, initial_indent=label, subsequent_indent=" " * len(label),
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
