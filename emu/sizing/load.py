"""A workload from a YAML file, with every flaw at its line and column.

The one idea: the keys are those of `emu.sizing.workload`, in the quantities that scenarios take,
and each may be left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from emu.kernel.board import CpuSettings
from emu.scenario.file_kind import refuse_other_kind
from emu.scenario.quantities import CYCLES, DURATION, FREQUENCY, LINE, PROBABILITY, SPAN
from emu.scenario.shape import Choice, Items, Key, Table, Truth, Values, Whole
from emu.scenario.source import Node, Notes, compose, passing, read_text
from emu.sizing.held_up import other_share
from emu.sizing.workload import PATTERNS, Dma, Masked, Neighbour, Traffic, Workload

__all__ = ["WORKLOAD", "Misfit", "load_workload", "misfit_of", "parse_workload"]

_KIND = "a sizing"
_OF_OTHERS = {"scenario", "board", "do", "case", "devices", "cpu", "bus", "interrupts"}
_MOST = 65_536

_TRAFFIC = Table(
    "traffic",
    (
        Key("pattern", Choice(PATTERNS), "steady, bursty or random"),
        Key("use", PROBABILITY, "share of what the line could carry, such as 50 %"),
        Key("burst", Whole(1, _MOST), "characters in a burst"),
    ),
)
_OTHER = Table(
    "another interrupt",
    (
        Key("every", SPAN, "time between two of them", required=True),
        Key("handler", CYCLES, "cycles that its handler takes", required=True),
        Key("above", Truth(), "whether it is served before the device"),
        Key("jitter", DURATION, "how much later than its period says one may come"),
    ),
)
_MASKED = Table(
    "masked sections",
    (
        Key("longest", DURATION, "the longest time for which interrupts are masked"),
        Key("every", SPAN, "time between two such sections"),
    ),
)
_DMA = Table(
    "an engine",
    (
        Key("block", Whole(1, _MOST), "characters that it moves before it interrupts"),
        Key("accesses", Whole(1, 1000), "register accesses for each block"),
    ),
)
WORKLOAD = Table(
    _KIND,
    (
        Key("clock", FREQUENCY, "clock of the processor"),
        Key("access", CYCLES, "cycles of a register access"),
        Key("entry", CYCLES, "cycles to enter a handler"),
        Key("exit", CYCLES, "cycles to leave it"),
        Key("time", CYCLES, "cycles to read the time"),
        Key("nesting", Truth(), "whether higher priorities interrupt handlers"),
        Key("line", LINE, "rate and format, such as 115200 8N1"),
        Key("traffic", _TRAFFIC, "how characters come"),
        Key("fifo", Whole(1, _MOST), "characters that the receive FIFO holds, 1 for none"),
        Key("triggers", Items(Whole(1, _MOST), alone=True), "levels at which it interrupts"),
        Key("others", Items(_OTHER), "what else interrupts"),
        Key("masked", _MASKED, "sections with interrupts masked"),
        Key("moderation", DURATION, "least time between two moderated interrupts"),
        Key("dma", _DMA, "what an engine costs that moves data by itself"),
        Key("compute", CYCLES, "cycles that the program computes for each character"),
    ),
)
"""The keys of a sizing file."""


def load_workload(path: str | Path) -> Workload:
    """Read a sizing file.

    Raises:
        InputError: with every flaw found, each at its line and column.
    """
    file = Path(path)
    notes = Notes(str(path), file.parent)
    found = []
    with passing():
        found.append(_read(compose(read_text(file, notes), notes), notes))
    notes.finish()
    return found[0]


def parse_workload(text: str, *, path: str = "sizing") -> Workload:
    """Read a workload from text; see `load_workload`."""
    notes = Notes(path, Path())
    found = []
    with passing():
        found.append(_read(compose(text, notes), notes))
    notes.finish()
    return found[0]


class Misfit(NamedTuple):
    """Say what of a workload cannot be: under which key, what it is, and what is allowed."""

    key: str
    what: str
    allowed: str


def misfit_of(workload: Workload) -> Misfit | None:
    """Return what makes a workload impossible, None if nothing does."""
    above = [one for one in workload.triggers if one > workload.fifo]
    if above:
        what = f"a trigger of {above[0]} in a FIFO of {workload.fifo}"
        return Misfit("triggers", what, "1 up to fifo")
    if not workload.access_cycles:
        return Misfit("access", "an access that takes no time", "1 cycle or more")
    masked = workload.masked
    if masked.length_ps >= masked.period_ps:
        what = "masked sections follow one another without a pause"
        return Misfit("masked", what, "a length below the time between two of them")
    share = other_share(workload)
    if share >= 1:
        what = f"other handlers and masked sections take {100 * share:.0f} % of the processor"
        return Misfit("others", what, "below 100 %")
    return None


def _read(node: Node, notes: Notes) -> Workload:
    given = {key.text for key, _ in node.value} if node.is_mapping else set()
    if given & _OF_OTHERS or not node.is_mapping:
        refuse_other_kind(node, _KIND, notes)
    values = WORKLOAD.read(node, notes)
    workload = _workload(values)
    misfit = None if notes.flaws else misfit_of(workload)
    if misfit is not None:
        notes.refuse(values.place(misfit.key), misfit.what, allowed=misfit.allowed)
    return workload


def _workload(values: Values) -> Workload:
    """Return the workload that values make, with the default for each that is missing."""
    default = Workload()
    return Workload(
        cpu=_cpu(values),
        access_cycles=values.get("access", default.access_cycles),
        line=values.get("line", default.line),
        traffic=_traffic(values.get("traffic", {})),
        fifo=values.get("fifo", default.fifo),
        triggers=tuple(sorted(set(values.get("triggers", ())))),
        others=tuple(map(_other, values["others"])) if "others" in values else default.others,
        masked=_masked(values.get("masked", {})),
        moderation_ps=values.get("moderation", default.moderation_ps),
        dma=_dma(values.get("dma", {})),
        compute_cycles=values.get("compute", default.compute_cycles),
    )


def _cpu(values: Mapping[str, Any]) -> CpuSettings:
    default = CpuSettings()
    return CpuSettings(
        clock_hz=values.get("clock", default.clock_hz),
        entry_cycles=values.get("entry", default.entry_cycles),
        exit_cycles=values.get("exit", default.exit_cycles),
        time_cycles=values.get("time", default.time_cycles),
        nesting=values.get("nesting", default.nesting),
    )


def _traffic(values: Mapping[str, Any]) -> Traffic:
    default = Traffic()
    use = values.get("use")
    return Traffic(
        pattern=values.get("pattern", default.pattern),
        use=None if use is None else float(use),
        burst_bytes=values.get("burst", default.burst_bytes),
    )


def _other(values: Values) -> Neighbour:
    default = Neighbour()
    return Neighbour(
        values.get("every", default.period_ps),
        values.get("handler", default.handler_cycles),
        values.get("above", default.above),
        values.get("jitter", default.jitter_ps),
    )


def _masked(values: Mapping[str, Any]) -> Masked:
    default = Masked()
    return Masked(values.get("longest", default.length_ps), values.get("every", default.period_ps))


def _dma(values: Mapping[str, Any]) -> Dma:
    default = Dma()
    return Dma(values.get("block", default.block_bytes), values.get("accesses", default.accesses))
