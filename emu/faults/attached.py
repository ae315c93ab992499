"""One fault in place: when it acts, what it did, and what that makes impossible.

The one idea: a kind asks `Attached.occasion` each time its fault might act and says by
`Attached.inject` what it then did; all counting, drawing, recording and the question whether the
fault is over are here, once for all kinds. Occasions are counted from the beginning of the fault's
window on, and the chance is drawn for counted occasions only, so that runs repeat exactly.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import takewhile
from typing import Any, Protocol

from emu.errors import AccessError
from emu.faults.kind import FaultKind
from emu.faults.log import FaultLog
from emu.faults.plan import FaultSpec
from emu.faults.target import Target
from emu.faults.waiver import ESTRANGED, Waiver
from emu.kernel.board import Board
from emu.kernel.clock import NEVER_PS, Clock
from emu.kernel.register import Register

__all__ = ["Attached", "FarEndLike"]

_EVEN = Fraction(1, 2)
_RECENT = 1000  # injections that are remembered one by one


class FarEndLike(Protocol):
    """What faults need of the far end of a line."""

    baud_error: Fraction

    def configure(self, baud_error: Fraction) -> None:
        """Let its clock be off by `baud_error` from the next character on."""


@dataclass(slots=True)
class _Tally:
    """Count what speaks for one waiver."""

    waiver: Waiver
    first_ps: int = -1
    last_ps: int = -1


class Attached:
    """Hold one fault that was put in place.

    Args:
        number: its place in the plan, from 0.
        spec, kind, target, settings: what it is, with a value for every parameter.
        board: the machine it is on.
        far_end: the far end of the device's line, None when there is none.
        generator: its own source of chance.
        log: where injections go.

    Attributes:
        on_start: called when the windows begin to count.
        before_open: called once, before the driver is first opened.
        occasions, injected: exact counts.
        unsettled: whether it ever took the settings of its device away.
        estranged: whether device and driver may not have agreed ever since.
        held_line: tells whether it alone held the interrupt line up at some time since a moment.
    """

    def __init__(
        self,
        number: int,
        spec: FaultSpec,
        kind: FaultKind,
        target: Target,
        settings: Mapping[str, Any],
        *,
        board: Board,
        far_end: FarEndLike | None,
        generator: random.Random,
        log: FaultLog,
    ) -> None:
        self.number = number
        self.spec = spec
        self.kind = kind
        self.target = target
        self.settings = settings
        self.board = board
        self.clock: Clock = board.clock
        self.far_end = far_end
        self.random = generator
        self.on_start: list[Callable[[], None]] = []
        self.before_open: list[Callable[[], None]] = []
        self.occasions = 0
        self.injected = 0
        self.busy_until_ps = 0
        self.first_ps = self.last_ps = -1
        when = spec.when
        self._first = when.first
        self._last = NEVER_PS if when.count is None else when.first + when.count - 1
        self._chance = when.probability
        self._from_ps = self._until_ps = NEVER_PS
        self._over = False
        self._log = log
        self._who = log.source(spec)
        self._tallies = [_Tally(waiver) for waiver in kind.waives if self._counts(waiver)]
        self.unsettled = self.estranged = False
        self.held_line: Callable[[int], bool] = lambda _since_ps: False
        self._recent: deque[tuple[int, tuple[str, ...]]] = deque(maxlen=_RECENT)
        self._by_marks: dict[tuple[str, ...], list[_Tally]] = {}
        self._marks: dict[tuple[str, int, int], tuple[str, ...]] = {}

    # when

    def start(self, now_ps: int) -> None:
        """Let the window begin to count from `now_ps`."""
        when = self.spec.when
        self._from_ps = now_ps + when.from_ps
        self._until_ps = NEVER_PS if when.until_ps is None else now_ps + when.until_ps
        for action in self.on_start:
            action()

    def occasion(self) -> bool:
        """Count an occasion and say whether the fault acts on it."""
        if not self._from_ps <= self.clock.now_ps < self._until_ps:
            return False
        self.occasions = number = self.occasions + 1
        if number < self._first or number > self._last:
            return False
        return self._chance == 1 or self.drawn()

    def drawn(self) -> bool:
        """Draw once with the fault's probability."""
        return self.random.randrange(self._chance.denominator) < self._chance.numerator

    @property
    def the_far_end(self) -> FarEndLike:
        """The far end of the device's line.

        Raises:
            AccessError: there is none.
        """
        if self.far_end is None:
            raise AccessError(f"no far end on {self.target.path}", where="fault")
        return self.far_end

    @property
    def in_window(self) -> bool:
        """Whether now lies in the fault's window of time."""
        return self._from_ps <= self.clock.now_ps < self._until_ps

    @property
    def from_ps(self) -> int:
        """When the window begins, `NEVER_PS` before `start`."""
        return self._from_ps

    @property
    def until_ps(self) -> int:
        """When the window ends, `NEVER_PS` if it does not."""
        return self._until_ps

    @property
    def exhausted(self) -> bool:
        """Whether its last occasion has passed."""
        return self.occasions >= self._last

    def pending(self, now_ps: int) -> bool:
        """Say whether it acts at `now_ps` or can still act later."""
        if now_ps < self.busy_until_ps:
            return True
        return not self._over and now_ps < self._until_ps and not self.exhausted

    def acting(self, now_ps: int) -> bool:
        """Say whether it acts at `now_ps`, or would at an occasion then."""
        begun = now_ps >= self._from_ps or now_ps < self.busy_until_ps
        return begun and self.pending(now_ps)

    @property
    def last_active_ps(self) -> int:
        """When it last did something or let go of it; -1 if it never did anything."""
        if self.last_ps < 0:
            return -1
        return max(self.last_ps, min(self.busy_until_ps, self.clock.now_ps))

    def finish(self) -> None:
        """Note that no occasion will come any more."""
        self._over = True

    def hold_until(self, until_ps: int) -> None:
        """Note that what it did goes on until `until_ps`."""
        self.busy_until_ps = max(self.busy_until_ps, until_ps)

    # moments of time

    def at_moments(self, action: Callable[[], None]) -> None:
        """Do `action` at the beginning of the window and, if so set, at every period after it."""
        every_ps: int = self.settings.get("every", 0)

        def moment() -> None:
            now_ps = self.clock.now_ps
            if self.occasion():
                action()
            if every_ps and now_ps + every_ps < self._until_ps and not self.exhausted:
                self.clock.schedule(now_ps + every_ps, moment)
            else:
                self.finish()

        self.on_start.append(lambda: self.clock.schedule(self.from_ps, moment))

    def over_window(self, begin: Callable[[], None], end: Callable[[], None]) -> None:
        """Do `begin` when the window opens and, if it did anything, `end` when it closes."""

        def opens() -> None:
            if self.occasion():
                self.hold_until(self._until_ps)
                begin()
                if self._until_ps != NEVER_PS:
                    self.clock.schedule(self._until_ps, end)
            self.finish()

        self.on_start.append(lambda: self.clock.schedule(self.from_ps, opens))

    def concerns(self, device: str) -> bool:
        """Say whether it can hamper the driver of `device`, or of any if that is empty."""
        target = self.target.device
        return not device or target is None or target.name == device

    # what

    def inject(self, detail: str, *marks: str) -> None:
        """Record that the fault did something.

        Args:
            detail: what it did, with values.
            marks: phrases that waivers look for.
        """
        now_ps = self.clock.now_ps
        self.injected += 1
        if self.first_ps < 0:
            self.first_ps = now_ps
        self.last_ps = now_ps
        self._log.note(self.number, self._who, detail)
        self._recent.append((now_ps, marks))
        concerned = self._by_marks.get(marks)
        if concerned is None:
            concerned = self._by_marks[marks] = [
                one for one in self._tallies if _meets(one.waiver.marks, marks)
            ]
            unsettles = self.kind.unsettles
            if unsettles is not None:
                self.unsettled |= _meets(unsettles, marks)
                self.estranged |= self.unsettled or _meets(ESTRANGED, marks)
        for one in concerned:
            if one.first_ps < 0:
                one.first_ps = now_ps
            one.last_ps = now_ps

    def since(self, from_ps: int) -> tuple[int, list[tuple[str, ...]]]:
        """Return the marks of what it did since `from_ps`, or since the moment that is returned.

        No more than the last thousand times are remembered.
        """
        recent = self._recent
        known_ps = recent[0][0] if len(recent) == _RECENT else from_ps
        found = takewhile(lambda one: one[0] >= from_ps, reversed(recent))
        return max(from_ps, known_ps), [marks for _, marks in found]

    def misread(self, register: Register, value: int, shown: int) -> None:
        """Record that a read showed `shown` where the register held `value`."""
        self.inject(
            f"{register.name} read {shown:#04x} instead of {value:#04x}",
            *self._changed("read", register, value, shown),
        )

    def miswrite(self, register: Register, data: int, taken: int) -> None:
        """Record that `taken` was written where software wrote `data`."""
        self.inject(
            f"{register.name} took {taken:#04x} instead of {data:#04x}",
            *self._changed("write", register, data, taken),
        )

    def waived(self, from_ps: int, until_ps: int, opened_ps: int) -> list[tuple[str, str]]:
        """Return promises and reasons for what was impossible in a stretch of time.

        A fault that only hampers while it acts counts if the stretch meets the time from its first
        to its last injection that matters, or its effect; lasting damage counts from then on, if
        the port was opened no later.
        """
        found = []
        for one in self._tallies:
            if one.first_ps < 0 or one.first_ps > until_ps:
                continue
            since_ps = min(opened_ps, from_ps) if one.waiver.lasting else from_ps
            if max(one.last_ps, self.busy_until_ps) >= since_ps:
                found.append((one.waiver.promise, one.waiver.reason))
        return found

    def _counts(self, waiver: Waiver) -> bool:
        """Say whether the fault is set to be as stubborn as the waiver asks."""
        when = self.spec.when
        if waiver.tries == 1 or self.kind.stubborn:
            return True
        return when.probability >= _EVEN and (when.count is None or when.count >= waiver.tries)

    def _changed(self, way: str, register: Register, before: int, after: int) -> tuple[str, ...]:
        """Return the marks of a change: the register, its fields, and what each then showed."""
        rose, fell = after & ~before, before & ~after
        key = (f"{way} {register.name}", rose, fell)
        known = self._marks.get(key)
        if known is None:
            marks = [key[0]]
            for one in register.fields:
                if one.mask & (rose | fell):
                    marks.append(f"{key[0]}.{one.name}")
                if one.mask & rose:
                    marks.append(f"{key[0]}.{one.name}=1")
                if one.mask & fell:
                    marks.append(f"{key[0]}.{one.name}=0")
            known = self._marks[key] = tuple(marks)
        return known


def _meets(wanted: tuple[str, ...], marks: tuple[str, ...]) -> bool:
    """Say whether what a fault did bears one of the marks `wanted`, or any will do."""
    return not wanted or not set(wanted).isdisjoint(marks)
