"""How a promise of a contract fared, and the books in which broken ones are kept.

The one idea: a promise is broken once, by the first thing that breaks it, unless a fault had made
it impossible to keep at that time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from emu.kernel.clock import Clock

__all__ = ["Breaches", "Promise"]


@dataclass(frozen=True, slots=True)
class Promise:
    """Say how one promise fared.

    Args:
        promise: its name, one of those of the contract.
        kept: False when it was broken.
        detail: what broke it, or why it was waived; empty when it was simply kept.
        waived: whether a fault made it impossible to keep, so that it was not judged.
        meaning: what was promised.
        broken_ps: when it was found broken, None if it was not.
    """

    promise: str
    kept: bool
    detail: str = ""
    waived: bool = False
    meaning: str = ""
    broken_ps: int | None = None


class _Excusing(Protocol):
    """Who knows what faults excuse."""

    def excuse(self, promise: str) -> bool:
        """Say whether a promise that was just found broken could not be kept."""


class Breaches:
    """Keep the promises that were broken.

    Args:
        names: the promises of the contract, in order.
        excuses: what faults excuse.
        clock: the clock of the board.
    """

    def __init__(self, names: Mapping[str, str], excuses: _Excusing, clock: Clock) -> None:
        self._names = names
        self._excuses = excuses
        self._clock = clock
        self._broken: dict[str, tuple[str, int]] = {}

    def enter(self, promise: str, detail: str) -> bool:
        """Note that a promise was broken, the first detail is kept; return whether it is excused.

        A fault that made it impossible to keep excuses it.
        """
        excused = self._excuses.excuse(promise)
        if not excused:
            self._broken.setdefault(promise, (detail, self._clock.now_ps))
        return excused

    def told(self, waived: Mapping[str, str]) -> list[Promise]:
        """Return how each promise fared.

        Args:
            waived: promise name and reason for each that faults made impossible at some time; it
                counts as broken where it was broken at another.
        """
        return [self._how(name, waived.get(name)) for name in self._names]

    def _how(self, name: str, waived: str | None) -> Promise:
        meaning = self._names[name]
        if name in self._broken:
            detail, at_ps = self._broken[name]
            return Promise(name, False, detail, meaning=meaning, broken_ps=at_ps)
        return Promise(name, True, waived or "", waived=waived is not None, meaning=meaning)
