"""A finding: what a driver did that a correct one does not, where, when, and what to do instead."""

from __future__ import annotations

from dataclasses import dataclass

from emu.kernel.clock import Clock
from emu.kernel.where import Place, driver_place

__all__ = ["Finding", "Findings"]

MOST_FINDINGS = 200


@dataclass(slots=True)
class Finding:
    """Hold one finding; the same rule at the same place is one finding with a count.

    Args:
        rule: name of the rule; its text of why and what to do is in `emu.rules.catalogue`.
        file, line: the driver's own place, ``""`` and 0 when no driver code was running.
        time_ps: simulated time of the first occurrence.
        register: path such as ``telemetry.LSR``, empty when none is concerned.
        message: what happened, with values.
        count: how often.
    """

    rule: str
    file: str
    line: int
    time_ps: int
    register: str
    message: str
    count: int = 1


class Findings:
    """Collect findings of a run.

    Args:
        clock: the clock of the board, for the time of a finding.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._by_key: dict[tuple[str, str, int, str], Finding] = {}

    def report(
        self, rule: str, message: str, *, register: str = "", place: Place | None = None
    ) -> None:
        """Note that `rule` was broken, at `place` or at the driver's line that is calling now."""
        file, line = driver_place() if place is None else place
        key = (rule, file, line, register)
        known = self._by_key.get(key)
        if known is not None:
            known.count += 1
        elif len(self._by_key) < MOST_FINDINGS:
            now_ps = self._clock.now_ps
            self._by_key[key] = Finding(rule, file, line, now_ps, register, message)

    def all(self) -> list[Finding]:
        """Return the findings in the order of their first occurrence."""
        return list(self._by_key.values())
