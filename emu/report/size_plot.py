"""A plot of load over baud rate for a terminal, both scales logarithmic.

The one idea: a letter for each way where its curve passes, and none where it would lose characters,
so that one sees where each way ends. Where curves meet, the one further up the table is drawn.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from emu.sizing.computed import holds
from emu.sizing.handler import HandlerCost
from emu.sizing.held_up import other_share
from emu.sizing.strategies import Strategy
from emu.sizing.study import Study
from emu.sizing.ways import demand_of
from emu.sizing.workload import Workload

__all__ = ["plot"]

_COLUMNS = 80
_LOW_BAUD, _HIGH_BAUD = 1200, 921_600 * 4
_TICKS = (1200, 9600, 115_200, 921_600)
_DECADES = 4  # of load, up to 100 %
_ROWS_PER_DECADE = 3
_MARGIN = 8


def plot(found: Study, letters: str) -> Iterator[str]:
    """Yield the lines of the plot.

    Args:
        found: the workload, whose rate is what is varied, and the ways.
        letters: one for each.
    """
    workload, strategies = found.workload, [row.strategy for row in found.rows]
    grid = [[" "] * _COLUMNS for _ in range(_DECADES * _ROWS_PER_DECADE + 1)]
    for column in range(_COLUMNS):
        baud = round(_LOW_BAUD * (_HIGH_BAUD / _LOW_BAUD) ** (column / (_COLUMNS - 1)))
        changed = replace(workload, line=replace(workload.line, baud=baud))
        for letter, strategy in reversed(list(zip(letters, strategies, strict=False))):
            load = _load(changed, strategy, found.cost)
            if load is not None:
                grid[_row(load)][column] = letter
    yield "CPU load, computed, over baud rate: each way by its letter in the table, the first where"
    yield "several meet, as far as none of its characters would be lost"
    for number, row in enumerate(grid):
        decade, between = divmod(number, _ROWS_PER_DECADE)
        label = "" if between else f"{10.0 ** (2 - decade):g} %"
        yield f"{label:>{_MARGIN - 2}} |" + "".join(row)
    yield " " * (_MARGIN - 1) + "+" + "-" * _COLUMNS
    yield _axis()


def _load(workload: Workload, strategy: Strategy, cost: HandlerCost) -> float | None:
    """Return the load of a way, None where it loses characters."""
    demand = demand_of(workload, strategy, cost)
    if not holds(workload, demand):
        return None
    return min(demand.byte_s * workload.rate_hz, 1 - other_share(workload))


def _row(load: float) -> int:
    """Return the row of a load, the lowest for all below the scale."""
    rows = _DECADES * _ROWS_PER_DECADE
    return min(max(round(-math.log10(max(load, 1e-9)) * _ROWS_PER_DECADE), 0), rows)


def _axis() -> str:
    text = [" "] * (_MARGIN + _COLUMNS)
    for baud in _TICKS:
        share = math.log(baud / _LOW_BAUD) / math.log(_HIGH_BAUD / _LOW_BAUD)
        at = _MARGIN + round(share * (_COLUMNS - 1))
        for place, letter in enumerate(str(baud)):
            text[at + place] = letter
    return "".join(text)
