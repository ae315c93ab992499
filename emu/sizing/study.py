"""All strategies under one workload, computed and simulated side by side."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from emu.errors import RunEnded
from emu.kernel.clock import PS_PER_S
from emu.sizing.bench import Bench
from emu.sizing.computed import Computed, compute
from emu.sizing.drivers import driver_for, why_not_simulated
from emu.sizing.handler import HandlerCost, estimated
from emu.sizing.measured import Measured
from emu.sizing.strategies import BIT_BANGED, DMA, POLLED, Strategy, strategies_of
from emu.sizing.workload import Workload

__all__ = ["Row", "Study", "simulate", "study"]

_CHARACTERS = 1400  # 100 times the highest trigger level of a FIFO of 16
_FEWEST, _FEWEST_POLLED = 60, 4
_FEWEST_ROWS, _FEWEST_BLOCKS = 8, 4
_NOT_ASKED = "not asked for"
_MEASURED = "computed from the handler that was measured"
_LONGEST_S = 1.0  # of simulated time
_STEPS_BIT_BANGED, _STEPS_PER_BYTE = 40, 10  # calls of the bench for a character
_STEPS, _MOST_STEPS = 25_000, 500_000  # in a run, and where a run would take too long
_TURN_CYCLES = 20  # of a loop that waits for a character


@dataclass(frozen=True, slots=True)
class Row:
    """Hold what is known of one strategy.

    Args:
        strategy: the way.
        computed: by arithmetic.
        measured: by simulation, None where there is none.
        note: why there is none.
    """

    strategy: Strategy
    computed: Computed
    measured: Measured | None = None
    note: str = ""

    @property
    def difference(self) -> float | None:
        """How far the simulated load is off the computed one, as a share of that."""
        if self.measured is None or not self.computed.load:
            return None
        return self.measured.load / self.computed.load - 1


@dataclass(frozen=True, slots=True)
class Study:
    """Hold a workload, what is known of each strategy under it, and what a handler costs."""

    workload: Workload
    rows: tuple[Row, ...]
    cost: HandlerCost


def study(
    workload: Workload,
    *,
    cost: HandlerCost | None = None,
    own: tuple[Strategy, type] | None = None,
    seed: int = 1,
    simulated: bool = True,
    told: Callable[[str, float], None] = lambda _name, _share: None,
) -> Study:
    """Compute and simulate every strategy.

    Args:
        workload: what comes, and what else goes on.
        cost: what a handler costs, estimated when None.
        own: a driver of the user's, and the strategy that it follows; it gets a row of its own, and
            the drivers of the bench are not run where its handler stands for theirs.
        seed: seed of the simulation.
        simulated: whether to simulate.
        told: called before each strategy with its name and the share that is done.
    """
    foreign, cost = cost is not None, cost or estimated(workload)
    strategies = strategies_of(workload)
    total = len(strategies) + bool(own)
    rows = []
    for number, strategy in enumerate(strategies):
        told(strategy.name, number / total)
        computed = compute(workload, strategy, cost)
        if not simulated:
            rows.append(Row(strategy, computed, note=_NOT_ASKED))
        elif foreign and strategy.interrupts:
            rows.append(Row(strategy, computed, note=_MEASURED))
        else:
            rows.append(simulate(workload, strategy, computed, seed=seed))
    if own is not None:
        strategy, driver = own
        computed = compute(workload, strategy, cost)
        row = Row(strategy, computed, note=_NOT_ASKED)
        rows.append(
            simulate(workload, strategy, computed, driver=driver, seed=seed) if simulated else row
        )
    return Study(workload, tuple(rows), cost)


def simulate(
    workload: Workload,
    strategy: Strategy,
    computed: Computed,
    *,
    driver: type | None = None,
    seed: int = 1,
) -> Row:
    """Run a strategy on the bench and return both sides.

    Args:
        workload: what comes, and what else goes on.
        strategy: the way.
        computed: what arithmetic says.
        driver: the driver to run, that of the strategy when None.
        seed: seed of the simulation.

    Raises:
        InputError: the example drivers are not there.
    """
    note, count = why_not_simulated(strategy, workload), _count(workload, strategy)
    if note or not count:
        return Row(
            strategy, computed, note=note or "so few characters come that it would take long"
        )
    known, setting = driver_for(strategy)
    bench = Bench(workload, setting, driver or known, count=count, seed=seed)
    try:
        return Row(strategy, computed, bench.run())
    except RunEnded as ended:
        why = ended.message
    except Exception as error:
        if driver is None:
            raise
        why = f"it raised {type(error).__name__}: {error}"
    return Row(strategy, computed, note=why)


def _count(workload: Workload, strategy: Strategy) -> int:
    """Return how many characters to send: fewer where each takes long, and whole rows of them.

    0 where even the fewest would take too long.
    """
    step_s = _step_s(workload, strategy)
    rows = _FEWEST_BLOCKS if strategy.kind == DMA else _FEWEST_ROWS
    fewest = max(_FEWEST, rows * strategy.trigger) if strategy.kind != POLLED else _FEWEST_POLLED
    most = min(round(_STEPS * step_s * workload.rate_hz), round(_LONGEST_S * workload.rate_hz))
    count = max(min(most, _CHARACTERS), fewest) // strategy.trigger * strategy.trigger
    return count if count / workload.rate_hz / step_s < _MOST_STEPS else 0


def _step_s(workload: Workload, strategy: Strategy) -> float:
    """Return how much simulated time a step of the bench brings, so that runs can be kept short."""
    if strategy.kind == POLLED:
        return _TURN_CYCLES / workload.cpu.clock_hz
    per_byte = _STEPS_BIT_BANGED if strategy.kind == BIT_BANGED else _STEPS_PER_BYTE
    others_hz = sum(PS_PER_S / one.period_ps for one in workload.others)
    return 1 / (per_byte * workload.rate_hz + others_hz + PS_PER_S / workload.masked.period_ps)
