"""One device with its driver, whatever its trade: the calls that every trade has in common.

The one idea: a trade adds its own calls and judges their answers; how a call is made, timed and
excused, how the device must lie after ``close``, and which line a broken promise leads to, is the
same for all. A fault excuses what is broken between the ``open`` before it acted and the next, but
for what the trade calls steadfast.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ClassVar, NamedTuple

from emu.faults.attached import Attached
from emu.kernel.bus import BusError
from emu.kernel.clock import NEVER_PS, PS_PER_S
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place
from emu.scenario.driver_source import text_of
from emu.scenario.guarded import MS_PS, OPEN_BOUND_PS, GuardedDriver
from emu.scenario.model import Step
from emu.scenario.outcome import StepNote
from emu.scenario.promise import Breaches, Promise
from emu.scenario.stage import Bench
from emu.units import show_duration

__all__ = ["COMMON_PROMISES", "HARMLESS", "NO_ANSWER", "DevicePort", "Held"]

COMMON_PROMISES = {
    "time": "every call returns within its time-out, or soon if it has none",
    "quiet": "after close the device and its interrupt are silent",
}
_CALL_BOUND_PS = 100 * MS_PS  # of a call that is not to wait
_ACCESS_CYCLES = 10  # that an access takes at least, compared with entering a handler
_LATE_ACCESSES = (
    500  # how much later than its device a driver may be, 100 us where one takes 200 ns
)
_PATIENCE_PS = PS_PER_S
_OVERHEAD_ACCESSES = 400  # what a call may do besides waiting
_SETTLING_PS = MS_PS
HARMLESS = ("spurious-interrupt", "withdrawn-interrupt", "cpu-stalled", "random-state")


class _NoAnswer:
    """Stand for the answer of a call that ended in a bus error; a driver may return None."""

    def __repr__(self) -> str:
        return "no answer"


NO_ANSWER = _NoAnswer()


class Held(NamedTuple):
    """What had held main code up at some moment: time that stood still, and time of handlers."""

    stalled_ps: int = 0
    handler_ps: int = 0


class DevicePort(GuardedDriver):
    """Call the driver of one device.

    Args:
        bench: what the run stands on.
        driver_class: constructed here.

    Attributes:
        PROMISES: the contract of the trade.
        STEADFAST: promises that no fault excuses.
        UNOPENED: steps that need no open device.
        players: plays a step, by its action, and says in a few words how it went.
        late_ps: how much later than the device a driver may be.
    """

    PROMISES: ClassVar[Mapping[str, str]]
    STEADFAST: ClassVar[frozenset[str]] = frozenset()
    UNOPENED: ClassVar[tuple[str, ...]] = ("open", "close", "reopen", "wait", "work")

    def __init__(self, bench: Bench, driver_class: type) -> None:
        self._bench = bench
        self._clock = bench.board.clock
        self._opened_ps = 0
        self._breaches = Breaches(self.PROMISES, self, self._clock)
        name = bench.scenario.port
        self.device = bench.board.device(name)
        self.players: dict[str, Callable[[Step], str]] = {
            "open": lambda _step: self.open(),
            "close": self._close,
            "reopen": self._reopen,
            "wait": self._wait,
            "work": self._work,
        }
        self.set_up()
        super().__init__(
            bench.board, name, driver_class, findings=bench.findings,
            rules=bench.rules.device(name), excused=bench.bus_error_injected,
            given=bench.hand_out(name),
        )  # fmt: skip
        self.shares = bench.shared
        self._judge_touched()
        self.late_ps = _LATE_ACCESSES * max(self._access_ps, bench.board.cycles_ps(_ACCESS_CYCLES))

    def _judge_touched(self) -> None:
        """Report a driver whose constructor makes accesses, since its device may not be ready."""
        bus = self._board.bus
        self._board.journal.settle()
        touched = [one for one in self._bench.with_beside(self.name) if sum(bus.accesses()[one])]
        if touched:
            self._findings.report(
                "touched-before-open", f"__init__ makes accesses to {', '.join(touched)}",
                register=self.name, place=self._method_place("__init__"),
            )  # fmt: skip

    # for a trade to fill in

    def set_up(self) -> None:
        """Add players, and watch what the device does."""

    def open_call(self) -> None:
        """Call the driver's ``open``, with what the trade gives it."""
        self._driver.open()

    def opened(self) -> None:
        """Begin the books anew: ``open`` has returned."""

    def results(self) -> list[object]:
        """Return what the driver's user got."""
        return []

    def finish(self) -> None:
        """Judge what can be judged at the end, before the last ``close``."""

    # promises

    def excuse(self, promise: str) -> bool:
        """Say whether a promise that was just found broken could not be kept."""
        if promise in self.STEADFAST:
            return False
        acted = any(fault.last_active_ps >= self._opened_ps for fault in self._excusing())
        return acted or bool(self._bench.troubled())

    def _excusing(self) -> list[Attached]:
        """Return the faults that did something which a driver cannot make up for."""
        faults = self._bench.armed.faults
        return [one for one in faults if one.injected and one.spec.kind not in HARMLESS]

    def breach(self, promise: str, detail: str, rule: str = "", place: Place = ("", 0)) -> None:
        """Note that a promise was broken, and the line that it leads to, if that is known.

        Args:
            promise: which.
            detail: what broke it.
            rule: what the driver did wrong, ``""`` if it is not known.
            place: where it did so.
        """
        if not self._breaches.enter(promise, detail) and rule and place[1]:
            self._findings.report(rule, detail, register=self.name, place=place)

    def _breach(self, promise: str, detail: str) -> None:
        self.breach(promise, detail)

    def told(self) -> list[Promise]:
        """Return how each promise fared."""
        faults = [f"{one.spec.kind} on {one.spec.target}" for one in self._excusing()]
        kinds = ", ".join(dict.fromkeys(faults))
        why = f"{kinds}: no driver can keep it meanwhile" if kinds else self._bench.troubled()
        waived = {name: why for name in self.PROMISES if why and name not in self.STEADFAST}
        return self._breaches.told(waived)

    # calls

    def call(
        self,
        name: str,
        *given: object,
        timeout_ps: int | None = None,
        grace_ps: int = 0,
    ) -> Any:  # noqa: ANN401 - a driver may return anything
        """Make a call and return its answer, `NO_ANSWER` if a bus error ended it that a fault made.

        Args:
            name: of the method.
            given: its arguments, the time-out left out.
            timeout_ps: passed as the last argument in seconds; None for a call that has none.
            grace_ps: how much longer it may take.
        """
        arguments = given if timeout_ps is None else (*given, timeout_ps / PS_PER_S)
        waits_ps = timeout_ps or 0
        held = self.held()
        start_ps = self._used_ps()
        bound_ps = 2 * (waits_ps + grace_ps) + _CALL_BOUND_PS
        try:
            answer = self._guarded(name, lambda: getattr(self._driver, name)(*arguments), bound_ps)
        except BusError:
            return NO_ANSWER
        limit_ps = waits_ps + grace_ps + _OVERHEAD_ACCESSES * self._access_ps
        handlers_ps = self.held_up_ps(held, by_others=False)
        handlers_ps -= self._clock.stalled_ps - held.stalled_ps
        self._check_time(name, self._used_ps() - start_ps - handlers_ps, limit_ps)
        return answer

    def held(self) -> Held:
        """Return what has held main code up so far, for `held_up_ps`."""
        return Held(self._clock.stalled_ps, self._board.cpu.handler_ps)

    def held_up_ps(self, since: Held, *, by_others: bool = True) -> int:
        """Return for how long nobody could have gone on since a moment.

        That is while the processor stood still; and where main code alone did, the handlers that
        ran meanwhile are no fault of the call either. Nor are they where some may be another
        driver's.

        Args:
            since: the moment.
            by_others: whether such handlers count; they do not for what has no longer to be waited
                for once main code goes on.
        """
        stalled_ps = self._clock.stalled_ps - since.stalled_ps
        aside = stalled_ps or (by_others and self.shares)
        return stalled_ps + (self._board.cpu.handler_ps - since.handler_ps if aside else 0)

    def refused(
        self,
        what: str,
        name: str,
        *given: object,
        promise: str = "range",
        rule: str = "unchecked-range",
    ) -> str:
        """Make a call that must be refused with a ValueError, and say how that went.

        Args:
            what: cannot be had.
            name: of the method.
            given: its arguments.
            promise: what is broken if it is not refused.
            rule: what the driver did wrong then.
        """

        def ask() -> str:
            try:
                getattr(self._driver, name)(*given)
            except ValueError as error:
                return text_of(error) or "refused"
            return ""

        try:
            said = self._guarded(name, ask, _CALL_BOUND_PS)
        except BusError:
            return "a bus error"
        if said:
            return f"{what} is refused"
        place = self._method_place(name)
        self.breach(promise, f"{name} took {what}", rule, place)
        return "taken"

    def on_handler(self, told: Callable[[], None]) -> None:
        """Tell whenever main code is interrupted by the device's own line."""
        board = self._bench.board
        own = board.cpu.interrupts.lines.get(board.window(self.device.name).irq)

        def entered(line: InterruptLine) -> None:
            if line is own and board.cpu.depth == 1:
                told()

        board.cpu.on_enter.append(entered)

    def handler_place(self) -> Place:
        """Return where the driver defines the handler of the device, if one is connected."""
        line = self._board.cpu.interrupts.lines.get(self._board.window(self.name).irq)
        handlers = line.handlers if line is not None else []
        own = [one for one in handlers if getattr(one, "__self__", None) is self._driver]
        last = own[-1:] or (handlers if len(handlers) == 1 else [])
        handler = last[-1] if last else None
        code = getattr(getattr(handler, "__func__", handler), "__code__", None)
        return (code.co_filename, code.co_firstlineno) if code else ("", 0)

    def whole(self, name: str, value: object, least: int = 0) -> int:
        """Return an answer that must be a whole number."""
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            self._bad_value(name, value, f"an int, {least} or more")
        return value

    def truth(self, name: str, value: object) -> bool:
        """Return an answer that must be True or False."""
        if not isinstance(value, bool):
            self._bad_value(name, value, "True or False")
        return value

    def timeout_ps(self, step: Step, usual_ps: int) -> int:
        """Return the time-out of a step's call."""
        if step.timeout_ps is not None and step.timeout_ps != NEVER_PS:
            return step.timeout_ps
        limit_ps = self._bench.scenario.limits.call_ps
        return usual_ps + _PATIENCE_PS if limit_ps is None else limit_ps

    # steps that all have

    def play(self, step: Step) -> None:
        """Play one step and note how it went."""
        if step.action not in self.UNOPENED and not self.is_open:
            self.play(Step("open", row=step.row))
        note = StepNote(step.action, self._clock.now_ps, "did not finish", step.row)
        self._bench.notes.append(note)
        note.text = self.played(step)

    def played(self, step: Step) -> str:
        """Play one step and say in a few words how it went."""
        return self.players[step.action](step)

    def open(self) -> str:
        """Open the device."""
        self._opened_ps = self._clock.now_ps
        self._bench.armed.start(self._clock.now_ps)
        self._insisted("open", self.open_call, OPEN_BOUND_PS)
        self.is_open, self.failed = True, False
        self.opened()
        return self.name

    def _close(self, _step: Step) -> str:
        if not self.is_open:
            return f"{self.name} was closed already"
        self.finish()
        start_ps = self._used_ps()
        if self._insisted("close", self._driver.close, OPEN_BOUND_PS) == 1:
            self._check_time("close", self._used_ps() - start_ps, _CALL_BOUND_PS)
        self.is_open = False
        self._watch_silence(_SETTLING_PS)
        return self.name

    def _reopen(self, step: Step) -> str:
        if self.is_open:
            self._close(step)
        return self.open()

    def _wait(self, step: Step) -> str:
        self._board.cpu.sleep(step.duration_ps / PS_PER_S)
        return f"away for {show_duration(step.duration_ps)}"

    def _work(self, step: Step) -> str:
        self._board.cpu.work(step.cycles)
        return f"{step.cycles} cycles"
