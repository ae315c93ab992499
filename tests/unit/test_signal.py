"""The wire: levels set now and played ahead, watchers, a sampler, glitches and cut-offs."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from emu.kernel.clock import Clock
from emu.kernel.signal import Signal


def wire(level: int = 1) -> tuple[Clock, Signal]:
    """Make a clock and a wire that idles at `level`."""
    clock = Clock()
    return clock, Signal(clock, "gauge.line", level=level)


def watched(level: int = 1) -> tuple[Clock, Signal, list[tuple[int, int]]]:
    """Make a wire and the list of (time, level) that its watcher is told."""
    clock, line = wire(level)
    told: list[tuple[int, int]] = []
    line.watch(lambda value: told.append((clock.now_ps, value)))
    return clock, line, told


def levels(line: Signal, *times: int) -> list[int]:
    """Return the level at each time."""
    return [line.level_at(at_ps) for at_ps in times]


def test_set_drives_at_once_and_says_so_once() -> None:
    """A change reaches the watcher before `set` returns; setting the same level again is silent."""
    clock, line, told = watched(level=0)
    clock.run_until(30)

    line.set(1)
    line.set(1)

    assert (line.level, told) == (1, [(30, 1)])


def test_played_levels_change_at_their_toggles() -> None:
    """The level before a toggle is the old one, at the toggle the new one."""
    _, line = wire()

    line.play(100, (0, 50, 70))

    assert levels(line, 0, 99, 100, 149, 150, 169, 170, 10_000) == [1, 1, 0, 0, 1, 1, 0, 0]


def test_playing_nothing_changes_nothing() -> None:
    """A frame without edges leaves no trace on the wire."""
    _, line = wire()

    line.play(100, ())

    assert (line.level_at(200), len(line.pieces)) == (1, 1)


def test_pieces_follow_on_each_other() -> None:
    """A second piece starts from the level that the first one ended with."""
    _, line = wire()
    line.play(100, (0,))

    line.play(200, (0, 10))

    assert levels(line, 150, 200, 210) == [0, 1, 0]


def test_watcher_hears_played_edges_when_they_happen() -> None:
    """Played edges are told at their own times, not when they were played."""
    clock, line, told = watched()
    line.play(100, (0, 50))
    before = list(told)

    clock.run_until(1_000)

    assert (before, told) == ([], [(100, 0), (150, 1)])


def test_watcher_that_comes_late_hears_what_is_still_to_come() -> None:
    """Edges played before anybody watched are told from then on, and not as news twice."""
    clock, line = wire()
    line.play(100, (0, 50, 70))
    clock.run_until(120)
    told: list[tuple[int, int]] = []

    line.watch(lambda level: told.append((clock.now_ps, level)))
    clock.run_until(1_000)

    assert told == [(150, 1), (170, 0)]


def test_watcher_that_drives_the_wire_leaves_nobody_with_an_old_level() -> None:
    """The last level everybody is told is the level that the wire has."""
    _, line = wire(level=0)
    last: dict[str, int] = {}

    def answer(level: int) -> None:
        last["first"] = level
        if level:
            line.set(0)

    line.watch(answer)
    line.watch(lambda level: last.update(second=level))
    line.set(1)

    assert (line.level, last) == (0, {"first": 0, "second": 0})


@pytest.mark.parametrize(
    ("at_ps", "level", "expected"),
    [
        (120, 1, [(100, 0), (120, 1)]),
        (120, 0, [(100, 0)]),
        (160, 1, [(100, 0), (150, 1)]),
        (160, 0, [(100, 0), (150, 1), (160, 0)]),
        (50, 0, [(50, 0)]),
        (50, 1, []),
    ],
)
def test_set_cuts_off_what_was_played(
    at_ps: int, level: int, expected: list[tuple[int, int]]
) -> None:
    """From `set` on the wire keeps its level for ever, and watchers hear only real changes."""
    clock, line, told = watched()
    line.play(100, (0, 50, 90))
    line.play(300, (0, 40))
    clock.run_until(at_ps)

    line.set(level)
    clock.run_until(1_000)

    assert told == expected
    assert set(levels(line, at_ps, 150, 170, 190, 320, 999)[1:]) <= {level, 1, 0}
    assert levels(line, 999, 5_000) == [level, level]


def test_set_at_the_very_moment_of_a_played_edge() -> None:
    """An edge and a `set` at one instant are one change or none, never two."""
    clock, line, told = watched()
    line.play(100, (0, 50))
    clock.schedule(100, lambda: None)
    clock.run_until(99)
    clock.now_ps = 100  # the edge is due now but has not been told yet

    line.set(1)
    clock.run_until(500)

    assert (told, line.level) == ([], 1)


def test_glitch_on_an_idle_wire() -> None:
    """A disturbance inverts the idle level for its width and leaves the wire as it was."""
    clock, line, told = watched()
    clock.run_until(100)

    line.disturb(30)
    clock.run_until(500)

    assert levels(line, 99, 100, 129, 130) == [1, 0, 0, 1]
    assert told == [(100, 0), (130, 1)]


def test_glitch_within_a_frame_inverts_what_is_there() -> None:
    """Over an edge, the wire shows the inverse before it and after it."""
    clock, line, told = watched()
    line.play(100, (0, 50, 100))
    clock.run_until(140)

    line.disturb(20)
    clock.run_until(500)

    assert levels(line, 139, 140, 149, 150, 159, 160, 199, 200) == [0, 1, 1, 0, 0, 1, 1, 0]
    assert told == [(100, 0), (140, 1), (150, 0), (160, 1), (200, 0)]


def test_glitch_before_a_frame_that_is_already_played() -> None:
    """A disturbance ahead of a frame that waits leaves that frame whole."""
    clock, line = wire()
    line.play(100, (0, 50))
    clock.run_until(20)

    line.disturb(30)

    assert levels(line, 19, 20, 49, 50, 99, 100, 150) == [1, 0, 0, 1, 1, 0, 1]
    assert line.next_fall_ps(21) == 100


def test_frame_played_into_a_glitch() -> None:
    """A frame that starts while a disturbance lasts is inverted until that ends."""
    clock, line, told = watched()
    clock.run_until(100)
    line.disturb(50)

    line.play(120, (0, 80))
    clock.run_until(500)

    assert levels(line, 100, 119, 120, 149, 150, 199, 200) == [0, 0, 1, 1, 0, 0, 1]
    assert told == [(100, 0), (120, 1), (150, 0), (200, 1)]
    assert (line.next_rise_ps(101), line.next_fall_ps(121)) == (120, 150)


@pytest.mark.parametrize("level", [0, 1])
def test_a_glitch_outlasts_a_change_of_what_drives_the_wire(level: int) -> None:
    """A disturbance inverts whatever drives the wire, to its end, and then leaves it."""
    clock, line, told = watched()
    clock.run_until(100)
    line.disturb(50)
    clock.run_until(120)

    line.set(level)
    clock.run_until(500)

    assert levels(line, 110, 120, 149, 150, 400) == [0, 1 - level, 1 - level, level, level]
    assert told == [(100, 0), (150, 1)] if level else [(100, 0), (120, 1), (150, 0)]


def test_frame_played_after_a_set_into_a_glitch() -> None:
    """The tail of a glitch is there for a frame that begins after the wire was driven by hand."""
    clock, line = wire()
    clock.run_until(100)
    line.disturb(50)
    clock.run_until(120)

    line.set(1)
    line.play(130, (0, 100))

    assert levels(line, 110, 120, 129, 130, 149, 150, 229, 230) == [0, 0, 0, 1, 1, 0, 0, 1]


def test_glitch_over_a_whole_frame_that_is_already_played() -> None:
    """Every frame that begins within a disturbance is inverted as far as that lasts."""
    clock, line = wire()
    for start_ps in (100, 200, 300, 400):
        line.play(start_ps, (0, 50))
    clock.run_until(120)

    line.disturb(200)

    assert levels(line, 110, 130, 160, 210, 260, 310, 319) == [0, 1, 0, 1, 0, 1, 1]
    assert levels(line, 320, 360, 410, 460) == [0, 1, 0, 1]


def test_glitches_leave_frames_ahead_as_they_were_played() -> None:
    """A disturbance costs the frame it meets its known shape, and no other frame."""
    clock, line = wire()
    line.sample(lambda _start: None)
    shape = (0, 30, 60)
    for start_ps in range(100, 6_500, 100):
        line.play(start_ps, shape)
    clock.run_until(110)

    for _ in range(30):
        clock.run_until(clock.now_ps + 3)
        line.disturb(1)

    assert sum(1 for piece in line.pieces if piece[1] is shape) == 62
    assert max(len(piece[1]) for piece in line.pieces) <= 5


def test_noise_on_a_wire_that_nobody_samples_takes_no_room() -> None:
    """Nobody looks back, so a wire that is disturbed for ever stays small."""
    clock, line = wire()

    for number in range(1, 1_000):
        clock.run_until(number * 10)
        line.disturb(5)

    assert len(line.pieces) <= 3


def test_two_glitches_at_once_cancel() -> None:
    """Where two disturbances overlap the wire is as if there were none."""
    clock, line = wire()
    clock.run_until(100)
    line.disturb(50)
    clock.run_until(120)

    line.disturb(50)

    assert levels(line, 110, 120, 149, 150, 169, 170) == [0, 1, 1, 0, 0, 1]


def test_next_edges() -> None:
    """The next fall and rise are found from any moment, the moment itself included."""
    _, line = wire()
    line.play(100, (0, 50, 70))
    line.play(200, (0, 10))

    falls = [line.next_fall_ps(at_ps) for at_ps in (0, 100, 101, 170, 171, 211)]
    rises = [line.next_rise_ps(at_ps) for at_ps in (0, 150, 151, 201)]

    assert falls == [100, 100, 170, 170, 210, None]
    assert rises == [150, 150, 200, None]


def test_edges_made_by_set_are_found() -> None:
    """An edge driven by hand counts like a played one."""
    clock, line = wire()
    clock.run_until(40)

    line.set(0)

    assert (line.next_fall_ps(0), line.next_fall_ps(41), line.next_rise_ps(0)) == (40, None, None)


def test_sampler_is_told_at_once_and_keeps_the_waveform() -> None:
    """A sampler hears the start of whatever is set or played, and can look back over it."""
    clock, line = wire()
    starts: list[int] = []
    line.sample(starts.append)
    line.play(100, (0, 50))
    clock.run_until(300)
    line.set(0)
    clock.run_until(400)
    line.disturb(10)

    assert starts == [100, 300, 400]
    assert levels(line, 99, 100, 150, 299, 300, 405, 410) == [1, 0, 1, 1, 0, 1, 0]


def test_forgetting_keeps_what_is_needed_from_then_on() -> None:
    """Pieces that ended before are dropped; levels from the given time on stay right."""
    _, line = wire()
    line.sample(lambda _start: None)
    for start_ps in range(100, 1_100, 100):
        line.play(start_ps, (0, 50))

    line.forget_before(720)

    assert len(line.pieces) == 4
    assert levels(line, 720, 750, 800, 849, 1_000, 1_050) == [0, 1, 0, 0, 0, 1]


def test_wire_without_sampler_stays_small() -> None:
    """Nobody looks back, so a wire that toggles for ever takes no more room."""
    clock, line = wire(level=0)

    for number in range(1, 1_000):
        clock.run_until(number * 10)
        line.set(number & 1)

    line.sample(lambda _start: None)
    line.stop_sampling()
    line.set(0)
    assert len(line.pieces) <= 3


@pytest.mark.parametrize("sampled", [False, True])
@pytest.mark.parametrize("watching", [False, True])
@pytest.mark.parametrize("glitch_ps", [0, 5, 130])
def test_row_of_waveforms_is_each_of_them_played(
    sampled: bool, watching: bool, glitch_ps: int
) -> None:
    """A row played at once is the same wave as one played piece by piece, on a noisy wire too."""
    waves = []
    for at_once in (False, True):
        clock, line = wire()
        told: list[tuple[int, int]] = []
        if sampled:
            line.sample(lambda _start: None)
        if watching:
            line.watch(lambda level, told=told, clock=clock: told.append((clock.now_ps, level)))  # type: ignore[misc]
        clock.run_until(90)
        if glitch_ps:
            line.disturb(glitch_ps)
        starts, row = (100, 200), ((0, 50), (0, 20, 30, 90))
        if at_once:
            line.play_row(starts, row)
        else:
            for start_ps, toggles in zip(starts, row, strict=True):
                line.play(start_ps, toggles)
        wave = levels(line, *range(90, 320))
        edges = (line.next_fall_ps(91), line.next_rise_ps(91))
        clock.run_until(400)
        waves.append((wave, edges, told))

    assert waves[0] == waves[1]


@pytest.mark.parametrize(
    "meddle",
    [
        lambda line: line.set(0),
        lambda line: line.play(400, (0, 10)),
        lambda line: line.disturb(5),
    ],
)
def test_a_row_is_offered_as_long_as_it_stands(meddle: Callable[[Signal], None]) -> None:
    """The wire offers the row played last until anything else is put on it."""
    clock, line = wire()
    line.sample(lambda _start: None)
    starts, row = (100, 200), ((0, 50), (0, 20, 30, 90))
    line.play_row(starts, row)
    before = line.row
    clock.run_until(150)
    meddle(line)

    assert before == (starts, row)
    assert line.row is None
