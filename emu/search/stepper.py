"""Count the steps of a driver while it runs, and be late where a schedule says so.

The one idea: the driver is given stand-ins for its window and the processor that count each call
and then do just what the real ones do, so a run without a schedule pays next to nothing. Steps
finer than calls are followed with `sys.settrace`, only in the driver's own files, and only in the
stretch between two calls that a schedule names (or everywhere, to learn which points there are).
Not reached: a second point at lines of a handler that runs while the first one's lines are traced.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, NamedTuple

from emu.kernel.board import Board
from emu.kernel.bus import WIDTHS, Window
from emu.kernel.clock import NEVER_PS
from emu.kernel.cpu import Cpu
from emu.kernel.freeze import pause, stall
from emu.kernel.where import Place, driver_place, place_of
from emu.scenario.stage import Tasks
from emu.search.schedule import Entry, Point, Schedule

__all__ = ["MOST_POINTS", "Acted", "Seen", "Stepper", "Tasks", "is_driver"]

MOST_POINTS = 100_000  # that are noted; no search gets through more, and they must find room

_LIBRARY = f"{Path(os.__file__).parent}{os.sep}"
_PACKAGES = tuple(f"{_LIBRARY}{name}-packages{os.sep}" for name in ("site", "dist"))
_BENCH = f"{Path(__file__).resolve().parent.parent}{os.sep}"

Tracer = Callable[[FrameType, str, Any], Any]


class Seen(NamedTuple):
    """What a point looked like in the run that was followed.

    Args:
        depth: how many handlers were running.
        masked: whether interrupts were masked.
        place: the driver's file and line.
        stretch: number of the stretch that the point lies in. In one stretch time stands still,
            mask and handlers stay, and the bench does not leave a call or enter the next.
        still: whether no hardware event is on its way, so that a delay would change nothing.
        open_to: whether another task could enter the driver.
    """

    depth: int
    masked: bool
    place: Place
    stretch: int = 0
    still: bool = False
    open_to: bool = False


class Acted(NamedTuple):
    """What an entry did.

    Args:
        entry: the entry.
        place: where the driver was.
        depth: how many handlers were running.
        served: whether a handler, or another task, ran because of it.
        from_ps: when.
        until_ps: when the driver went on.
    """

    entry: Entry
    place: Place
    depth: int
    served: bool
    from_ps: int = 0
    until_ps: int = 0


class Stepper:
    """Follow one run.

    Args:
        board: the board of the run.
        schedule: what to do and when.
        line: number of the interrupt line for spurious interrupts.
        learn: note every point: ``""`` for none, else one of `MANNERS`.
        manner: what the steps of the schedule's points are.
        tasks: the other tasks that may enter the driver.

    Attributes:
        calls: how many bench calls the driver has made.
        seen: the points noted, in the order of the run, the first `MOST_POINTS` of them.
        acted: what the entries did; those that were not reached are missing.
    """

    def __init__(
        self,
        board: Board,
        schedule: Schedule = (),
        *,
        line: int = -1,
        learn: str = "",
        manner: str = "line",
        tasks: Tasks | None = None,
    ) -> None:
        self._board = board
        self._tasks = tasks
        self._line = line
        self._learn = learn
        self._opcodes = (learn or manner) == "opcode"
        self._left = sorted(schedule, reverse=True)
        self._next = self._left[-1].point if self._left else Point(-1)
        self._steps = 0
        self._following = False
        self._collects = False  # whether garbage was collected before
        self._outer: Any = None  # whoever traced before, such as a debugger, and what it traced
        self._touched: list[tuple[FrameType, Any, bool]] = []
        # Python does not hold on to what it calls for a line, so one object has to last for good.
        self._tracer: Tracer = self._local
        self._state: tuple[object, ...] = ()
        self._stretch = 0
        self.calls = 0
        self.seen: dict[Point, Seen] = {}
        self.acted: list[Acted] = []

    # stand-ins

    def window(self, real: Window) -> Window:
        """Return a window that counts."""
        given = object.__new__(Window)
        for slot in Window.__slots__:
            setattr(given, slot, getattr(real, slot))
        for width in WIDTHS:
            for name in (f"read{width}", f"write{width}"):
                setattr(given, name, self._counting(getattr(real, name)))
            read_rep = getattr(real, f"read{width}_rep")
            setattr(given, f"read{width}_rep", _singly_read(read_rep, self))
            setattr(given, f"write{width}_rep", _singly_written(getattr(given, f"write{width}")))
        given.beside = {name: self.window(one) for name, one in real.beside.items()}
        return given

    def cpu(self, real: Cpu) -> Cpu:
        """Return a processor that counts."""
        return _CountingCpu(real, self)  # type: ignore[return-value]  # it stands in for one

    def _counting(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*arguments: Any, **named: Any) -> Any:  # noqa: ANN401 - what the call takes
            self.step()
            return call(*arguments, **named)

        return counted

    # steps

    def step(self) -> None:
        """Count a call of the bench that is about to take effect."""
        self.calls = calls = self.calls + 1
        self._steps = 0
        if self._learn:
            self._note(Point(calls), driver_place())
        if calls >= self._next.call >= 0:
            self._arrive()

    def start(self) -> None:
        """Begin to follow lines where that is asked for from the first call on."""
        if self._learn in ("line", "opcode") or self._next.call == 0:
            self._follow()

    def stop(self) -> None:
        """Stop following lines, and leave them to whoever followed them before."""
        if self._following:
            self._following = False
            for frame, trace, opcodes in self._touched:
                frame.f_trace, frame.f_trace_opcodes = trace, opcodes
            self._touched.clear()
            sys.settrace(self._outer)
            if self._collects:
                gc.enable()

    def _arrive(self) -> None:
        """Do what is due before this call, and follow lines if something is due after it."""
        while self._left and self._next <= (self.calls, 0):
            self._act(driver_place())
        if self._left and self._next.call == self.calls:
            self._follow()
        elif self._following and not self._learn:
            self.stop()

    def _act(self, place: Place) -> None:
        entry = self._left.pop()
        self._next = self._left[-1].point if self._left else Point(-1)
        cpu, clock = self._board.cpu, self._board.clock
        depth, from_ps = cpu.depth, clock.now_ps
        if not self._may_act(entry):
            return
        served = False
        try:
            served = self._do(entry)
        finally:  # a reset of the board, or what a handler raises, may end the run here
            self.acted.append(Acted(entry, place, depth, served, from_ps, clock.now_ps))

    def _do(self, entry: Entry) -> bool:
        """Be late, or let something in, and say whether a handler or another task ran."""
        cpu, clock = self._board.cpu, self._board.clock
        if entry.kind == "stall":
            return stall(cpu, clock, entry.events)
        if entry.kind == "pause":
            return pause(cpu, clock, entry.events)
        if entry.kind != "spurious":
            assert self._tasks is not None
            self._tasks.enter(entry.kind)
            return True
        served = bool(cpu.interrupts.line(self._line).handlers)
        cpu.interrupts.line(self._line).latch()
        cpu.attend(clock.now_ps)
        return served

    def _may_act(self, entry: Entry) -> bool:
        """Whether an entry can do anything here: main code may not be interrupted everywhere."""
        cpu = self._board.cpu
        if entry.kind == "stall":
            return True
        if cpu.depth or cpu.masked:
            return False
        if entry.kind == "spurious":
            return self._line in cpu.interrupts.lines
        return entry.kind == "pause" or (self._tasks is not None and self._tasks.may_enter)

    def _note(self, point: Point, place: Place) -> None:
        cpu = self._board.cpu
        depth, masked = cpu.depth, cpu.masked
        state = self._board.clock.now_ps, depth, masked, cpu.overdue
        if state != self._state:
            self._state = state
            self._stretch += 1
        still = self._board.clock.next_event_ps == NEVER_PS
        open_to = self._tasks is not None and not depth and not masked and self._tasks.may_enter
        self.seen[point] = Seen(depth, masked, place, self._stretch, still, open_to)
        if len(self.seen) >= MOST_POINTS:
            self._learn = ""
            self.stop()

    # lines and opcodes

    def _follow(self) -> None:
        """Follow the lines of the driver from here, in frames that run already too.

        Meanwhile no garbage is collected: what that calls, at moments of its own, would count.
        """
        if self._following:
            return
        self._following = True
        self._collects = gc.isenabled()
        gc.disable()
        self._outer = sys.gettrace()
        for frame in _driver_frames(sys._getframe(1)):  # noqa: SLF001 - as debuggers do
            self._touched.append((frame, frame.f_trace, frame.f_trace_opcodes))
            frame.f_trace = self._tracer
            frame.f_trace_opcodes = self._opcodes
        sys.settrace(self._enter)

    def _enter(self, frame: FrameType, _event: str, _argument: object) -> Tracer | None:
        if not is_driver(frame.f_code):
            return None
        frame.f_trace_opcodes = self._opcodes
        return self._tracer

    def _local(self, frame: FrameType, event: str, _argument: object) -> Tracer | None:
        if event != ("opcode" if self._opcodes else "line"):
            return self._tracer
        if not self._following:
            return None
        self._steps += 1
        here = Point(self.calls, self._steps)
        if self._learn:
            self._note(here, place_of(frame))
        try:
            while self._left and self._next <= here:
                self._act(place_of(frame))
        except BaseException:  # what a handler raised goes on into the driver, untraced
            self.stop()
            raise
        if not self._learn and self._next.call != self.calls:
            self.stop()
            return None  # what stop gave back to this frame stays
        return self._tracer


class _CountingCpu:
    """Stand in for the processor: each call that a driver makes is a step."""

    def __init__(self, real: Cpu, stepper: Stepper) -> None:
        self._real = real
        self._step = stepper.step
        for name in _DRIVER_CALLS:
            setattr(self, name, stepper._counting(getattr(real, name)))  # noqa: SLF001

    __class__ = Cpu  # type: ignore[assignment]  # what a driver that asks is to see

    def interrupts_masked(self) -> _CountingMask:
        """Return a context manager inside which no handler runs."""
        return _CountingMask(self._real, self._step)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the real one has
        return getattr(self._real, name)


_CountingCpu.interrupts_masked.__qualname__ = Cpu.interrupts_masked.__qualname__

_DRIVER_CALLS = (
    "connect", "disconnect", "wait_for_interrupt", "sleep", "work", "time", "raise_interrupt",
    "mask", "unmask",
)  # fmt: skip


class _CountingMask:
    """Mask interrupts inside a ``with`` block; entering and leaving are steps."""

    def __init__(self, real: Cpu, step: Callable[[], None]) -> None:
        self._real = real
        self._step = step

    def __enter__(self) -> None:
        self._step()
        self._real.mask()

    def __exit__(self, *_: object) -> None:
        self._step()
        self._real.unmask()


def _singly_read(
    read_rep: Callable[[int, int], list[int]], stepper: Stepper
) -> Callable[[int, int], list[int]]:
    """Return a repeated read of which each access is a step."""

    def read(offset: int, count: int) -> list[int]:
        if type(count) is not int or count <= 0:  # whatever the real one makes of that
            stepper.step()
            return read_rep(offset, count)
        values: list[int] = []
        for _ in range(count):
            stepper.step()
            values += read_rep(offset, 1)
        return values

    read.__qualname__ = read_rep.__qualname__
    return read


def _singly_written(write: Callable[[int, int], None]) -> Callable[[int, Iterable[int]], None]:
    """Return a repeated write of which each access is a step."""

    def write_rep(offset: int, values: Iterable[int]) -> None:
        for value in values:
            write(offset, value)

    return write_rep


def _driver_frames(frame: FrameType | None) -> list[FrameType]:
    """Return the driver's frames from `frame` outwards, those that called the bench left out."""
    inside: list[FrameType] = []
    found: list[FrameType] = []
    while frame is not None:
        if is_driver(frame.f_code):
            found.append(frame)
        elif frame.f_code.co_filename.startswith(_BENCH):
            inside += found
            found = []
        frame = frame.f_back
    return inside


_known: dict[str, bool] = {}  # by file, since code of two files may be equal


def is_driver(code: CodeType) -> bool:
    """Say whether code is the driver's: neither the bench's nor a library's."""
    name = code.co_filename
    found = _known.get(name)
    if found is None:
        ours = name.startswith((_BENCH, "<"))
        library = name.startswith(_LIBRARY) and not name.startswith(_PACKAGES)
        found = _known[name] = not (ours or library)
    return found
