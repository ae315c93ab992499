"""Which way to take: one sentence with its reason and its margin.

The one idea: the simplest hardware that loses nothing, leaves enough margin, and does not cost much
more of the processor than the best. Ways in which the program itself has to come by in time are
only taken where nothing else is left, since no controller guarantees that.
"""

from __future__ import annotations

from emu.kernel.clock import PS_PER_S
from emu.sizing.strategies import BIT_BANGED, PACED, POLLED
from emu.sizing.study import Row, Study
from emu.units import show_duration

__all__ = ["Recommendation", "recommend"]

ENOUGH = 0.5  # of the tolerable latency that should be left
MUCH = 0.05  # of the processor that a simpler way may cost more
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
    roomy = [row for row in choice if row.computed.margin >= ENOUGH] or [
        max(choice, key=lambda row: row.computed.margin)
    ]
    least = min(roomy, key=lambda row: row.computed.load)
    taken = next(row for row in roomy if row.computed.load <= least.computed.load + MUCH)
    same = [row for row in roomy if _hardware(row) == _hardware(taken)]
    taken = min(same, key=lambda row: row.computed.load)  # another level costs nothing
    return Recommendation(taken, _sentence(found, taken, least))


def _hardware(row: Row) -> tuple[str, int]:
    return row.strategy.kind, row.strategy.depth


def _loses_nothing(row: Row) -> bool:
    lost = row.measured.loss if row.measured else 0.0
    return row.computed.loss == 0 and row.computed.margin >= 0 and not lost


def _sentence(found: Study, taken: Row, least: Row) -> str:
    computed = taken.computed
    assert computed.worst_latency_s is not None
    left_s = computed.tolerable_s - computed.worst_latency_s
    text = (
        f"Take {taken.strategy.name}: it costs {_percent(computed.load)} of the processor, loses "
        f"nothing, and at worst has {_time(left_s)} left of the {_time(computed.tolerable_s)} "
        f"after which a character is lost ({_percent(computed.margin)})"
    )
    if taken is not least:
        saved = computed.load - least.computed.load
        return f"{text}; {least.strategy.name} would save another {_percent(saved)}"
    simpler = _simpler(found, taken)
    return f"{text}; {simpler}" if simpler else text


def _simpler(found: Study, taken: Row) -> str:
    """Return why nothing that stands above the row is taken."""
    before = found.rows[: found.rows.index(taken)]
    before = tuple(row for row in before if row.strategy.kind not in _BY_THE_PROGRAM)
    other = [row for row in before if row.strategy.depth < taken.strategy.depth] or list(before)
    if not other:
        return ""
    row = other[-1]
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
