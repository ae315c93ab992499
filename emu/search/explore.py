"""Which schedules to try, in which order, and which need not be tried.

The one idea: schedules come in waves, and each wave is a list that follows from the results of the
waves before it alone, so it is the same whoever runs it and however many do so at once. The first
wave holds the processor once at the end of every stretch in which time stands still, which is
before a call in most cases; the second between the lines of those stretches in which that let a
handler in (in all others the lines cannot differ, and are counted as decided);
then come pairs, those first whose first entry made the driver behave in a new way; then longer
schedules, drawn at random with a seed of their own.

Sources of the idea: delay-bounded scheduling, Emmi, Qadeer and Rakamaric, POPL 2011; small bounds
suffice: Musuvathi and Qadeer, PLDI 2007; Lu, Park, Seo and Zhou, ASPLOS 2008.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import NamedTuple

from emu.search.schedule import Entry, Point, Schedule, weight
from emu.search.stepper import MOST_POINTS, Seen
from emu.search.trial import Failure, Trial

__all__ = ["EVENTS", "Explored", "Explorer", "Plan"]

EVENTS = (1, 4, 64)  # one, a few, and more than any FIFO of 16 takes to fill and drain
_PAIR_EVENTS = (1, 4)
_CHUNK = 64


class Plan(NamedTuple):
    """What to try.

    Args:
        entries: how many entries a schedule may have.
        manner: ``access``, ``line`` or ``opcode``.
        spurious: whether interrupts may come for nothing.
        most: how many runs at most, None for as many as there are.
        seed: of the random schedules.
    """

    entries: int = 2
    manner: str = "line"
    spurious: bool = True
    most: int | None = None
    seed: int = 1


@dataclass(slots=True)
class Explored:
    """What was found so far.

    Args:
        runs: how many runs were made.
        decided: how many schedules are decided, those included that need no run of their own.
        failing: how many of the runs failed.
        behaviours: hashes of the different behaviours seen.
        causes: for each cause the smallest failing trial; its failure first.
        undisturbed: the run without a schedule.
        complete: whether everything with one entry was tried.
        stopped: why the search ended before everything was tried: ``""``, ``time``, ``count``,
            ``interrupted``.
    """

    runs: int = 0
    decided: int = 0
    failing: int = 0
    behaviours: dict[str, None] = field(default_factory=dict)
    causes: dict[tuple[str, str, int], tuple[Failure, Trial]] = field(default_factory=dict)
    undisturbed: Trial | None = None
    complete: bool = False
    stopped: str = ""

    def take(self, trial: Trial) -> bool:
        """Take a trial in, and return whether it behaved in a new way."""
        self.runs += 1
        self.decided += 1
        new = trial.behaviour not in self.behaviours
        self.behaviours[trial.behaviour] = None
        if trial.failures:
            self.failing += 1
        for failure in leading(trial):
            known = self.causes.get(failure.cause)
            if known is None or weight(trial.schedule) < weight(known[1].schedule):
                self.causes[failure.cause] = (failure, trial)
        return new


def leading(trial: Trial) -> list[Failure]:
    """Return the failures that name a cause: findings, or broken promises where there is none."""
    findings = [one for one in trial.failures if not one.is_promise]
    return findings or list(trial.failures[:1])


Runner = Callable[[Iterable[Schedule]], Iterator[Trial]]


class Explorer:
    """Try the schedules of a plan, wave by wave.

    Args:
        plan: what to try.
        run: runs schedules and gives the trials back in the same order.
        learn: runs without a schedule and notes all points.
        told: called after each run with what was found so far; returns why the search must stop,
            ``""`` to go on.

    Attributes:
        found: the result, complete at any time.
    """

    def __init__(
        self,
        plan: Plan,
        run: Runner,
        learn: Callable[[], Trial],
        told: Callable[[Explored], str] = lambda _found: "",
    ) -> None:
        self.found = Explored()
        self._plan = plan
        self._run = run
        self._learn = learn
        self._told = told
        self._base: Trial | None = None
        self._served: set[Entry] = set()
        self._novel: list[Trial] = []

    def explore(self) -> Explored:
        """Try everything that the plan allows and return what was found."""
        for phase in self.phases():
            if not self.found.stopped:
                phase()
        return self.found

    def phases(self) -> list[Callable[[], None]]:
        """Return the waves of the plan, to be called in this order."""
        entries = self._plan.entries
        return [
            self._begin,
            *([self._try_calls, self._try_lines] if entries >= 1 else []),
            *([self._try_pairs] if entries > 1 else []),
            *([self._try_random] if entries > 2 else []),
        ]

    @property
    def base(self) -> Trial:
        """The run without a schedule."""
        assert self._base is not None, "phases are called in their order"
        return self._base

    def _begin(self) -> None:
        self.found.undisturbed = self._base = self._learn()
        self.found.take(self._base)
        self.found.stopped = self._told(self.found)

    # waves

    def _try_calls(self) -> None:
        """Hold the processor at the end of each stretch; note where that let a handler in."""
        points = [point for point, end in ends_of(self.base.seen).items() if point == end]
        wave = [(entry,) for point in spread(points) for entry in self._entries(point)]
        for trial in self._wave(wave):
            if any(one.served for one in trial.acted):
                self._served.add(trial.schedule[0])

    def _entries(self, point: Point) -> list[Entry]:
        """Return what may happen at a point, as far as it can make a difference there."""
        seen = self.base.seen[point]
        entries = [Entry(point, "stall", events) for events in EVENTS]
        if not seen.masked and not seen.depth:
            entries += [Entry(point, "pause", events) for events in EVENTS]
            if self._plan.spurious:
                entries.append(Entry(point, "spurious"))
        return entries

    def _try_lines(self) -> None:
        """Hold the processor between lines wherever a handler came in at the stretch's end."""
        wave: list[Schedule] = []
        for point, end in ends_of(self.base.seen).items():
            if point == end:
                continue
            for entry in self._entries(point):
                if entry._replace(point=end) in self._served:
                    wave.append((entry,))
                else:
                    self.found.decided += 1
        for _ in self._wave(wave):
            pass
        self.found.complete = not self.found.stopped and len(self.base.seen) < MOST_POINTS

    def _try_pairs(self) -> None:
        """Follow each entry that made a difference with a second one, later in the same run."""
        firsts = [one for one in self._novel if len(one.schedule) == 1 and not one.failures]
        for _ in self._wave(interleaved([self._seconds(first) for first in firsts])):
            pass

    def _seconds(self, first: Trial) -> Iterator[Schedule]:
        entry = first.schedule[0]
        for call in spread(range(entry.point.call + 1, first.calls + 1)):
            seen = self.base.seen.get(Point(call))
            kinds = ["stall"] if seen is None or seen.masked or seen.depth else ["stall", "pause"]
            for events in _PAIR_EVENTS:
                for kind in kinds:
                    yield entry, Entry(Point(call), kind, events)

    def _try_random(self) -> None:
        """Draw longer schedules until the plan's number of runs, or the time, is used up."""
        generator = random.Random(self._plan.seed)
        points = list(self.base.seen)

        def draw() -> Iterator[Schedule]:
            while points:
                count = generator.randint(3, max(3, self._plan.entries))
                chosen = sorted(generator.sample(points, min(count, len(points))))
                yield tuple(generator.choice(self._entries(point)) for point in chosen)

        for _ in self._wave(draw()):
            pass

    def _wave(self, wave: Iterable[Schedule]) -> Iterator[Trial]:
        """Run a wave, chunk by chunk, as far as the plan allows."""
        found = self.found
        schedules = iter(wave)
        while not found.stopped:
            room = _CHUNK if self._plan.most is None else max(0, self._plan.most - found.runs)
            chunk = list(islice(schedules, min(_CHUNK, room)))
            if not chunk:
                if room <= 0 and next(schedules, None) is not None:
                    found.stopped = "count"
                return
            for trial in self._run(chunk):
                if found.take(trial):
                    self._novel.append(trial)
                yield trial
                found.stopped = self._told(found)
                if found.stopped:
                    return


def ends_of(seen: dict[Point, Seen]) -> dict[Point, Point]:
    """Return for each point the last one at which a delay of the same kind makes no difference.

    Between a point and that one the driver runs lines of its own and nothing else: it makes no
    call, no handler begins or ends, and time stands still. So if a delay there lets no handler in,
    neither does one here, and the lines between see the same.

    Args:
        seen: the points in the order of the run.
    """
    ends: dict[Point, Point] = {}
    end: Point | None = None
    for point in reversed(seen):
        if end is None or not point.step or seen[point].stretch != seen[end].stretch:
            end = point
        ends[point] = end
    return dict(reversed(ends.items()))


def spread(items: Sequence[int] | Sequence[Point] | range) -> list:  # type: ignore[type-arg]
    """Return all items in an order that reaches every part early: by halves, then quarters."""
    order: list[int] = []
    step = 1
    while step < len(items):
        step *= 2
    done: set[int] = set()
    while step:
        for at in range(0, len(items), step):
            if at not in done:
                done.add(at)
                order.append(at)
        step //= 2
    return [items[at] for at in order]


def interleaved(rows: Sequence[Iterator[Schedule]]) -> Iterator[Schedule]:
    """Take from each row in turn, so that none waits for another to end."""
    waiting = list(rows)
    while waiting:
        left = []
        for row in waiting:
            item = next(row, None)
            if item is not None:
                yield item
                left.append(row)
        waiting = left
