"""Run a failing case once more, line by line, to say where a broken promise comes from.

The one idea: a promise is broken between two calls and names no line, but the driver's own lines
say which way it went. So the case is followed line by line: where each call returned and waited,
where a counter moved, and which lines came after each look and each character. What stands out
there is where to begin to read. This costs a run that is twenty times as slow, and is done for the
few cases that are shown.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from types import CodeType, FrameType
from typing import Any, NamedTuple

from emu.devices.uart16550 import Uart16550
from emu.kernel.callers import (
    Stack,
    asking_place,
    driver_frames,
    driver_stack,
    loop_place,
    meeting,
)
from emu.kernel.cpu import Cpu
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import Place
from emu.scenario.books import counter
from emu.scenario.runner import Run
from emu.scenario.serial_stage import SerialStage
from emu.search.constants import names_on, place_of_constant
from emu.search.engine_look import EngineLook
from emu.search.stepper import is_driver
from emu.search.ways import Ways

__all__ = ["EXPLAINED", "Explainer"]

_COUNTERS = ("overrun", "parity", "framing", "breaks")
_BIT_OF = {"overrun": 0x02, "parity": 0x04, "framing": 0x08, "breaks": 0x10}
_BAD, _OVERRUN, _THRE, _TEMT = 0x1C, 0x02, 0x20, 0x40
_MOST_LINES, _LINES_AN_ACCESS = 600_000, 4  # what is followed; a stack costs as much as lines
_LONGEST_PATH = 40
_ROUNDS = 64
_TYPICAL = 8  # characters whose lines tell what becomes of a character

Tracer = Callable[[FrameType, str, Any], Any]


@dataclass(slots=True)
class _Call:
    """One call of the driver.

    Args:
        name: which.
        size: how many bytes it was to move, 0 for none.
        timeout_s: its time-out, None without one.
        began_ps: when it began, without time in which the processor was frozen.
        took_ps: how long it took.
        value: what it returned.
        returned: the line at which it did.
        waited: the functions and lines by which it waited last.
        look: how LSR was read last.
        told: by which functions and lines the clock was read last.
    """

    name: str
    size: int
    timeout_s: float | None
    began_ps: int
    took_ps: int = 0
    value: Any = None
    returned: Place = ("", 0)
    waited: Stack = ()
    look: _Path | None = None
    told: Stack = ()


@dataclass(slots=True)
class _Path:
    """The lines that came after an access, up to the next.

    Args:
        stack: by which functions the access was made.
        place: which line asked for it.
        flags: error bits that LSR showed, or that the character had.
        before: the counters then.
        after: the counters at the next access.
        lines: the lines.
        returns: where functions returned meanwhile, and what.
        again: by which functions LSR was read next, if that was the next access.
    """

    stack: Stack
    place: Place
    flags: int
    before: tuple[int, ...]
    after: tuple[int, ...] = ()
    lines: list[tuple[CodeType, int]] = field(default_factory=list)
    returns: list[tuple[Place, object]] = field(default_factory=list)
    again: Stack = ()


class _Counted(NamedTuple):
    """A counter that moved.

    Args:
        name: which.
        value: to what.
        allowed: how many errors of its kind the device had flagged by then.
        code, line: what moved it.
        shown: what LSR had shown last.
        way: the lines from there on.
    """

    name: str
    value: int
    allowed: int
    code: CodeType | None
    line: int
    shown: int
    way: tuple[tuple[CodeType, int], ...]

    @property
    def place(self) -> Place:
        """The line that moved it, as a place."""
        return (self.code.co_filename, self.line) if self.code else ("", 0)


class Explainer:
    """Follow one run and say where to begin to read.

    Args:
        run: the run, before it begins.
        port: name of the port whose driver is followed.
    """

    def __init__(self, run: Run, port: str) -> None:
        self._run = run
        self._name = port
        self._clock = run.board.clock
        self._calls: list[_Call] = []
        self._outermost: FrameType | None = None
        self._counted: list[_Counted] = []
        self._counts: tuple[int, ...] = ()
        self._line: tuple[CodeType | None, int] = None, 0
        self._names: dict[str, object] = {}
        self._looks: list[_Path] = []
        self._taken: list[_Path] = []
        self._path: _Path | None = None
        self._told: Stack = ()
        self._fcr: Place | None = None
        self._rounds: list[list[tuple[FrameType, int]]] = []
        self._longest: list[list[tuple[FrameType, int]]] = []
        self._read_last = ""
        self._ways = Ways()
        self._left = _MOST_LINES
        self._outer: Any = None
        device = run.board.device(port)
        assert isinstance(device, Uart16550)
        assert isinstance(run.stage, SerialStage)
        self._uart, self._stage = device, run.stage
        with run.board.rewiring():
            self._engine = EngineLook(run.board, port)
            for name, access in device.ports.items():
                access.wrap_read(partial(self._reading, name))
                access.wrap_write(partial(self._writing, name))
        cpu = run.board.cpu
        cpu.on_sleep.append(self._slept)
        cpu.on_enter.append(lambda _line: self._ways.begin("handler", cpu.depth))
        cpu.on_exit.append(lambda _line: self._ways.end(cpu.depth))

    # following

    def cpu(self, given: Cpu) -> Cpu:
        """Note where the driver asks its processor for the time; return the processor."""
        time = given.time

        def told() -> float:
            self._told = driver_stack()
            return time()

        given.time = told  # type: ignore[method-assign]  # it is a stand-in
        return given

    def start(self) -> None:
        """Begin to follow the driver's lines."""
        self._outer = sys.gettrace()
        sys.settrace(self._enter)

    def stop(self) -> None:
        """Leave tracing to whoever traced before."""
        sys.settrace(self._outer)

    def _enter(self, frame: FrameType, _event: str, _argument: object) -> Tracer | None:
        if not is_driver(frame.f_code) or self._left <= 0:
            return None
        if self._outermost is None and frame.f_code.co_name in _PROTOCOL and _is_called(frame):
            self._outermost = frame
            self._calls.append(self._call_of(frame))
            self._names = frame.f_globals | vars(type(frame.f_locals.get("self")))
            self._ways.begin(frame.f_code.co_name, 0)
        return self._local

    def _local(self, frame: FrameType, event: str, argument: object) -> Tracer | None:
        if event == "line":
            self._left -= 1
            if self._left <= 0:
                self.stop()
                return None
            self._look_at_counters()
            self._line = frame.f_code, frame.f_lineno
            self._ways.line(frame.f_code, frame.f_lineno)
            path = self._path
            if path is not None and len(path.lines) < _LONGEST_PATH:
                path.lines.append((frame.f_code, frame.f_lineno))
        elif event == "return":
            self._return(frame, argument)
        return self._local

    def _return(self, frame: FrameType, value: object) -> None:
        """Note where a function of the driver returns, and what."""
        path = self._path
        if path is not None and len(path.returns) < _LONGEST_PATH:
            path.returns.append(((frame.f_code.co_filename, frame.f_lineno), value))
        if frame is self._outermost:
            self._look_at_counters()
            self._outermost = None
            self._ways.end(0)
            call = self._calls[-1]
            call.value, call.returned = value, (frame.f_code.co_filename, frame.f_lineno)
            call.took_ps = self._used_ps - call.began_ps
            call.look = self._looks[-1] if self._looks else None
            call.told = self._told

    def _call_of(self, frame: FrameType) -> _Call:
        code = frame.f_code
        given = [frame.f_locals.get(name) for name in code.co_varnames[1 : code.co_argcount]]
        first = given[0] if given else None
        name, timeout = code.co_name, given[-1] if given else None
        size = len(first) if isinstance(first, bytes | bytearray) else first
        return _Call(
            name,
            size if isinstance(size, int) and name in ("write", "read") else 0,
            timeout if isinstance(timeout, int | float) and name in _TIMED else None,
            self._used_ps,
        )

    @property
    def _used_ps(self) -> int:
        return self._clock.now_ps - self._clock.stalled_ps

    def _slept(self, _seconds: float, _waking: bool) -> None:
        if self._outermost is not None and not self._run.board.cpu.depth:
            self._calls[-1].waited = driver_stack()

    def _look_at_counters(self) -> None:
        """Note which counters the line before has moved."""
        counts = self._count()
        if counts == self._counts:
            return
        if self._counts:
            flagged = self._stage.ports[self._name].contract.flagged
            for name, before, after in zip(_COUNTERS, self._counts, counts, strict=True):
                if after > before:
                    look = self._looks[-1] if self._looks else None
                    shown, way = (look.flags, tuple(look.lines)) if look else (0, ())
                    counted = _Counted(name, after, flagged[name][1], *self._line, shown, way)
                    self._counted.append(counted)
        self._counts = counts

    def _count(self) -> tuple[int, ...]:
        port = self._stage.ports.get(self._name)
        if port is None:
            return ()
        errors = port.errors
        return tuple(counter(errors, name) or 0 for name in _COUNTERS)

    def _reading(self, name: str, read: ReadPort) -> ReadPort:
        def read_following() -> int:
            if self._left <= 0:
                return read()
            self._left -= _LINES_AN_ACCESS
            self._end_path(again=name == "LSR")
            self._ways.accessed(name)
            if self._run.board.cpu.depth:
                self._go_round(name)
            flags = self._uart.peek("LSR") & (_BAD | _OVERRUN) if name == "RBR" else 0
            value = read()
            if name in ("LSR", "RBR"):
                flags = flags if name == "RBR" else value
                path = _Path(driver_stack(), asking_place(), flags, self._count())
                (self._looks if name == "LSR" else self._taken).append(path)
                self._path = path
            return value

        return read_following

    def _go_round(self, name: str) -> None:
        """Note where a handler reads the same register again."""
        if name != self._read_last or len(self._rounds) >= _ROUNDS:
            self._rounds = []
        self._read_last = name
        self._rounds.append([(frame, frame.f_lineno) for frame in driver_frames()])
        if len(self._rounds) > len(self._longest):
            self._longest = list(self._rounds)

    def _writing(self, name: str, write: WritePort) -> WritePort:
        def write_following(value: int) -> None:
            if self._left <= 0:
                write(value)
                return
            self._end_path()
            self._ways.accessed(name)
            if name == "FCR" and self._calls and self._calls[-1].name == "open":
                self._fcr = asking_place()
            write(value)

        return write_following

    def _end_path(self, *, again: bool = False) -> None:
        path = self._path
        if path is not None:
            path.after = self._count()
            path.again = driver_stack() if again else ()
            self._path = None

    # explaining

    def place(self, rule: str, line: int, message: str) -> Place | None:
        """Return the line to begin with, None where there is nothing better than what is known.

        That is so too where the run was too long to be followed to its end.

        Args:
            rule: the rule, or ``promise NAME``.
            line: the line that the finding names, 0 for none.
            message: what is wrong.
        """
        self._end_path()
        explain = EXPLAINED.get(rule)
        if explain is None or self._left <= 0:
            return None
        return explain(self, line, message)

    def _why_miscounted(self, _line: int, message: str) -> Place | None:
        """Name the line that counted too much, or the look whose errors were not counted."""
        for one in self._counted:
            if one.value > one.allowed and f"errors.{one.name}" in message:
                return self._misnamed(one) or one.place
        return self._uncounted(_OVERRUN if "overrun flag" in message else _BAD)

    def _misnamed(self, one: _Counted) -> Place | None:
        """Return where a constant got the value of a bit that means another error than counted."""
        wrong = one.shown & (_BAD | _OVERRUN) & ~_BIT_OF[one.name]
        if one.code is None or one.shown & _BIT_OF[one.name]:
            return None
        for code, line in ((one.code, one.line), *reversed(one.way)):
            place = place_of_constant(code, line, self._names, wrong) if code is one.code else None
            if place is not None:
                return place
        return None

    def _uncounted(self, flags: int) -> Place | None:
        """Return the first look that showed flags after which no counter moved.

        Without one, the first character that was taken with its flags unseen.
        """
        for one in self._looks:
            if one.flags & flags and one.after and one.before == one.after:
                return self._counting(one, flags) or one.place
        unseen = (one for one in self._taken if one.flags & flags and one.before == one.after)
        return next((one.place for one in unseen), None)

    def _why_lost(self, line: int, message: str) -> Place | None:
        """Name the test at which a character took another way than those that were returned."""
        if "never returned" not in message:
            return self._why_miscounted(line, message)
        paths = [one.lines for one in self._taken if not one.flags & _BAD and one.lines]
        if not paths:
            return self._engine.place
        kept = [step for step in paths[0] if all(step in one for one in paths[:_TYPICAL])]
        for path in paths:
            missing = next((step for step in kept if step not in path), None)
            if missing is not None:
                code, number = kept[max(kept.index(missing) - 1, 0)]
                return code.co_filename, number
        return None

    def _why_not_counted(self, line: int, _message: str) -> Place | None:
        """Name the code that counts, if the look that showed the errors led there."""
        for one in self._looks:
            if one.place[1] == line and one.flags & (_BAD | _OVERRUN):
                place = self._counting(one, _BAD | _OVERRUN)
                if place is not None:
                    return place
        return None

    def _counting(self, path: _Path, flags: int) -> Place | None:
        """Return where code that counts errors of such kinds counts them, or turns away from it.

        If it counts others only, that is where it begins; None if the path does not come into such
        code. Code that looks for itself does not count what was seen before.
        """
        looking = path.stack[-1][0] if path.stack else None
        own = {code for code, _ in path.stack}
        elsewhere = {looking} | {code for code, _ in path.again} - own
        lines = [(code, number) for code, number in path.lines if code not in elsewhere]
        wanted = {name for name, bit in _BIT_OF.items() if path.flags & flags & bit}
        for code, _ in lines:
            if not wanted.isdisjoint(code.co_names):
                numbers = [number for other, number in lines if other is code]
                named = (one for one in numbers if not wanted.isdisjoint(names_on(code, one)))
                return code.co_filename, next(named, numbers[-1])
        called = [one for one in lines if one[0] not in own]
        counting = (one for one in called if not set(_COUNTERS).isdisjoint(one[0].co_names))
        found = next(counting, None)
        return (found[0].co_filename, found[1]) if found is not None else None

    def _why_not_sent(self, _line: int, message: str) -> Place | None:
        """Name the write that said how many bytes it took, or where close waited last."""
        writes = [one for one in self._calls if one.name == "write"]
        if "more than" in message:
            return next((one.returned for one in writes if one.value != one.size), None)
        for one in writes:
            late = one.timeout_s is not None and one.took_ps >= one.timeout_s * 10**12
            if late and one.value == one.size:
                return one.returned
        return next(self._ends_of("close"), None)

    def _ends_of(self, name: str) -> Iterator[Place]:
        """Yield where calls waited last, in their own lines, or else where they returned."""
        for call in reversed(self._calls):
            if call.name == name:
                code, line = call.waited[0] if call.waited else (None, 0)
                yield (code.co_filename, line) if code is not None else call.returned

    def _why_late(self, _line: int, message: str) -> Place | None:
        """Name where the call waited that took too long."""
        name = message.partition(" ")[0]
        calls = [one for one in self._calls if one.name == name]
        late = max(calls, key=lambda one: one.took_ps, default=None)
        if late is None:
            return None
        if late.waited:
            code, line = late.waited[-1]
            return code.co_filename, line
        return late.returned

    def _why_asserted(self, _line: int, message: str) -> Place | None:
        """Name the test by which a handler came past what it does about a cause."""
        if "it accessed nothing" in message:
            ways = (self._ways.parting("handler", one, idle=True) for one in ("IIR", "LSR"))
            return next((one for one in ways if one is not None), None)
        cause = message.rpartition(": ")[2]
        register = next((name for word, name in _ANSWERS if word in cause), "")
        return self._ways.parting("handler", register)

    def _why_left_out(self, _line: int, message: str) -> Place | None:
        """Name the test by which ``open`` came past the divisor, if it wrote one before."""
        return self._ways.parting("open", "DLL") if "open wrote no divisor" in message else None

    def _why_drained(self, _line: int, _message: str) -> Place | None:
        """Name the line that made a yes of the last look, or at which ``drain`` returned."""
        for call in reversed(self._calls):
            if call.name == "drain":
                look = call.look
                early = look is not None and look.flags & (_THRE | _TEMT) == _THRE
                return (_said_yes(look) if look and early else None) or call.returned
        return None

    def _why_given_up(self, _line: int, _message: str) -> Place | None:
        """Name the look by which a call gave up, in the function that also read the clock."""
        for call in self._calls:
            if call.name == "drain" and call.value is False:
                met = meeting(call.look.stack if call.look else (), call.told)
                return met[0] if met else None
        return None

    def _why_idle(self, line: int, _message: str) -> Place | None:
        """Name the line that made a yes of a look."""
        for one in self._looks:
            if one.place[1] == line and one.flags & (_THRE | _TEMT) == _THRE:
                found = _said_yes(one)
                if found is not None:
                    return found
        return None

    def _why_stale(self, _line: int, message: str) -> Place | None:
        """Name where ``open`` wrote FCR, if what was there before came as data.

        Where an engine brings the characters it is the look at how far it has come.
        """
        if "before open" in message:
            return self._fcr
        return None if self._taken else self._engine.place

    def _why_busy(self, _line: int, _message: str) -> Place | None:
        """Name the loop in which a handler read one register over and over."""
        return loop_place(self._longest) if self._longest else None


_PROTOCOL = ("open", "close", "write", "read", "drain")
_TIMED = ("write", "read", "drain")
_ANSWERS = (("received", "RBR"), ("transmitter", "THR"), ("modem", "MSR"), ("error", "LSR"))
EXPLAINED: dict[str, Callable[[Explainer, int, str], Place | None]] = {
    "error-bits-lost": Explainer._why_not_counted,  # noqa: SLF001 - its own methods
    "verdict-without-look": Explainer._why_given_up,  # noqa: SLF001
    "busy-wait-in-handler": Explainer._why_busy,  # noqa: SLF001
    "thre-taken-for-idle": Explainer._why_idle,  # noqa: SLF001
    "handler-left-line-asserted": Explainer._why_asserted,  # noqa: SLF001
    "divisor-off": Explainer._why_left_out,  # noqa: SLF001
    "line-format-wrong": Explainer._why_left_out,  # noqa: SLF001
    "promise order": Explainer._why_stale,  # noqa: SLF001
    "promise errors": Explainer._why_miscounted,  # noqa: SLF001
    "promise loss": Explainer._why_lost,  # noqa: SLF001
    "promise sent": Explainer._why_not_sent,  # noqa: SLF001
    "promise time": Explainer._why_late,  # noqa: SLF001
    "promise drain": Explainer._why_drained,  # noqa: SLF001
}


def _said_yes(look: _Path) -> Place | None:
    """Return where a function returned True after a look."""
    return next((place for place, value in look.returns if value is True), None)


def _is_called(frame: FrameType) -> bool:
    """Say whether it is the bench that calls, and not the driver itself."""
    return frame.f_back is not None and not is_driver(frame.f_back.f_code)
