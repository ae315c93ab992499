"""Run schedules in this process, or in several at once, with the same results in the same order.

The one idea: what is to be run is known before it is handed out, and results are taken in the order
in which they were handed out, so the number of workers changes nothing but the time it takes.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterable, Iterator
from types import TracebackType
from typing import Any, NamedTuple, Self

from emu.search.schedule import Schedule
from emu.search.trial import Trial, Trying

__all__ = ["Job", "Workers"]

_BATCH = 8


class Job(NamedTuple):
    """One run to make.

    Args:
        bout: number of the bout.
        schedule: when the processor is late.
        learn: which points to note, ``""`` for none.
        cover: whether to note what of the device was used.
    """

    bout: int
    schedule: Schedule = ()
    learn: str = ""
    cover: bool = False


_trying: list[Trying] = []  # what a worker process works on


class Workers:
    """Run schedules of several bouts (a scenario with a driver each); a context manager.

    Args:
        bouts: what may be run, told apart by number.
        count: how many processes; 1 runs everything here.
    """

    def __init__(self, bouts: list[Trying], count: int = 1) -> None:
        self._bouts = bouts
        self._count = count
        self._pool: Any = None

    def __enter__(self) -> Self:
        if self._count > 1:
            context = multiprocessing.get_context(_start_method())
            self._pool = context.Pool(self._count, _begin, (self._bouts,))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        raised: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._pool is not None:
            self._pool.terminate()
            self._pool.join()
            self._pool = None

    def run(self, jobs: Iterable[Job]) -> Iterator[Trial]:
        """Run each job and yield the trials in order."""
        if self._pool is None:
            for job in jobs:
                yield _do(self._bouts, job)
        else:
            yield from self._pool.imap(_work, jobs, _BATCH)


def _start_method() -> str:
    """Return how processes start: by fork where that is safe, so that any driver class will do."""
    return "fork" if "fork" in multiprocessing.get_all_start_methods() else "spawn"


def _begin(bouts: list[Trying]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process tells when to stop
    _trying[:] = bouts


def _work(job: Job) -> Trial:
    return _do(_trying, job)


def _do(bouts: list[Trying], job: Job) -> Trial:
    return bouts[job.bout].run(job.schedule, learn=job.learn, cover=job.cover)
