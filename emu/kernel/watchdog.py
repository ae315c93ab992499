"""The fourth way a run can hang: driver code that runs and runs without simulated time passing.

The one idea: a few times in the given seconds of wall-clock time, look whether simulated time has
moved. When it has not for several looks in a row while driver code is running, the run ends at the
driver's line. Looks are counted, not seconds, so a process that the system put aside for a while
accuses nobody. Nor does the bench when it is slow: what it does before it enters the driver, the
libraries it uses, and one and the same call of it in which several looks find it are not the
driver's. The hot path is not touched: a look reads the clock, and that is all.

In the main thread of a process a timer signal does the looking, which also reaches a driver that
sleeps in the operating system. In any other thread, and where there is no such signal, a second
thread looks and raises in the first one as soon as that runs Python again. A driver that swallows
what is raised gets it again at each look, and then the caller's last resort is called. Left out:
a single call into C code that holds the interpreter for ever, which nothing in Python can end.
"""

from __future__ import annotations

import _thread
import ctypes
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any, Self

from emu.errors import AccessError, RunEnded
from emu.kernel.clock import Clock
from emu.kernel.cpu import Cpu
from emu.kernel.where import driver_frame

__all__ = ["LOOKS", "TRIES", "LastResort", "Watchdog"]

LOOKS = 4  # looks in a row that must find time standing still
TRIES = 3  # times the end is raised before the last resort

_LIBRARY = f"{Path(os.__file__).parent}{os.sep}"
_MODULES = {*sys.stdlib_module_names, __name__.partition(".")[0]} - {"__main__"}
_PACKAGES = tuple(f"{_LIBRARY}{name}-packages{os.sep}" for name in ("site", "dist"))

LastResort = Callable[[RunEnded], None]


class Watchdog:
    """End the run when driver code spins without simulated time passing; a context manager.

    Args:
        clock: the clock of the board.
        cpu: its processor, which learns that the run has ended.
        seconds: wall-clock time, above 0, for which simulated time may stand still; the end comes
            within a quarter more of it.
        last_resort: called once, in a thread of its own, with what ended the run, when the driver
            has swallowed that `TRIES` times; None goes on raising.

    Raises:
        AccessError: `seconds` is not above 0.
        RunEnded: (inside the ``with`` block) rule ``spinning``, at the driver's file and line; or
            again whatever ended the run before, if the driver swallowed that.

    >>> from emu.kernel.board import Board
    >>> board = Board()
    >>> with Watchdog(board.clock, board.cpu, 2.0):
    ...     board.cpu.sleep(3600)
    """

    def __init__(
        self,
        clock: Clock,
        cpu: Cpu,
        seconds: float,
        *,
        last_resort: LastResort | None = None,
    ) -> None:
        if not seconds > 0:
            raise AccessError(f"seconds={seconds!r}", where="watchdog", allowed="above 0")
        self._clock = clock
        self._cpu = cpu
        self._seconds = seconds
        self._last_resort = last_resort
        self._seen_ps = -1
        self._still = 0
        self._tries = 0
        self._outer: FrameType | None = None
        self._call: FrameType | None = None
        self._looker: _SignalLooker | _ThreadLooker | None = None

    def __enter__(self) -> Self:
        caller = sys._getframe(1)  # noqa: SLF001
        outer = driver_frame(caller)
        self._outer = None if outer is caller else outer
        self._seen_ps = -1
        self._still = self._tries = 0
        looker = _SignalLooker if _signal_is_free() else _ThreadLooker
        self._looker = looker(self, self._seconds / LOOKS)
        self._looker.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        raised: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        looker = self._looker
        if looker is not None:
            looker.stop()
        self._looker = self._outer = self._call = None
        if isinstance(raised, _Interruption) and self._cpu.ended is not None:
            raise self._cpu.ended.with_traceback(trace) from None

    def look(self, frame: FrameType | None) -> RunEnded | None:
        """Look once, while `frame` is running; return what to raise there, None for nothing.

        Side effects: ends the run; starts the last resort.
        """
        now_ps = self._clock.now_ps
        if now_ps != self._seen_ps and self._cpu.ended is None:
            self._seen_ps = now_ps
            self._still = 0
            return None
        running, call = _driver_and_call(frame)
        if running is None or running is self._outer or _is_ours(frame):
            return None  # the bench's own code, or whoever called it
        if call is not None and call is self._call:
            return None  # still the same call: it is the bench that takes so long
        self._call = call
        self._still += 1
        return self._strike(running) if self._still >= LOOKS else None

    def _strike(self, frame: FrameType) -> RunEnded:
        ended = self._end(frame)
        self._tries += 1  # the driver swallowed all before this one
        if self._tries == TRIES + 1 and self._last_resort is not None:
            _thread.start_new_thread(self._last_resort, (ended,))
        return ended

    def _end(self, frame: FrameType) -> RunEnded:
        """Let every further bench call raise, and return what it raises."""
        spinning = RunEnded(
            "spinning",
            f"simulated time has stood still for {self._seconds:g} s of real time: the driver runs "
            "on without waiting for anything",
            file=frame.f_code.co_filename,
            line=frame.f_lineno,
        )
        try:
            self._cpu.end(spinning)
        except RunEnded as ended:
            return ended


class _SignalLooker:
    """Look from the handler of a timer signal, and put back what was there before."""

    def __init__(self, watchdog: Watchdog, interval_s: float) -> None:
        self._watchdog = watchdog
        self._interval_s = interval_s
        self._handler: Any = None
        self._timer = (0.0, 0.0)
        self._started_s = 0.0

    def start(self) -> None:
        self._handler = signal.signal(signal.SIGALRM, self._tick)
        self._started_s = time.monotonic()
        self._timer = signal.setitimer(signal.ITIMER_REAL, self._interval_s, self._interval_s)

    def stop(self) -> None:
        delay_s, interval_s = self._timer
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, self._handler)
        if delay_s:
            left_s = delay_s - (time.monotonic() - self._started_s)
            signal.setitimer(signal.ITIMER_REAL, max(left_s, 1e-6), interval_s)

    def _tick(self, _number: int, frame: FrameType | None) -> None:
        ended = self._watchdog.look(frame)
        if ended is not None:
            raise ended.with_traceback(None)


class _ThreadLooker:
    """Look from a second thread, and raise in the first one."""

    def __init__(self, watchdog: Watchdog, interval_s: float) -> None:
        self._watchdog = watchdog
        self._interval_s = interval_s
        self._watched = threading.get_ident()
        self._raised = False
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="emu-watchdog", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        try:
            self._stop()
        except _Interruption:  # raised for the driver, arrived after it had returned
            self._stop()

    def _stop(self) -> None:
        self._stopped.set()
        self._thread.join()
        if self._raised:
            self._raised = False
            _meet_what_was_raised()

    def _watch(self) -> None:
        while not self._stopped.wait(self._interval_s):
            frame = sys._current_frames().get(self._watched)  # noqa: SLF001
            if self._watchdog.look(frame) is not None and not self._stopped.is_set():
                self._raised = True
                _raise_in(self._watched, _Interruption)


class _Interruption(RunEnded):
    """Stand for what ended the run, where only a class can be raised in another thread."""

    def __init__(self) -> None:
        super().__init__("spinning", "the driver was interrupted by the watchdog")


def _raise_in(thread: int, kind: type[BaseException]) -> None:
    """Raise `kind` in a thread when it next runs Python, in place of what waits to be raised."""
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), ctypes.py_object(kind))


def _meet_what_was_raised() -> None:
    """See that nothing waits to be raised in this thread any more.

    Taking it back would not do: Python 3.11 then goes on looking for it at every step, and does
    not get past the next step that is traced.
    """
    try:
        _raise_in(threading.get_ident(), _Interruption)
        while True:
            pass
    except _Interruption:
        return


def _signal_is_free() -> bool:
    """Say whether the timer signal can be used here and can be put back afterwards."""
    return (
        hasattr(signal, "setitimer")
        and threading.current_thread() is threading.main_thread()
        and signal.getsignal(signal.SIGALRM) is not None
    )


def _driver_and_call(frame: FrameType | None) -> tuple[FrameType | None, FrameType | None]:
    """Return the innermost frame of the driver, and that of the bench call it is in.

    Frames of the standard library belong to whoever called it, so where that is the bench there is
    no frame of the driver.
    """
    call = None
    found = driver_frame(frame)
    while frame is not None and frame is not found:
        call, frame = frame, frame.f_back
    while found is not None and _is_library(found):
        found = found.f_back
    if found is not None and driver_frame(found) is not found:
        return None, None
    return found, call


def _is_library(frame: FrameType) -> bool:
    """Say whether a frame is one of the standard library, or was made by it from text."""
    path = frame.f_code.co_filename
    if path.startswith("<frozen"):
        return True
    if path == "<string>":
        module = str(frame.f_globals.get("__name__", "")).partition(".")[0]
        return module in _MODULES or module.startswith("namedtuple_")
    return path.startswith(_LIBRARY) and not path.startswith(_PACKAGES)


def _is_ours(frame: FrameType | None) -> bool:
    """Say whether the watchdog itself is what runs, on its way in or out."""
    while frame is not None and driver_frame(frame) is not frame:
        if frame.f_code.co_filename == __file__:
            return True
        frame = frame.f_back
    return False
