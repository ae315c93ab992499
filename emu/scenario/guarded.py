"""A driver whose every call is guarded, timed and noted, whatever it drives.

The one idea: nothing that a driver does may take the bench down or keep it waiting. A call that
raises, that is still going when its time is long over, or that returns what its protocol does not
allow ends the run by `RunOver`, after a finding at the driver's own line was noted.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, NoReturn, Protocol

from emu.errors import RunEnded
from emu.kernel.board import Board
from emu.kernel.bus import BusError, Window
from emu.kernel.clock import NEVER_PS, PS_PER_S
from emu.kernel.cpu import Cpu
from emu.kernel.where import Place
from emu.rules.finding import Findings
from emu.scenario.crowd import CROWDED_PS, Crowd
from emu.scenario.driver_source import place_of_class, place_of_error, rule_of_error, text_of
from emu.units import show_duration

__all__ = ["MS_PS", "OPEN_BOUND_PS", "CallRules", "GuardedDriver", "RunOver", "seconds"]

MS_PS = PS_PER_S // 1000
OPEN_BOUND_PS = 500 * MS_PS
_TRIES = 20  # of open and close while a fault makes them raise bus errors
_BETWEEN_TRIES_S = 0.01


class RunOver(Exception):
    """End the run after a finding about the driver was noted."""


class CallRules(Protocol):
    """What the rules of a device want to know of its driver's calls.

    Attributes:
        method: returns where the driver defines a call.
    """

    method: Callable[[str], Place]

    def call_begins(self, name: str, size: int = 0) -> None:
        """Note that the driver is constructed (``"__init__"``) or called."""

    def call_ends(self, name: str, result: object = None, *, judged: bool = True) -> None:
        """Note that a call has returned or raised; see `emu.rules.attach.PortRules`."""


class GuardedDriver(ABC):
    """Call the driver of one device.

    Args:
        board: the board, powered on.
        name: the device.
        driver_class: constructed here, with the device's window and the processor.
        findings: where findings go.
        rules: the rules of this device.
        excused: tells whether a bus error may come out of a call, because a fault made it.
        given: what the driver is given, its window and the processor of `board` when None.

    Attributes:
        is_open: whether ``open`` returned and ``close`` was not called since.
        failed: whether a call has ended in a bus error since, so that the port has to be reopened.
        calling: the driver's call that is under way, ``""`` for none.
        entered: whether another task has called in the middle of it.
        shares: whether other drivers run on the board; time in handlers, which may be theirs, is
            then held against none of this one's calls.
    """

    def __init__(
        self,
        board: Board,
        name: str,
        driver_class: type,
        *,
        findings: Findings,
        rules: CallRules,
        excused: Callable[[], bool],
        given: tuple[Window, Cpu] | None = None,
    ) -> None:
        self.name = name
        self.is_open = self.failed = self.entered = False
        self.calling = ""
        self.shares = False
        self._board = board
        self._findings = findings
        self._call_rules = rules
        self._excused = excused
        self._who = board.journal.source("call", name)
        region = next(one for one in board.bus.regions if one.device.name == name)
        self._access_ps = board.bus.access_ps + region.wait_ps
        self._place = place_of_class(driver_class)
        self._given = given or (board.window(name), board.cpu)
        self._driver_class = driver_class
        self.construct()
        rules.method = self._method_place

    def construct(self) -> None:
        """Put a new driver in place, which knows of no other before it."""
        io, cpu = self._given
        self._driver: Any = self._guarded(
            "__init__", lambda: self._driver_class(io, cpu), OPEN_BOUND_PS
        )

    @property
    def driver(self) -> Any:  # noqa: ANN401 - whatever its class makes
        """The driver itself, for others that use it."""
        return self._driver

    # what a kind of driver has to say

    @abstractmethod
    def _breach(self, promise: str, detail: str) -> None:
        """Note that the contract is broken."""

    @abstractmethod
    def stirring(self) -> list[str]:
        """Return what is not as it must be after ``close``, besides what holds for any device."""

    def _progress(self) -> object:
        """Return what changes as long as a call without a time-out gets anywhere."""
        return None

    def _nothing_comes(self) -> bool:
        """Whether nothing more is on its way to the driver."""
        return True

    def _why(self, ended: RunEnded, name: str) -> str:  # noqa: ARG002 - for those who know more
        """Return what to add to the message of a call that ended the run."""
        return ""

    # after close

    def _watch_silence(self, settling_ps: int) -> None:
        """Let some time pass after ``close`` and see that nothing stirs."""
        board = self._board
        board.journal.settle()
        before = board.bus.accesses()[self.name]
        board.cpu.sleep(settling_ps / PS_PER_S)
        board.journal.settle()
        stirring = self.stirring()
        number = board.window(self.name).irq
        line = board.cpu.interrupts.lines.get(number)
        if line is not None and line.handlers and not line.shared:
            stirring.append(f"a handler is still connected to interrupt {number}")
        if board.device(self.name).irq.level:
            stirring.append("its interrupt line is asserted")
        if board.bus.accesses()[self.name] != before:
            stirring.append("the driver touched the device afterwards")
        if stirring:
            self._breach("quiet", "after close " + ", ".join(stirring))

    # another task

    @contextmanager
    def entering(self) -> Iterator[None]:
        """Let another task call in the middle of the call under way, which keeps its bounds."""
        cpu, calling = self._board.cpu, self.calling
        guard = cpu.overdue_ps, cpu.overdue
        self.entered = True
        try:
            yield
        finally:
            self.calling = calling
            cpu.guard(*guard)

    # guarding

    def _used_ps(self) -> int:
        """Simulated time in which nothing from outside took the processor away."""
        return self._board.clock.now_ps - self._taken_ps

    def _insisted(self, name: str, call: Callable[[], Any], bound_ps: int) -> int:
        """Call until no bus error comes out any more that a fault made; return how often."""
        for tries in range(1, _TRIES + 1):
            try:
                self._guarded(name, call, bound_ps)
            except BusError:
                self._board.cpu.sleep(_BETWEEN_TRIES_S)
            else:
                return tries
        raise RunOver(f"{name} met a bus error each time")

    def _check_time(self, name: str, used_ps: int, bound_ps: int) -> None:
        if used_ps > bound_ps:
            self._breach(
                "time",
                f"{name} took {show_duration(used_ps)}, at most {show_duration(bound_ps)} "
                "was allowed",
            )

    def _guarded(
        self,
        name: str,
        call: Callable[[], Any],
        bound_ps: int,
        entitled: Callable[[], bool] | None = None,
        size: int = 0,
    ) -> Any:  # noqa: ANN401 - a driver may return anything
        """Call the driver, end the run if it fails or does not come back.

        Args:
            name: the call.
            call: makes it.
            bound_ps: how long it may take; without a time-out, how long nothing may happen.
            entitled: given when the call has no time-out; whether it may wait for ever.
            size: how many bytes it is to move.
        """
        board, outer = self._board, self.calling
        start_ps = board.clock.now_ps
        self.calling = name
        self.entered = self.entered and bool(outer)
        board.journal.settle()
        board.journal.append((start_ps, self._who, name, 1))
        self._guard(name, start_ps, bound_ps, patient=entitled is not None)
        self._call_rules.call_begins(name, size)
        value: Any = None
        try:
            value = call()
        except RunEnded as ended:
            self._note_ended(name, ended, entitled)
            raise RunOver(ended.message) from None
        except BusError as error:
            if not self._excused():
                self._note_raised(name, error)
                raise RunOver(f"{name} raised BusError") from error
            self.failed = True
            raise
        except KeyboardInterrupt:
            raise
        except BaseException as error:
            self._note_raised(name, error)
            raise RunOver(f"{name} raised {type(error).__name__}") from error
        finally:
            board.cpu.guard(0, None)
            board.journal.settle()
            board.journal.append((board.clock.now_ps, self._who, name, 0))
            self.calling = outer
            self._call_rules.call_ends(name, value, judged=bool(outer) or not self.entered)
        return value

    def _guard(self, name: str, start_ps: int, bound_ps: int, *, patient: bool) -> None:
        """End the run after `bound_ps`; or then look again, if there may still be an end.

        Time that storms took, or in which the processor stood still, does not count, nor that of
        handlers which may be another driver's. Where such handlers leave the call next to nothing
        the run ends, and nobody is accused.
        """
        board = self._board
        before, end_ps = self._progress(), board.clock.now_ps + bound_ps - self._taken_ps
        crowd = Crowd(board, self._lost_ps)

        def overdue() -> RunEnded | None:
            if self.shares and crowd.leaves_nothing(self._lost_ps):
                text = f"handlers left the main code no time for {name}"
                return RunEnded("call-overdue", text, cause="handlers")
            left_ps = end_ps + self._taken_ps - board.clock.now_ps
            if left_ps > 0:
                board.cpu.guard(board.clock.now_ps + look_ps(left_ps), overdue)
                return None
            if patient and not (self._nothing_comes() and self._progress() == before):
                self._guard(name, start_ps, bound_ps, patient=True)
                return None
            return _overdue(name, board.clock.now_ps - start_ps, board.cpu.last_read())

        def look_ps(left_ps: int) -> int:
            return min(left_ps, CROWDED_PS) if self.shares else left_ps

        board.cpu.guard(board.clock.now_ps + look_ps(bound_ps), overdue)

    @property
    def _taken_ps(self) -> int:
        """How much time was taken from the driver so far."""
        return self._lost_ps + (self._board.cpu.handler_ps if self.shares else 0)

    @property
    def _lost_ps(self) -> int:
        """How much time was taken from all drivers so far."""
        return self._board.cpu.storms.taken_ps + self._board.clock.stalled_ps

    def _note_ended(self, name: str, ended: RunEnded, entitled: Callable[[], bool] | None) -> None:
        """Note how a call ended the run."""
        if ended.rule == "time-limit" or ended.cause:
            raise ended  # whoever set the limit judges it, and what made the rest is no driver
        waiting = ended.rule in ("call-overdue", "endless-poll", "asleep-for-ever")
        if waiting and entitled is not None and entitled():
            raise RunOver(f"{name} has no time-out and waits for what does not come")
        ended.message += self._why(ended, name)
        place = (ended.file, ended.line) if ended.file else self._place
        self._findings.report(ended.rule, ended.message, place=place)
        if waiting:
            self._breach("time", ended.message)

    def _note_raised(self, name: str, error: BaseException) -> None:
        place = place_of_error(error, self._place[0])
        self._findings.report(
            rule_of_error(error),
            f"{name} raised {type(error).__name__}: {text_of(error)}",
            place=place if place[1] else self._place,
        )

    def _method_place(self, name: str) -> Place:
        """Return where the driver defines a call, the place of its class if that is not known."""
        code = getattr(getattr(type(self._driver), name, None), "__code__", None)
        return (code.co_filename, code.co_firstlineno) if code else self._place

    def _bad_value(self, name: str, value: object, allowed: str) -> NoReturn:
        place = self._method_place(name)
        self._findings.report(
            "bad-return-value",
            f"{name} returned {text_of(value, repr)} ({type(value).__name__}); allowed: {allowed}",
            place=place,
        )
        raise RunOver(f"{name} returned {text_of(value, repr)} ({type(value).__name__})")


def seconds(timeout_ps: int) -> float | None:
    """Return a time-out as a driver is given it."""
    return None if timeout_ps == NEVER_PS else timeout_ps / PS_PER_S


def _overdue(name: str, after_ps: int, last_read: str) -> RunEnded:
    text = f"{name} was still running after {show_duration(after_ps)}"
    return RunEnded("call-overdue", f"{text}; it last read {last_read}" if last_read else text)
