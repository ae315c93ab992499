"""Write a fault down in Python, with quantities as people write them.

`emu.faults.plan.FaultSpec` takes whole numbers of ps; this reads "2 ms" and "10 %", checks names
and values at once, and gives the same plain data.

>>> from emu.faults.plan import FaultPlan
>>> from emu.faults.spell import fault
>>> plan = FaultPlan.of([
...     fault("stuck-field", "telemetry.LSR.THRE", value=0, start="2 ms", until="5 ms"),
...     fault("framing-error", "telemetry", first=3, count=1),
...     fault("flip-on-read", "telemetry.RBR", probability="1 %"),
... ])
>>> plan.faults[0].when.until_ps
5000000000
>>> plan.faults[1].when.first, plan.faults[1].when.count
(3, 1)
"""

from __future__ import annotations

from emu.errors import DeclarationError, nearest
from emu.faults.kinds import FAULT_KINDS
from emu.faults.plan import FaultSpec, When
from emu.kernel.parameter import read_settings
from emu.units import parse_duration, parse_ratio

__all__ = ["fault"]


def fault(
    kind: str,
    target: str,
    *,
    start: object = 0,
    until: object = None,
    first: int = 1,
    count: int | None = None,
    probability: object = 1,
    **settings: object,
) -> FaultSpec:
    """Return one fault of a plan.

    Args:
        kind: a name in `emu.faults.kinds.FAULT_KINDS`.
        target: what it acts on, such as ``telemetry.LSR.THRE``, ``telemetry.irq`` or ``cpu``.
        start: beginning of its window, counted from when the driver was first opened: ``"2 ms"``.
        until: end of it, None for none.
        first: the first occasion in the window on which it acts, from 1.
        count: on how many occasions, None for all.
        probability: chance on each of these, such as ``"10 %"``.
        settings: the kind's own, as its parameters read them.

    Raises:
        DeclarationError: no such kind or setting, or a value of it cannot be read.
        UnitError: `start`, `until` or `probability` cannot be read.
    """
    if kind not in FAULT_KINDS:
        raise DeclarationError(f"no kind of fault {kind!r}", fix=nearest(kind, FAULT_KINDS))
    given = read_settings(FAULT_KINDS[kind].parameters, settings, where=kind)
    when = When(
        from_ps=parse_duration(start),
        until_ps=None if until is None else parse_duration(until),
        first=first,
        count=count,
        probability=parse_ratio(probability),
    )
    return FaultSpec(kind, target, when, {name: given[name] for name in settings})
