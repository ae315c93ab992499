"""Which schedules to try, in which order, and which need not be tried.

The one idea: schedules come in waves, and each wave is a list that follows from the results of the
waves before it alone, so it is the same whoever runs it and however many do so at once. A bug sits
at a line and not at a moment, so first come points at lines that were not tried yet, then lines
that were tried once, and so on. Each wave holds the processor once at the end of stretches in which
time stands still, which is before a call in most cases, and then between the lines of those
stretches in which that let a handler in (in all others the lines cannot differ). Then come pairs,
those first whose first entry made the driver behave in a new way; then longer schedules, drawn at
random with a seed of their own. What cannot make a difference is decided without a run: a delay
while no hardware event is on its way, and a pause for one event where there is a stall for one.

Sources of the idea: delay-bounded scheduling, Emmi, Qadeer and Rakamaric, POPL 2011; small bounds
suffice: Musuvathi and Qadeer, PLDI 2007; Lu, Park, Seo and Zhou, ASPLOS 2008.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import NamedTuple, TypeVar

from emu.kernel.where import Place
from emu.scenario.model import Scenario
from emu.search.schedule import Entry, Point, Schedule, weight
from emu.search.stepper import MOST_POINTS, Seen
from emu.search.trial import Failure, Trial

__all__ = ["EVENTS", "Explored", "Explorer", "Plan"]

EVENTS = (1, 4, 64)  # one, a few, and more than any FIFO of 16 takes to fill and drain
_PAIR_EVENTS = (1, 4)
_CHUNK = 32

_T = TypeVar("_T")


class Plan(NamedTuple):
    """What to try.

    Args:
        entries: how many entries a schedule may have.
        manner: ``access``, ``line`` or ``opcode``.
        spurious: whether interrupts may come for nothing.
        callers: calls that another task may make in the middle of one.
        most: how many runs at most, None for as many as there are.
        seed: of the random schedules.
    """

    entries: int = 2
    manner: str = "line"
    spurious: bool = True
    most: int | None = None
    seed: int = 1
    callers: tuple[str, ...] = ()

    def fitted(self, scenario: Scenario) -> Plan:
        """Return the plan with the calls that a scenario lets another task make.

        No interrupt comes for nothing to a driver whose device has no line.
        """
        lines = {one.name: one.irq for one in scenario.board.devices}
        spurious = self.spurious and lines.get(scenario.port) is not None
        return self._replace(callers=scenario.callers, spurious=spurious)


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
        self._novel: list[Trial] = []

    def explore(self) -> Explored:
        """Try everything that the plan allows and return what was found."""
        for _ in self.steps():
            pass
        return self.found

    def steps(self) -> Iterator[None]:
        """Do the search bit by bit, one bit each time that the next is asked for."""
        self._begin()
        yield
        for number, wave in enumerate((self._singles, self._pairs, self._random), 1):
            if self._plan.entries >= number and not self.found.stopped:
                yield from wave()

    @property
    def base(self) -> Trial:
        """The run without a schedule."""
        assert self._base is not None, "the undisturbed run comes first"
        return self._base

    def _begin(self) -> None:
        self.found.undisturbed = self._base = self._learn()
        self.found.take(self._base)
        self.found.stopped = self._told(self.found)

    # one entry

    def _singles(self) -> Iterator[None]:
        """Hold the processor once at each point, at each line for the first time before others."""
        seen = self.base.seen
        between: dict[Point, list[Point]] = {}
        for point, end in ends_of(seen).items():
            between.setdefault(end, [])
            if point != end:
                between[end].append(point)
        self.found.decided += sum(self._spared(point) for point in seen)
        tried: Counter[tuple[Place, Entry]] = Counter()
        later: list[Schedule] = []
        for number, points in enumerate(by_turns(list(between), lambda point: _where(seen[point]))):
            served: set[Entry] = set()
            entries = [entry for point in points for entry in self._entries(point)]
            stray = [entry for entry in entries if number and entry.kind == "spurious"]
            later += [(entry,) for entry in stray]
            yield from self._wave([(one,) for one in entries if one not in stray], served)
            inner = self._at_lines(points, between, served.union(stray), tried)
            yield from self._wave([(one,) for one, first in inner if first])
            later += [(one,) for one, first in inner if not first]
        yield from self._wave(later)
        noted = len(seen) < MOST_POINTS and not self.base.lost
        self.found.complete = noted and not self.found.stopped

    def _at_lines(
        self,
        points: Sequence[Point],
        between: dict[Point, list[Point]],
        served: set[Entry],
        tried: Counter[tuple[Place, Entry]],
    ) -> list[tuple[Entry, bool]]:
        """Return what is to be tried between lines, and whether it is the first of its kind there.

        Args:
            points: the ends of the stretches.
            between: the points in each stretch.
            served: what let a handler in at the ends, or may.
            tried: counts what was tried at each line.
        """
        found = []
        for end in points:
            for point in between[end]:
                for entry in self._entries(point):
                    if entry._replace(point=end) not in served:
                        self.found.decided += 1
                        continue
                    kind = self.base.seen[point].place, entry._replace(point=Point(0))
                    tried[kind] += 1
                    found.append((entry, tried[kind] == 1))
        return found

    def _entries(self, point: Point) -> list[Entry]:
        """Return what may happen at a point, as far as it can make a difference there."""
        seen = self.base.seen[point]
        free = not seen.masked and not seen.depth
        entries = [] if seen.still else [Entry(point, "stall", events) for events in EVENTS]
        if free and not seen.still:  # one event is the same whoever waits for it
            entries += [Entry(point, "pause", events) for events in EVENTS if events > 1]
        if free and self._plan.spurious:
            entries.append(Entry(point, "spurious"))
        if seen.open_to:
            entries += [Entry(point, name) for name in self._plan.callers]
        return entries

    def _spared(self, point: Point) -> int:
        """Return how many entries at a point are decided without a run."""
        seen = self.base.seen[point]
        free = not seen.masked and not seen.depth
        possible = len(EVENTS) * (1 + free) + (free and self._plan.spurious)
        possible += len(self._plan.callers) * seen.open_to
        return possible - len(self._entries(point))

    # more entries

    def _pairs(self) -> Iterator[None]:
        """Follow each entry that made a difference with a second one, later in the same run."""
        firsts = [one for one in self._novel if len(one.schedule) == 1 and not one.failures]
        yield from self._wave(interleaved([self._seconds(first) for first in firsts]))

    def _seconds(self, first: Trial) -> Iterator[Schedule]:
        entry = first.schedule[0]
        for call in spread(range(entry.point.call + 1, first.calls + 1)):
            seen = self.base.seen.get(Point(call))
            kinds = ["stall"] if seen is None or seen.masked or seen.depth else ["stall", "pause"]
            for events in _PAIR_EVENTS:
                for kind in kinds:
                    yield entry, Entry(Point(call), kind, events)

    def _random(self) -> Iterator[None]:
        """Draw longer schedules until the plan's number of runs, or the time, is used up."""
        generator = random.Random(self._plan.seed)
        choices = {point: self._entries(point) for point in self.base.seen}
        points = [point for point, entries in choices.items() if entries]

        def draw() -> Iterator[Schedule]:
            while points:
                count = generator.randint(3, max(3, self._plan.entries))
                chosen = sorted(generator.sample(points, min(count, len(points))))
                yield tuple(generator.choice(choices[point]) for point in chosen)

        yield from self._wave(draw())

    def _wave(self, wave: Iterable[Schedule], served: set[Entry] | None = None) -> Iterator[None]:
        """Run a wave, chunk by chunk, as far as the plan allows.

        Args:
            wave: what to run.
            served: filled with the entries that let a handler in.
        """
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
                if found.take(trial) and len(trial.schedule) == 1:
                    self._novel.append(trial)
                if served is not None and any(one.served for one in trial.acted):
                    served.add(trial.schedule[0])
                found.stopped = self._told(found)
                if found.stopped:
                    return
            yield


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


def by_turns(points: Sequence[Point], key: Callable[[Point], object]) -> Iterator[list[Point]]:
    """Yield points in rounds: of all that have the same key one a round.

    In a round those far apart come first, and so they do among those with the same key.
    """
    alike: dict[object, list[Point]] = {}
    for point in points:
        alike.setdefault(key(point), []).append(point)
    turn = {point: turn for row in alike.values() for turn, point in enumerate(spread(row))}
    rounds: dict[int, list[Point]] = {}
    for point in spread(points):
        rounds.setdefault(turn[point], []).append(point)
    for number in range(len(rounds)):
        yield rounds[number]


def _where(seen: Seen) -> tuple[object, ...]:
    """Return what makes two points the same line in the same circumstances."""
    return seen.place, seen.depth, seen.masked, seen.still


def spread(items: Sequence[_T]) -> list[_T]:
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
