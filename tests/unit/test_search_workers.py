"""Runs spread over processes: the same results in the same order, whatever becomes of a process."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from emu.errors import EmuError
from emu.search.explore import Explored, Plan
from emu.search.hunt import hunt
from emu.search.schedule import Schedule
from emu.search.trial import Trial, Trying
from emu.search.workers import Job, Workers
from tests.search_bench import HastySender, SteadySender, at, impatient, scenario

SHORT = scenario("[open, {send: a}]", far_end="sink")
JOBS = [Job(0, (at(call, events=4),)) for call in range(1, 22)]


class Fatal(SteadySender):
    """Takes its process down if it is late at a certain point, which it cannot know."""

    how: Any = staticmethod(lambda: os._exit(3))
    _entries = 0

    def write(self, data: bytes, timeout: float | None = None) -> int:
        """Write, unless somebody came between."""
        before = self._cpu.time()
        if self._cpu.time() - before > 50e-6:
            self.how()
        return super().write(data, timeout)


def fatal_point() -> int:
    """Return the number of the call at which a delay is fatal."""
    seen = Trying(SHORT, Fatal).run(learn="access").seen
    calls = [point.call for point, what in seen.items() if what.place[0] == __file__]
    return calls[1]


FAR_END = "{kind: source, data: {count: 9}, start: 100 us}"
TALK = scenario("[open, {send: a}]", far_end=FAR_END)


def bare(trials: list[Trial]) -> list[Any]:
    """Return what of trials can be compared."""
    return [(one.schedule, one.behaviour, one.record, one.failures, one.acted) for one in trials]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_results_come_in_order(count: int) -> None:
    """Whatever the number of workers, each job's trial comes in its place, the same as here."""
    bouts = [Trying(SHORT, SteadySender), Trying(TALK, HastySender)]
    jobs = [one._replace(bout=number % 2, records=True) for number, one in enumerate(JOBS)]
    with Workers(bouts) as here:
        expected = bare(list(here.run(jobs)))
    with Workers(bouts, count) as crew:
        assert bare(list(crew.run(jobs))) == expected


def test_a_job_says_what_is_noted() -> None:
    """Points, coverage and the record come only with the jobs that ask for them."""
    with Workers([Trying(SHORT, SteadySender)], 2) as crew:
        plain = crew.one(Job(0))
        full = crew.one(Job(0, learn="line", cover=True, records=True))
    assert (plain.seen, plain.coverage, plain.record) == ({}, None, "")
    assert full.seen
    assert full.record
    assert full.coverage is not None
    assert full.coverage.writes["LCR"] > 0
    assert full.coverage.registers[0].name == "RBR"


def test_any_class_will_do() -> None:
    """A driver's class need not be found by name in another process."""

    class Local(SteadySender):
        pass

    with Workers([Trying(SHORT, Local)], 1) as crew:
        assert crew.one(Job(0)).failures == ()


@pytest.mark.parametrize("count", [0, 2])
def test_no_jobs(count: int) -> None:
    """Nothing to run is nothing to wait for."""
    with Workers([Trying(SHORT, SteadySender)], count) as crew:
        assert list(crew.run([])) == []


def test_jobs_that_nobody_waits_for() -> None:
    """Whoever leaves off in the middle gets the right results for what is asked next."""
    with Workers([Trying(SHORT, SteadySender)], 2) as crew:
        for trial, job in zip(crew.run(JOBS), JOBS[:3], strict=False):
            assert trial.schedule == job.schedule
        assert [one.schedule for one in crew.run(JOBS[9:13])] == [
            one.schedule for one in JOBS[9:13]
        ]
        assert crew.one(JOBS[20]).schedule == JOBS[20].schedule


def test_workers_that_are_still_at_what_nobody_waits_for() -> None:
    """A job is waited for even if all workers have their hands full of abandoned ones."""
    with Workers([Trying(SHORT, SteadySender)], 2) as crew:
        for job in JOBS:
            next(crew.run(JOBS))
            assert crew.one(job).schedule == job.schedule


def test_jobs_are_made_only_as_they_are_needed() -> None:
    """A long list of jobs is not taken in at once."""
    made: list[Schedule] = []

    def jobs() -> Iterator[Job]:
        for job in JOBS * 3:
            made.append(job.schedule)
            yield job

    with Workers([Trying(SHORT, SteadySender)], 2) as crew:
        next(crew.run(jobs()))
        assert len(made) <= 10


def test_no_process_is_left() -> None:
    """Leaving the block ends the workers, busy or not."""
    with Workers([Trying(SHORT, SteadySender)], 2) as crew:
        running = crew.run(JOBS)
        next(running)
        processes = [worker._process.pid for worker in crew._crew]
    for process in processes:
        assert process is not None
        with pytest.raises(ProcessLookupError):
            os.kill(process, 0)


def test_fresh_workers() -> None:
    """After an interruption the crew can be asked again."""
    with Workers([Trying(SHORT, SteadySender)], 2) as crew:
        next(crew.run(JOBS))
        crew.renew()
        assert crew.one(JOBS[4]).schedule == JOBS[4].schedule


# what takes a process down


@pytest.mark.parametrize("count", [1, 2])
def test_a_driver_that_ends_its_process(count: int) -> None:
    """The job that did it is a failed trial, and all others come out as they would."""
    call = fatal_point()
    jobs = [Job(0, (at(number, events=64),)) for number in range(call - 4, call + 5)]
    with Workers([Trying(TALK, Fatal)], count) as crew:
        trials = list(crew.run(jobs))
    assert [one.schedule for one in trials] == [one.schedule for one in jobs]
    (lost,) = [one for one in trials if one.lost]
    assert lost.schedule == (at(call, events=64),)
    assert [one.rule for one in lost.failures] == ["driver-exited"]
    assert "exit status 3" in lost.failures[0].message
    assert all(not one.failures for one in trials if not one.lost)


def test_a_driver_that_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that dies of a signal, as of a fault in C code, is told by its signal."""
    monkeypatch.setattr(Fatal, "how", staticmethod(lambda: os.kill(os.getpid(), signal.SIGKILL)))
    with Workers([Trying(TALK, Fatal)], 1) as crew:
        lost = crew.one(Job(0, (at(fatal_point(), events=64),)))
    assert "SIGKILL" in lost.failures[0].message


@pytest.mark.slow
def test_a_hunt_goes_on_without_the_lost() -> None:
    """A hunt tells of a lost run as a cause, does not run it again, and finds the rest."""
    plan = Plan(entries=1, manner="access", spurious=False)
    hunted = hunt(TALK, Fatal, plan, workers=2)
    assert hunted.explored.complete
    (found,) = hunted.found
    assert found.failure.rule == "driver-exited"
    assert found.trial.lost
    (entry,) = found.trial.schedule
    assert entry.point.call == fatal_point()


def test_a_driver_that_ends_every_process() -> None:
    """A driver that always takes its process down is hunted to an end all the same."""

    class Always(SteadySender):
        def open(self, line: Any) -> None:
            os._exit(0)

    hunted = hunt(SHORT, Always, Plan(entries=2), workers=2)
    assert [one.failure.rule for one in hunted.found] == ["driver-exited"]
    assert (hunted.explored.runs, hunted.explored.complete) == (1, False)


@pytest.mark.slow
def test_a_driver_that_nothing_ends() -> None:
    """A driver that spins and swallows whatever ends its run costs a worker and gets a verdict."""

    class Stubborn(SteadySender):
        def write(self, data: bytes, timeout: float | None = None) -> int:
            while True:
                try:
                    while True:
                        pass
                except BaseException:  # noqa: S110 - that is what is wrong with it
                    pass

    with Workers([Trying(impatient(SHORT), Stubborn)], 1) as crew:
        found = list(crew.run([Job(0), Job(0, (at(2),))]))
    assert [[one.rule for one in trial.failures][:1] for trial in found] == [["spinning"]] * 2
    assert found[0].failures[0].file == __file__


def test_an_error_of_ours_comes_through() -> None:
    """What a run cannot do at all is raised where the results are taken."""
    broken = replace(SHORT, port="nowhere")
    trying = Trying(broken, SteadySender)
    with pytest.raises(EmuError) as here:
        trying.run()
    with Workers([trying], 1) as crew, pytest.raises(type(here.value)) as there:
        crew.one(Job(0))
    assert str(there.value) == str(here.value)


def test_a_driver_that_speaks_is_not_heard(capfd: pytest.CaptureFixture[str]) -> None:
    """What a driver prints in a worker does not reach the screen, on either stream."""

    class Chatty(SteadySender):
        def open(self, line: Any) -> None:
            print("hello")
            print("hello", file=sys.stderr)
            super().open(line)

    with Workers([Trying(SHORT, Chatty)], 1) as crew:
        assert crew.one(Job(0)).failures == ()
    assert capfd.readouterr() == ("", "")


# searches


@pytest.mark.slow
def test_the_number_of_workers_changes_nothing() -> None:
    """A search finds the same, in the same order, with one, two or three workers or none."""
    asked = scenario("[open, {send: ab}, drain, {receive: 2}]")

    class Hurried(HastySender):
        def drain(self, timeout: float | None = None) -> bool:
            return not self._outgoing

    def searched(workers: int) -> Explored:
        found = hunt(asked, Hurried, Plan(entries=2, most=70), workers=workers).explored
        assert found.undisturbed is not None
        return found

    alone = searched(0)
    assert alone.failing
    for workers in (1, 2, 3):
        found = searched(workers)
        assert found == alone
        assert list(found.causes) == list(alone.causes)
        assert list(found.behaviours) == list(alone.behaviours)


def test_an_interruption_while_workers_run() -> None:
    """Ctrl-C keeps what was found, makes nothing smaller any more, and ends the workers at once."""

    def told(found: Explored, _seconds: float) -> None:
        if found.failing == 3:
            raise KeyboardInterrupt

    class Wrong(SteadySender):
        def drain(self, timeout: float | None = None) -> bool:
            return True

    asked = scenario("[open, {send: ab}, drain]")
    start = time.monotonic()
    hunted = hunt(asked, Wrong, Plan(entries=1), workers=2, told=told)
    assert hunted.interrupted
    assert (hunted.explored.failing, hunted.explored.runs) == (3, 3)
    assert [one.failure.rule for one in hunted.found][:1] != []
    assert hunted.found[0].trial.record
    assert time.monotonic() - start < 20
