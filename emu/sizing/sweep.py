"""The same question for many rates or many FIFOs, in one process or several.

The one idea: what is asked is known before it is handed out, and comes back in the order in which
it was asked, so that the number of workers changes nothing but the time.
"""

from __future__ import annotations

import multiprocessing
import re
import signal
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

from emu.errors import UnitError, nearest
from emu.sizing.handler import HandlerCost
from emu.sizing.study import Study, study
from emu.sizing.workload import Workload

__all__ = ["BAUD_RATES", "SWEPT", "Sweep", "parse_sweep", "run_sweep"]

# The usual rates; those up to 115200 common practice, no source.
BAUD_RATES = (300, 600, 1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800,
              921_600, 1_843_200, 3_686_400)  # fmt: skip
_DEPTHS = tuple(1 << power for power in range(17))
SWEPT = {"baud": (BAUD_RATES, 50, 100_000_000), "fifo": (_DEPTHS, 1, 65_536)}
_MOST = 64


@dataclass(frozen=True, slots=True)
class Sweep:
    """Say what is changed, and to which values."""

    name: str
    values: tuple[int, ...]

    def apply(self, workload: Workload, value: int) -> Workload:
        """Return the workload with one value in its place."""
        if self.name == "baud":
            return replace(workload, line=replace(workload.line, baud=value))
        levels = tuple(one for one in workload.triggers if one <= value)
        return replace(workload, fifo=value, triggers=levels)


def parse_sweep(text: str) -> Sweep:
    """Read a sweep such as ``baud=1200..921600`` or ``fifo=1,4,16``.

    Raises:
        UnitError: it is of no such form, or a value is out of range.
    """
    name, equals, values = text.partition("=")
    name = name.strip()
    if not equals or name not in SWEPT:
        hint = nearest(name, SWEPT)
        raise UnitError(
            f"{text!r} does not say what to change", allowed="baud=... or fifo=...",
            fix=hint if hint.startswith("did") else "",
        )  # fmt: skip
    usual, low, high = SWEPT[name]
    found = sorted({one for part in values.split(",") for one in _values(part, usual)})
    if not found or found[0] < low or found[-1] > high or len(found) > _MOST:
        raise UnitError(
            f"{text!r} has no values to change to, too many, or one out of range",
            allowed=f"{low} to {high}, one after the other or as a range such as "
            f"{usual[2]}..{usual[-3]}, up to {_MOST} of them",
        )
    return Sweep(name, tuple(found))


def _values(part: str, usual: tuple[int, ...]) -> list[int]:
    """Return the values of one part: a number, or the usual ones in a range with its ends."""
    found = re.fullmatch(r"\s*([0-9]{1,9})\s*(?:\.\.\s*([0-9]{1,9})\s*)?", part)
    if found is None:
        raise UnitError(f"{part!r} is not a value or a range", allowed="such as 16 or 1200..921600")
    low = int(found[1])
    if found[2] is None:
        return [low]
    high = int(found[2])
    return [low, *(one for one in usual if low < one < high), high] if low <= high else []


def run_sweep(
    workload: Workload,
    sweep: Sweep,
    *,
    cost: HandlerCost | None = None,
    seed: int = 1,
    simulated: bool = True,
    workers: int = 1,
    told: Callable[[int, float], None] = lambda _value, _share: None,
) -> list[Study]:
    """Study a workload with each value, and return the studies in the order of the values.

    Args:
        workload: what stays the same.
        sweep: what changes.
        cost: what a handler costs, estimated when None.
        seed: seed of the simulation.
        simulated: whether to simulate.
        workers: processes to use, 1 for this one.
        told: called after each value with it and the share that is done.

    Side effects: starts `workers` processes and ends them, if there are several.
    """
    ask = partial(study, cost=cost, seed=seed, simulated=simulated)
    workloads = [sweep.apply(workload, value) for value in sweep.values]
    found = []
    for value, one in zip(sweep.values, _in_order(ask, workloads, workers), strict=True):
        found.append(one)
        told(value, len(found) / len(workloads))
    return found


def _in_order(
    ask: Callable[[Workload], Study], workloads: list[Workload], workers: int
) -> Iterator[Study]:
    """Yield what comes of each, in order."""
    if min(workers, len(workloads)) < 2 or "fork" not in multiprocessing.get_all_start_methods():
        yield from map(ask, workloads)
        return
    deaf = (signal.SIGINT, signal.SIG_IGN)  # the first process tells when to stop
    context, count = multiprocessing.get_context("fork"), min(workers, len(workloads))
    with context.Pool(count, signal.signal, deaf) as pool:
        yield from pool.imap(ask, workloads)
