"""A fault plan as plain data: what goes wrong, where and when.

The same plan comes from YAML, from Python, or drawn at random; what each kind means stands in
`emu.faults.kinds`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

__all__ = ["FaultPlan", "FaultSpec", "When"]


@dataclass(frozen=True, slots=True)
class When:
    """Say when a fault acts; all that is given must hold.

    Args:
        from_ps, until_ps: window of simulated time after the driver was first opened; the end is
            not part of it, None for no end. A fault that acts before the driver is opened
            ignores it.
        first, count: from the `first` occasion in the window on (1 is the first; an occasion is
            an access of the register, a character, a delivery: what the kind says), for `count`
            occasions, None for all.
        probability: chance on each of these occasions, from the run's seed.
    """

    from_ps: int = 0
    until_ps: int | None = None
    first: int = 1
    count: int | None = None
    probability: Fraction = Fraction(1)


@dataclass(frozen=True, slots=True)
class FaultSpec:
    """Say one fault.

    Args:
        kind: a kind of `emu.faults.kinds`.
        target: what it acts on, such as ``telemetry.LSR.THRE``, ``telemetry``, ``telemetry.irq``.
        when: when it acts.
        settings: values of the kind's own parameters, parsed.
        row: line in the file it came from, 0 when it has none.
    """

    kind: str
    target: str
    when: When = field(default_factory=When)
    settings: dict[str, Any] = field(default_factory=dict)
    row: int = 0


@dataclass(frozen=True, slots=True)
class FaultPlan:
    """Hold the faults of a run, in the order in which they are put in place."""

    faults: tuple[FaultSpec, ...] = ()

    def __iter__(self) -> Iterator[FaultSpec]:
        return iter(self.faults)

    def __len__(self) -> int:
        return len(self.faults)

    @classmethod
    def of(cls, faults: Iterable[FaultSpec]) -> FaultPlan:
        """Return a plan of `faults`."""
        return cls(tuple(faults))
