"""Run schedules in this process, or in others at once, with the same results in the same order.

The one idea: what is to be run is known before it is handed out, and results are given back in the
order in which jobs were handed out, so the number of workers changes nothing but the time it takes.
A driver that takes its process down with it takes a worker: the job that did it becomes a failed
trial, and the rest goes to a fresh worker.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from types import TracebackType
from typing import NamedTuple, Self

from emu.scenario.printed import Printed
from emu.search.schedule import Schedule
from emu.search.trial import Failure, Trial, Trying

__all__ = ["Job", "Workers"]

_AHEAD = 2  # jobs that a worker holds, so that it need not wait for the next


class Job(NamedTuple):
    """One run to make.

    Args:
        bout: number of the bout.
        schedule: when the processor is late.
        learn: which points to note, ``""`` for none.
        cover: whether to note what of the device was used.
        records: whether to hash the whole record.
        explain: the rule for which to look for the line to begin with, ``""`` for none.
    """

    bout: int
    schedule: Schedule = ()
    learn: str = ""
    cover: bool = False
    records: bool = False
    explain: str = ""


class Workers:
    """Run schedules of several bouts (a scenario with a driver each); a context manager.

    Args:
        bouts: what may be run, told apart by number.
        count: how many processes; 0 runs everything in this one, and so does a system that cannot
            start a process as a copy of this one, which is what lets any driver class be run.
    """

    def __init__(self, bouts: list[Trying], count: int = 0) -> None:
        self._bouts = bouts
        can = "fork" in multiprocessing.get_all_start_methods()
        self._count = count if can else 0
        self._crew: list[_Worker] = []
        self._serial = 0

    def __enter__(self) -> Self:
        self._crew = [_Worker(self._bouts) for _ in range(self._count)]
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        raised: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for worker in self._crew:
            worker.end()
        self._crew = []

    def run(self, jobs: Iterable[Job]) -> Iterator[Trial]:
        """Run each job and yield the trials in order.

        Whoever takes fewer trials than there are jobs may call again all the same.
        """
        if not self._crew:
            for job in jobs:
                yield do(self._bouts, job)
            return
        left = iter(jobs)
        done: dict[int, Trial] = {}
        first = due = self._serial
        while not self._hand_out(left) or due < self._serial:
            if due in done:
                yield done.pop(due)
                due += 1
            else:
                self._listen(done, first)

    def renew(self) -> None:
        """Put fresh workers in the place of all; after an interruption, which may come anywhere."""
        for worker in self._crew:
            worker.end()
        self._crew = [_Worker(self._bouts) for _ in self._crew]

    def one(self, job: Job) -> Trial:
        """Run one job."""
        (trial,) = self.run([job])
        return trial

    def _hand_out(self, left: Iterator[Job]) -> bool:
        """Give each worker as much as it may hold, in turn; return whether no job is left."""
        for _ in range(_AHEAD):
            for worker in self._crew:
                if len(worker.holds) < _AHEAD:
                    job = next(left, None)
                    if job is None:
                        return True
                    worker.give(self._serial, job)
                    self._serial += 1
        return False

    def _listen(self, done: dict[int, Trial], first: int) -> None:
        """Wait for results and enter them; those of jobs before `first` nobody wants any more."""
        by_pipe = {worker.pipe: worker for worker in self._crew}
        for pipe in wait(list(by_pipe)):
            assert isinstance(pipe, Connection)
            worker = by_pipe[pipe]
            serial, result = self._take(worker)
            if isinstance(result, Trial):
                done[serial] = result
            elif serial >= first:
                raise result
        for serial in [one for one in done if one < first]:
            del done[serial]

    def _take(self, worker: _Worker) -> tuple[int, Trial | Exception]:
        """Take the result of the job that a worker is at, and see to it that there is a next."""
        try:
            result, stays = worker.pipe.recv()
        except (EOFError, OSError):
            result, stays = None, False
        serial, job = worker.holds.popleft()
        if not stays:
            ended = worker.end()
            fresh = self._crew[self._crew.index(worker)] = _Worker(self._bouts)
            for waiting in worker.holds:
                fresh.give(*waiting)
            return serial, result or _lost(job, ended)
        return serial, result


class _Worker:
    """A process that runs jobs one after the other."""

    def __init__(self, bouts: list[Trying]) -> None:
        context = multiprocessing.get_context("fork")
        self.pipe, theirs = context.Pipe()
        self.holds: deque[tuple[int, Job]] = deque()
        self._process = context.Process(target=_serve, args=(bouts, theirs), daemon=True)
        self._process.start()
        theirs.close()  # so that its end can be seen here

    def give(self, serial: int, job: Job) -> None:
        """Hand out a job."""
        self.holds.append((serial, job))
        with suppress(OSError):  # it has ended, as whoever listens to it will see
            self.pipe.send(job)

    def end(self) -> int | None:
        """End the process if it has not ended yet, and return how it did."""
        self._process.kill()
        self._process.join()
        ended = self._process.exitcode
        self._process.close()
        self.pipe.close()
        return ended


def do(bouts: list[Trying], job: Job) -> Trial:
    """Run a job in this process."""
    return bouts[job.bout].run(
        job.schedule,
        learn=job.learn,
        cover=job.cover,
        records=job.records,
        explain=job.explain,
    )


def _serve(bouts: list[Trying], pipe: Connection) -> None:
    """Run jobs as they come, until nobody is there any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process tells when to stop
    sys.stdout = sys.stderr = Printed()  # a driver that speaks would do so thousands of times

    def leave(trial: Trial) -> None:
        pipe.send((trial, False))
        os._exit(0)

    for bout in bouts:
        bout.last_resort = leave
    while True:
        try:
            job = pipe.recv()
        except EOFError:
            return
        try:
            result: object = do(bouts, job)
        except Exception as error:  # noqa: BLE001 - it is raised again where the results go
            result = error
        pipe.send((result, True))


def _lost(job: Job, ended: int | None) -> Trial:
    """Return what is known of a run that ended the process that it ran in."""
    how = f"signal {-ended}" if ended is not None and ended < 0 else f"exit status {ended}"
    with_name = signal.Signals(-ended).name if ended is not None and ended < 0 else ""
    failure = Failure(
        "driver-exited", "", 0, "",
        f"the driver ended the process that ran it ({with_name or how})",
    )  # fmt: skip
    return Trial(job.schedule, (failure,), f"ended by {how}", "", (), 0, failure.message, lost=True)
