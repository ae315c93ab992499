"""What the handler of a user's driver costs, from runs on the bench.

The one idea: a line through two points. In one run characters come one by one, so far apart that
each brings an interrupt of its own; in another they come without a pause, so that each interrupt
brings as many as the driver's trigger level. Nothing else goes on meanwhile.
"""

from __future__ import annotations

from dataclasses import replace

from emu.errors import Flaw, InputError, RunEnded
from emu.sizing.bench import Bench
from emu.sizing.bench_board import Setting
from emu.sizing.handler import HandlerCost
from emu.sizing.measured import Measured
from emu.sizing.strategies import INTERRUPTS, Strategy
from emu.sizing.workload import Masked, Traffic, Workload

__all__ = ["measured_handler"]

_FEW, _MANY = 60, 896  # characters; rows of 14, 32 and 56 fill 896 without a rest
_APART = 0.1  # of the line: ten characters from one to the next
_DEPTHS = (1, 16, 64)


def measured_handler(workload: Workload, driver: type, name: str) -> tuple[HandlerCost, Strategy]:
    """Return what a driver's handler costs, and the strategy that the driver follows.

    Args:
        workload: processor and line; what else goes on is left out.
        driver: the driver's class.
        name: what tables call it.

    Raises:
        InputError: the driver does not receive by interrupts, or cannot be run.
    """
    depth = max(one for one in _DEPTHS if one <= max(workload.fifo, 1))
    alone = replace(workload, others=(), masked=Masked(0))
    few, many = (
        _run(replace(alone, traffic=Traffic("steady", use)), driver, depth, count, name)
        for use, count in ((_APART, _FEW), (1.0, _MANY))
    )
    cost = _line_through(few, many)
    level = min(max(round(many.bytes_per_interrupt), 1), depth)
    return cost, Strategy(INTERRUPTS, f"{name[:16]} at {level}", depth, level)


def _run(workload: Workload, driver: type, depth: int, count: int, name: str) -> Measured:
    try:
        measured = Bench(workload, Setting(fifo=depth), driver, count=count).run()
    except RunEnded as ended:
        raise _refusal(name, f"the run ended: {ended.message}") from None
    except Exception as error:
        raise _refusal(name, f"it raised {type(error).__name__}: {error}") from error
    if not measured.bytes_per_interrupt:
        raise _refusal(name, "it took no interrupt, so there is no handler to measure")
    return measured


def _refusal(name: str, why: str) -> InputError:
    return InputError([Flaw(f"--driver {name}", 0, 0, f"cannot be measured: {why}")])


def _line_through(few: Measured, many: Measured) -> HandlerCost:
    """Return fixed cost and cost for each character, so that both runs come out."""
    row_few, row_many = few.bytes_per_interrupt, many.bytes_per_interrupt
    fixed_s, byte_s = _fit(
        (row_few, few.processor_s / few.characters * row_few),
        (row_many, many.processor_s / many.characters * row_many),
    )
    fixed_accesses, byte_accesses = _fit(
        (row_few, few.accesses_per_byte * row_few), (row_many, many.accesses_per_byte * row_many)
    )
    return HandlerCost(fixed_s, byte_s, many.mean_latency_s, fixed_accesses, byte_accesses)


def _fit(low: tuple[float, float], high: tuple[float, float]) -> tuple[float, float]:
    """Return where a line through two points begins, and its rise; none if they are one."""
    if high[0] - low[0] < 0.5:
        return high[1], 0.0
    rise = (high[1] - low[1]) / (high[0] - low[0])
    return low[1] - rise * low[0], rise
