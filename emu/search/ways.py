"""The ways that handlers and opens take through a driver, and where one of them parts from others.

The one idea: what was left undone has no line of its own. But somewhere else in the same run it was
done, and the two ways have their beginning in common: the line after which they part is the test
that decided.
"""

from __future__ import annotations

from itertools import pairwise
from types import CodeType

from emu.kernel.where import Place

__all__ = ["Ways"]

_FIRST = 64  # ways of a kind that are kept besides the latest
_LONGEST = 400

Step = tuple[CodeType, int]


class _Way:
    """One run of a handler or of a call: its lines in order, and the registers it accessed."""

    def __init__(self, kind: str = "") -> None:
        self.kind = kind
        self.steps: dict[Step, None] = {}
        self.registers: set[str] = set()


class Ways:
    """Note ways by kind, such as ``handler`` or the name of a call; one may interrupt another."""

    def __init__(self) -> None:
        self._first: dict[str, list[_Way]] = {}
        self._latest: dict[str, _Way] = {}
        self._idle: dict[str, _Way] = {}
        self._under_way: list[_Way] = [_Way()]  # by depth: calls are at 0, handlers above

    def begin(self, kind: str, depth: int) -> None:
        """Begin a way that is `depth` handlers deep; what lay deeper has ended."""
        del self._under_way[depth:]
        while len(self._under_way) < depth:
            self._under_way.append(_Way())
        way = self._latest[kind] = _Way(kind)
        kept = self._first.setdefault(kind, [])
        if len(kept) < _FIRST:
            kept.append(way)
        self._under_way.append(way)

    def end(self, depth: int) -> None:
        """End the way that is `depth` handlers deep; what follows belongs to no kind."""
        for way in self._under_way[depth:]:
            if not way.registers:
                self._idle[way.kind] = way
        del self._under_way[depth:]
        if not depth:
            self._under_way.append(_Way())

    def line(self, code: CodeType, number: int) -> None:
        """Note that a line is reached."""
        steps = self._under_way[-1].steps
        if len(steps) < _LONGEST:
            steps[code, number] = None

    def accessed(self, register: str) -> None:
        """Note an access."""
        self._under_way[-1].registers.add(register)

    def parting(self, kind: str, register: str, *, idle: bool = False) -> Place | None:
        """Return the line after which the latest way of a kind parts from those to a register.

        Args:
            kind: the kind.
            register: what the others came to.
            idle: take the latest that accessed nothing at all.

        Returns:
            None if it came to the register itself, or no other way did.
        """
        latest = (self._idle if idle else self._latest).get(kind)
        others = [one for one in self._first.get(kind, ()) if register in one.registers]
        if latest is None or register in latest.registers or not others:
            return None
        common = [step for step in others[0].steps if all(step in one.steps for one in others)]
        for before, step in pairwise(common):
            if step not in latest.steps and before in latest.steps:
                code, number = before
                return code.co_filename, number
        return None
