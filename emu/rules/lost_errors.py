"""Line errors that the driver was shown and did not count.

The one idea: reading LSR clears its error bits, so each read of them has to end in a counter, at
once or later. How often errors were shown is compared with the counters only when ``close`` has
returned; until then the places are remembered after which no counter had moved.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from emu.kernel.where import Place, driver_place
from emu.rules.context import Activation
from emu.rules.finding import Findings

__all__ = ["LostErrors"]

_COUNTERS = {"overrun": ("overrun",), "character": ("parity", "framing", "breaks")}
_BITS = {"overrun": 1, "character": 2}


@dataclass(slots=True)
class _Shown:
    """Hold an error that was shown.

    Args:
        by: to whom.
        kind: key of `_COUNTERS`.
        place: where.
        before: what the counters said then.
        after: what they said when the next was shown; None until then.
    """

    by: Activation
    kind: str
    place: Place
    before: int
    after: int | None = None


class LostErrors:
    """Judge one driver's counters (rule ``error-bits-lost``).

    No false alarm: a bad character counts as shown once, only together with DR, and an overrun once
    for each call or handler; none counts while the driver opens, closes, uses loopback, clears a
    FIFO, sets the device up again or copes with bus errors or all ones. Counters that fall, or are
    missing, end the judgement; so does a run that ended before ``close`` returned.

    Args:
        findings: where findings go.
        register: path of LSR.
    """

    def __init__(self, findings: Findings, register: str) -> None:
        self._findings = findings
        self._register = register
        self._errors: Callable[[], object] = lambda: None
        self._open: list[_Shown] = []
        self._due: dict[str, int] = {}
        self._start: dict[str, int | None] = {}
        self._suspects: dict[str, list[Place]] = {}
        self._clear()

    def counters(self, errors: Callable[[], object]) -> None:
        """Find the driver's counters by ``errors()`` from now on."""
        self._errors = errors

    def overruns(self) -> int | None:
        """Return the driver's count of overruns, None when it has none."""
        return self._total("overrun")

    def begin(self) -> None:
        """Begin to compare: ``open`` has returned."""
        self._clear()
        self._start = {kind: self._total(kind) for kind in _COUNTERS}

    def shown(self, here: Activation, *, overrun: bool, bad_character: bool) -> None:
        """Note that an LSR read showed errors to whoever runs `here`.

        Args:
            here: what runs.
            overrun: whether it showed an overrun.
            bad_character: whether it showed that the character at hand is bad, for the first time.
        """
        if overrun and not here.flags & _BITS["overrun"]:
            self._note(here, "overrun")
        if bad_character:
            self._note(here, "character")

    def _note(self, here: Activation, kind: str) -> None:
        """Note a shown error, and whether the one before it was counted meanwhile."""
        total = self._total(kind)
        if total is None:
            return
        here.flags |= _BITS[kind]
        for one in reversed(self._open):
            if one.by is here and one.kind == kind:
                one.after = total if one.after is None else one.after
                break
        self._open.append(_Shown(here, kind, driver_place(), total))

    def settle(self, ended: Activation) -> None:
        """Take what an activation was shown into the books now that it is over."""
        if not ended.flags:
            return
        mine = [one for one in self._open if one.by is ended]
        self._open = [one for one in self._open if one.by is not ended]
        if ended.troubled:
            return
        for one in mine:
            self._due[one.kind] += 1
            total = self._total(one.kind) if one.after is None else one.after
            if total is None or total < one.before:
                self._start[one.kind] = None
            elif total == one.before:
                self._suspects[one.kind].append(one.place)

    def end(self) -> None:
        """Judge: ``close`` has returned."""
        for kind, names in _COUNTERS.items():
            start, total = self._start[kind], self._total(kind)
            if start is None or total is None or total < start:
                continue
            missing = self._due[kind] - (total - start)
            for place in self._suspects[kind][:missing] if missing > 0 else ():
                self._findings.report(
                    "error-bits-lost",
                    f"LSR showed {'OE' if kind == 'overrun' else 'PE, FE or BI'} here and "
                    f"errors.{' or errors.'.join(names)} did not count it",
                    register=self._register,
                    place=place,
                )
        self._clear()

    def _clear(self) -> None:
        self._open.clear()
        self._due = dict.fromkeys(_COUNTERS, 0)
        self._start = dict.fromkeys(_COUNTERS)
        self._suspects = {kind: [] for kind in _COUNTERS}

    def _total(self, kind: str) -> int | None:
        errors = self._errors()
        total = 0
        for name in _COUNTERS[kind]:
            value = getattr(errors, name, None)
            if not isinstance(value, int):
                return None
            total += value
        return total
