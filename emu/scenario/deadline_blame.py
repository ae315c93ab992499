"""Which lines wrote the compare and read the time of a machine timer, and which interrupts came in.

The one idea: a deadline that nobody calls was lost where the compare was written last, or where it
should have been: in a handler, in the call that booked it, or where a handler interrupted that.
"""

from __future__ import annotations

from functools import partial
from types import CodeType

from emu.devices.mtimer import MachineTimer
from emu.kernel.callers import Stack, asking_place, driver_stack, meeting
from emu.kernel.cpu import Cpu
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import Place, driver_place

__all__ = ["DeadlineBlame"]

_NOWHERE: Place = ("", 0)
_WORD = 0xFFFF_FFFF
_IDLE_RUNS = 16  # of a handler that leaves its line up, after which it is told of


class DeadlineBlame:
    """Follow the accesses of the driver of one machine timer.

    Args:
        timer: the timer, before it is driven.
        cpu: the processor.
    """

    def __init__(self, timer: MachineTimer, cpu: Cpu) -> None:
        self._timer = timer
        self._cpu = cpu
        self._reads: dict[int, dict[str, tuple[Place, int]]] = {}  # of halves, by handler depth
        self._looked: dict[int, Stack] = {}  # by which functions the time was read last, likewise
        self._run: list[Stack] = []  # those of the first and the last access of a handler
        self._written: Stack = ()  # by which functions the compare was written last
        self._half = ""  # which half that was
        self._arming: dict[bool, Place] = {}  # where a handler, or a call, had it written last
        self._last: Place = _NOWHERE  # what main code did last in the call under way
        self._met: Place = _NOWHERE  # where a handler came into it last
        self._idle_runs = 0
        self._moved = self._called = False  # in this run of the handler
        self._caller: Place = _NOWHERE  # where a handler called a deadline last
        for name in ("MTIME_LOW", "MTIME_HIGH"):
            timer.ports[name].wrap_read(partial(self._noting_read, name))
        for name in ("MTIMECMP_LOW", "MTIMECMP_HIGH"):
            timer.ports[name].wrap_write(partial(self._noting_write, name))
        cpu.on_mask.append(self._note_step)
        cpu.on_unmask.append(self._note_step)

    @property
    def compare(self) -> int:
        """The compare, as it is now."""
        return self._timer.peek("MTIMECMP_HIGH") << 32 | self._timer.peek("MTIMECMP_LOW")

    @property
    def met(self) -> Place:
        """Where a handler came into the call last, no place if none did."""
        return self._met

    # what is noted

    def begin(self) -> None:
        """Begin a call from main code."""
        self._reads.pop(0, None)
        self._looked.pop(0, None)
        self._last = self._met = _NOWHERE

    def enter(self) -> None:
        """Note that the timer's handler comes in."""
        self._reads.pop(self._cpu.depth, None)
        self._looked.pop(self._cpu.depth, None)
        self._run.clear()
        self._moved = self._called = False
        self._met = driver_place()

    def leave(self) -> bool:
        """Note that it returns; return whether it left the line up once too often, for nothing."""
        idle = bool(self._timer.irq.level) and not (self._moved or self._called)
        self._idle_runs = self._idle_runs + 1 if idle else 0
        return self._idle_runs == _IDLE_RUNS

    def note_call(self) -> None:
        """Note that a deadline is called."""
        self._called = True
        if self._cpu.depth:
            self._caller = driver_place()

    def _note_step(self) -> None:
        if not self._cpu.depth:
            self._last = asking_place()

    def _note_access(self, stack: Stack) -> None:
        if self._cpu.depth:
            self._run[1:] = [stack] if self._run else []
            if not self._run:
                self._run = [stack, stack]
        else:
            self._last = asking_place()

    def _noting_read(self, name: str, read: ReadPort) -> ReadPort:
        def reading() -> int:
            halves = self._reads.setdefault(self._cpu.depth, {})
            halves[name] = asking_place(), self._timer.peek("MTIME_HIGH")
            self._looked[self._cpu.depth] = stack = driver_stack()
            self._note_access(stack)
            return read()

        return reading

    def _noting_write(self, name: str, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            self._half = name
            self._written = stack = driver_stack()
            self._note_access(stack)
            if stack:
                self._arming[bool(self._cpu.depth)] = _place(stack[-2:][0])
            before = self.compare
            write(value)
            self._moved = self._moved or self.compare != before

        return writing

    # what it leads to

    def torn(self) -> tuple[str, Place]:
        """Return rule and place of halves that make no time: of two carries, or one alone."""
        reads = self._reads.get(self._cpu.depth, {})
        halves = list(reads.values())
        if list(reads) == ["MTIME_LOW"] and self._timer.peek("MTIME_HIGH"):
            return "counter-half-read", halves[0][0]
        if len(halves) < 2 or halves[0][1] == halves[1][1]:
            return "", _NOWHERE
        return "torn-counter-read", halves[-1][0]

    def early(self) -> tuple[str, Place]:
        """Return rule and place of the look at the time that let a deadline be called now."""
        met = meeting(self._looked.get(self._cpu.depth, ()), driver_stack())
        return "deadline-too-early", met[0] if met else driver_place()

    def left_by_call(self) -> tuple[str, Place]:
        """Return rule and place of a call that has left the compare too late."""
        if self._met[1]:
            return "deadline-raced", self._met
        return "deadline-not-armed", self._arming.get(False, self._last)

    def left_by_handler(self) -> tuple[str, Place]:
        """Return rule and place of a handler that has left the compare too late."""
        met = meeting(*self._run) if self._run else None
        return "deadline-not-armed", met[1] if met else _NOWHERE

    def left_up(self) -> Place:
        """Return the place where a handler should have taken its interrupt away."""
        return self._arming.get(True, self._caller)

    def left_armed(self) -> Place:
        """Return what main code did last."""
        return self._last

    def half_written(self, booked: list[int]) -> tuple[str, Place]:
        """Return rule and place of a write that has left halves of two times in the compare.

        Args:
            booked: all times that were ever booked.
        """
        compare = self.compare
        lows = {one & _WORD for one in booked}
        if not self._written or compare in booked or compare & _WORD not in lows:
            return "", _NOWHERE
        if compare >> 32 == _WORD and self._half == "MTIMECMP_HIGH":
            return "", _NOWHERE  # taken away on purpose
        return "compare-half-written", _place(self._written[-1])


def _place(step: tuple[CodeType, int]) -> Place:
    code, line = step
    return code.co_filename, line
