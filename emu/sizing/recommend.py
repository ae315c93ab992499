"""Which way to take: one sentence with its reason and its margin.

The one idea: hardware that is there costs nothing, so a FIFO is used, at the level that takes least
of the processor and leaves enough margin. What is not there, an engine or a deeper FIFO, has to be
worth it: without it characters are lost, the margin is thin, or much more of the processor goes.
Ways in which the program itself has to come by in time are only taken where nothing else is left,
since no controller guarantees that.
"""

from __future__ import annotations

from collections.abc import Sequence

from emu.kernel.clock import PS_PER_S
from emu.sizing.strategies import BIT_BANGED, INTERRUPTS, PACED, POLLED
from emu.sizing.study import Row, Study
from emu.units import show_duration

__all__ = ["Recommendation", "recommend", "recommend_depth"]

ENOUGH = 0.5  # of the tolerable latency that should be left
MUCH = 0.05  # of the processor that hardware has to save that is not there
_BY_THE_PROGRAM = (PACED, POLLED, BIT_BANGED)


class Recommendation:
    """Hold what to take and why.

    Args:
        row: the strategy, None if none loses nothing.
        text: one sentence.
    """

    def __init__(self, row: Row | None, text: str) -> None:
        self.row = row
        self.text = text

    @property
    def short(self) -> str:
        """The same in few words."""
        if self.row is None:
            return self.text
        one = self.row.computed
        name = self.row.strategy.name
        return f"{name}: load {_percent(one.load)}, margin {_percent(one.margin)}"


def recommend(found: Study) -> Recommendation:
    """Return the strategy to take, with its reason and its margin."""
    good = [row for row in found.rows if _loses_nothing(row)]
    if not good:
        return Recommendation(None, _none(found))
    by_hardware = [row for row in good if row.strategy.kind not in _BY_THE_PROGRAM]
    choice = by_hardware or good
    given = [row for row in choice if _is_given(found, row)]
    more = [row for row in choice if row.strategy.kind != INTERRUPTS]
    taken, least = _take(_best_level(given) + more or choice)
    return Recommendation(taken, _sentence(found, taken, least))


def recommend_depth(studies: Sequence[Study]) -> str:
    """Return one sentence on which of several FIFOs to have, if any leaves enough margin.

    Args:
        studies: of the same workload with each of them, the shallowest first.
    """
    found = [
        (study.workload.fifo, row)
        for study in studies
        for row in _best_level(
            [row for row in study.rows if _is_given(study, row) and _loses_nothing(row)]
        )
        if row.computed.margin >= ENOUGH
    ]
    if not found:
        return f"No FIFO leaves interrupts a margin of {_percent(ENOUGH)}"
    taken, least = _take([row for _, row in found])
    depth, deeper = (next(one for one, row in found if row is this) for this in (taken, least))
    name = f"Take a FIFO of {depth}" if depth > 1 else "Take no FIFO"
    one = taken.computed
    text = f"{name}: {_percent(one.load)} of the processor, {_percent(one.margin)} margin"
    if taken is least:
        return text
    saved = one.load - least.computed.load
    return f"{text}; one of {deeper} would save only another {_percent(saved)}"


def _take(rows: Sequence[Row]) -> tuple[Row, Row]:
    """Return the first row that has room and costs not much more than the best, and the best."""
    roomy = [row for row in rows if row.computed.margin >= ENOUGH] or [
        max(rows, key=lambda row: row.computed.margin)
    ]
    least = min(roomy, key=lambda row: row.computed.load)
    limit = least.computed.load + MUCH
    return next(row for row in roomy if row.computed.load <= limit), least


def _best_level(rows: Sequence[Row]) -> list[Row]:
    """Return the row that costs least of those that leave enough margin, else the roomiest."""
    if not rows:
        return []
    roomy = [row for row in rows if row.computed.margin >= ENOUGH]
    if roomy:
        return [min(roomy, key=lambda row: row.computed.load)]
    return [max(rows, key=lambda row: row.computed.margin)]


def _is_given(found: Study, row: Row) -> bool:
    """Say whether a row uses the FIFO that is there, and nothing else."""
    return row.strategy.kind == INTERRUPTS and row.strategy.depth == found.workload.fifo


def _loses_nothing(row: Row) -> bool:
    lost = row.measured.loss if row.measured else 0.0
    return row.computed.loss == 0 and row.computed.margin >= 0 and not lost


def _sentence(found: Study, taken: Row, least: Row) -> str:
    computed = taken.computed
    assert computed.worst_latency_s is not None
    left_s = computed.tolerable_s - computed.worst_latency_s
    load, margin = _percent(computed.load), _percent(computed.margin)
    text = (
        f"Take {taken.strategy.name}{_since(taken)}: it costs {load} of the processor, loses "
        f"nothing, and at worst has {_time(left_s)} left of the {_time(computed.tolerable_s)} "
        f"after which a character is lost ({margin})"
    )
    if taken is not least:
        saved = computed.load - least.computed.load
        return f"{text}; {least.strategy.name} would save only another {_percent(saved)}"
    simpler = _simpler(found, taken)
    return f"{text}; {simpler}" if simpler else text


def _since(taken: Row) -> str:
    is_fifo = taken.strategy.kind == INTERRUPTS and taken.strategy.depth > 1
    return ", since the FIFO is there" if is_fifo else ""


def _simpler(found: Study, taken: Row) -> str:
    """Return why interrupts are not taken, at the level that comes nearest."""
    if taken.strategy.kind == INTERRUPTS:
        return ""
    others = [row for row in found.rows if _is_given(found, row)]
    if not others:
        return ""
    good = _best_level([one for one in others if _loses_nothing(one)])
    row = good[0] if good else max(others, key=lambda row: row.computed.margin)
    if not _loses_nothing(row):
        return f"{row.strategy.name} would lose characters"
    if row.computed.margin < ENOUGH:
        return f"{row.strategy.name} would leave a margin of {_percent(row.computed.margin)}"
    return f"{row.strategy.name} would cost {_percent(row.computed.load)}"


def _none(found: Study) -> str:
    """Return what to change where every way loses characters."""
    best = max(found.rows, key=lambda row: row.computed.highest_baud)
    if not best.computed.highest_baud:
        return "Nothing holds at any rate: what else interrupts leaves no time"
    return (
        f"Nothing receives everything at {found.workload.line.baud} baud; the furthest goes "
        f"{best.strategy.name}, up to {best.computed.highest_baud} baud"
    )


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _time(seconds: float) -> str:
    return show_duration(round(seconds * PS_PER_S))
