"""A wire against the plainest model there is: one level for every picosecond."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from emu.kernel.clock import Clock
from emu.kernel.signal import Signal

SPAN = 220
GAPS = st.lists(st.integers(1, 12), min_size=1, max_size=6)
ACTS = st.lists(
    st.one_of(
        st.tuples(st.just("set"), st.integers(0, 1), st.just([])),
        st.tuples(st.just("play"), st.integers(0, 6), GAPS),
        st.tuples(st.just("disturb"), st.integers(1, 25), st.just([])),
        st.tuples(st.just("wait"), st.integers(0, 20), st.just([])),
    ),
    max_size=14,
)


class Model:
    """Hold what is driven and what disturbs, a level for every picosecond."""

    def __init__(self, level: int) -> None:
        self.driven = [level] * SPAN
        self.noise = [0] * SPAN
        self.played_until = 0

    def set(self, now: int, level: int) -> None:
        """Drive from now on for ever."""
        self.driven[now:] = [level] * (SPAN - now)
        self.played_until = now

    def play(self, start: int, toggles: tuple[int, ...]) -> None:
        """Invert what is driven from each toggle on."""
        for toggle in toggles:
            for at in range(start + toggle, SPAN):
                self.driven[at] ^= 1
        self.played_until = start + toggles[-1]

    def disturb(self, now: int, width: int) -> None:
        """Invert what is there for a while."""
        for at in range(now, min(now + width, SPAN)):
            self.noise[at] ^= 1

    @property
    def levels(self) -> list[int]:
        """What the wire shows."""
        return [one ^ other for one, other in zip(self.driven, self.noise, strict=True)]


def perform(acts: list[tuple[str, int, list[int]]], line: Signal, clock: Clock) -> Model:
    """Do the same to a wire and to the model, and return the model."""
    model = Model(1)
    for kind, value, gaps in acts:
        now = clock.now_ps
        if kind == "set":
            line.set(value)
            model.set(now, value)
        elif kind == "play":
            start = max(now, model.played_until + 1) + value
            toggles = tuple(sum(gaps[:count]) - gaps[0] for count in range(1, len(gaps) + 1))
            if start + toggles[-1] < SPAN:
                line.play(start, toggles)
                model.play(start, toggles)
        elif kind == "disturb":
            line.disturb(value)
            model.disturb(now, value)
        elif now + value < SPAN:
            clock.run_until(now + value)
    return model


def edges(levels: list[int], before: int, after: int) -> list[int]:
    """Return every time at which the level goes from `before` to `after`."""
    return [
        at for at in range(1, len(levels)) if (levels[at - 1], levels[at]) == (before, after)
    ]  # fmt: skip


@given(acts=ACTS)
def test_levels_and_edges_are_those_of_the_model(acts: list[tuple[str, int, list[int]]]) -> None:
    """Level at every moment, next fall and next rise from every moment, as the model has them."""
    clock = Clock()
    line = Signal(clock, "model", level=1)
    line.sample(lambda _start: None)

    levels = perform(acts, line, clock).levels

    assert [line.level_at(at) for at in range(SPAN)] == levels
    from_ps = clock.now_ps + 1
    falls = [at for at in edges(levels, 1, 0) if at >= from_ps]
    rises = [at for at in edges(levels, 0, 1) if at >= from_ps]
    found = (line.next_fall_ps(from_ps), line.next_rise_ps(from_ps))
    beyond = tuple(None if at is None or at >= SPAN else at for at in found)
    assert beyond == (next(iter(falls), None), next(iter(rises), None))


@given(acts=ACTS, comes_at=st.integers(0, 30))
def test_watcher_hears_every_change_of_the_model_once(
    acts: list[tuple[str, int, list[int]]], comes_at: int
) -> None:
    """What is told is what the level did over time: every change in its turn, no level twice."""
    clock = Clock()
    line = Signal(clock, "model", level=1)
    told: list[tuple[int, int]] = []
    line.watch(lambda level: told.append((clock.now_ps, level)))
    clock.run_until(comes_at)

    levels = perform(acts, line, clock).levels
    clock.run_until(SPAN - 1)

    shown = {at: level for at, level in told if at > 0}
    changes = [at for at in range(1, SPAN) if levels[at] != levels[at - 1]]
    assert all(shown.get(at) == levels[at] for at in changes)
    assert all(one[1] != two[1] for one, two in pairwise(told))
    assert all(shown[at] == levels[at] for at in shown)


@given(acts=ACTS)
def test_forgetting_changes_no_level_from_then_on(acts: list[tuple[str, int, list[int]]]) -> None:
    """A wire that keeps only what is needed answers the same about now and later."""
    clock = Clock()
    line = Signal(clock, "model", level=1)

    levels = perform(acts, line, clock).levels
    line.forget_before(clock.now_ps)

    assert [line.level_at(at) for at in range(clock.now_ps, SPAN)] == levels[clock.now_ps :]
