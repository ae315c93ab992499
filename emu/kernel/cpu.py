"""The processor that runs the driver: time passes, interrupts come, and nothing hangs.

Simulated time passes only in bench calls: register accesses, `time`, `work`, `sleep` and
`wait_for_interrupt`. At the end of each the processor looks up (`attend`): hardware events that
are due run, then interrupts are served while they are unmasked. Handlers are ordinary calls nested
in the bench call of the main code, so they can never run between two of its Python statements
that do not touch the bench, just as they could on a core where those cost no time.

A run ends in words instead of hanging when the processor sleeps with nothing to wake it, polls a
register that nothing can change, or is kept in a handler for ever; the fourth way, spinning
without touching the bench, is for `emu.kernel.watchdog`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from types import FrameType
from typing import NoReturn

from emu.errors import AccessError, RunEnded
from emu.kernel.callers import driver_frames, loop_place
from emu.kernel.clock import NEVER_PS, PS_PER_S, Clock, Wanted
from emu.kernel.interrupts import Handler, InterruptLine, Interrupts
from emu.kernel.journal import Journal
from emu.kernel.masked import Masked
from emu.kernel.storm import Row, Storms
from emu.kernel.where import driver_place

__all__ = ["CONNECT", "DISCONNECT", "ENTER", "EXIT", "MASK", "SLEEP", "UNMASK", "Cpu"]

ENTER, EXIT, MASK, UNMASK, SLEEP, CONNECT, DISCONNECT = range(7)  # `what` of a cpu entry

LONGEST_HANDLER_PS = 300 * 10**9  # 300 ms, far more than any handler may take
HEARTBEAT_PS = 10 * 10**9  # 10 ms: how often a busy processor is looked at
_ROUNDS = 64  # calls of the bench after which a loop has been gone round
ENDLESS_POLLS = 200_000  # a loop that counts its turns gives up before; time to call it endless
_NO_PRIORITY = -1
_LONGEST_S = 10**8  # three years, and beyond NEVER_PS


class _Servable:
    """Want the processor only for a line that it would serve now."""

    __slots__ = ("_cpu",)

    def __init__(self, cpu: Cpu) -> None:
        self._cpu = cpu

    @property
    def best(self) -> InterruptLine | None:
        """The line to serve, None when there is none or it has to wait."""
        return self._cpu.servable


class Cpu:
    """Run main code and handlers in simulated time.

    Args:
        clock: the clock of the board.
        journal: where entries and exits of handlers are noted.
        clock_hz: the processor's clock.
        entry_cycles: cost of entering a handler.
        exit_cycles: cost of leaving it.
        time_cycles: cost of reading `time`.
        nesting: whether a line of higher priority may interrupt a handler.

    Attributes:
        depth: how many handlers are running, one inside the other.
        handler_ps, idle_ps, polled_ps: where time went; the rest is main work.
        interrupts: the lines.
        name_offset: returns the register at an offset of a window, for messages.
        on_enter: called with the line before its handlers run.
        on_exit: called with the line after each of its handlers has returned.
        on_mask: called when the driver has masked interrupts.
        on_unmask: called when it has undone all its masks.
        own_masks: how many masks by the driver are not undone yet.
        on_connect: called with the line and whether it was connected (or disconnected).
        on_sleep: called with the seconds asked for, and whether an interrupt ends the sleep.
        on_time: called when the time is told.
        storms: judges handlers that leave their line asserted again and again.
    """

    def __init__(
        self,
        clock: Clock,
        journal: Journal,
        *,
        clock_hz: int = 50_000_000,
        entry_cycles: int = 20,
        exit_cycles: int = 15,
        time_cycles: int = 10,
        nesting: bool = False,
    ) -> None:
        self._clock = clock
        self._journal = journal
        self.clock_hz = clock_hz
        self.nesting = nesting
        self._entry_ps = entry_cycles * PS_PER_S // clock_hz
        self._exit_ps = exit_cycles * PS_PER_S // clock_hz
        self._time_ps = time_cycles * PS_PER_S // clock_hz
        self.interrupts = Interrupts(clock, self._look_up)
        self.depth = 0
        self.handler_ps = 0
        self.idle_ps = 0
        self.polled_ps = 0
        self.entries = 0
        self.name_offset: Callable[[str, int], str] = lambda name, at: f"{name}[{at:#x}]"
        self.on_enter: list[Callable[[InterruptLine], None]] = []
        self.on_exit: list[Callable[[InterruptLine], None]] = []
        self.on_mask: list[Callable[[], None]] = []
        self.on_unmask: list[Callable[[], None]] = []
        self.on_connect: list[Callable[[InterruptLine, bool], None]] = []
        self.on_sleep: list[Callable[[float, bool], None]] = []
        self.on_time: list[Callable[[], None]] = []
        self.storms = Storms(clock)
        self.limit_ps = NEVER_PS
        self.overdue_ps = NEVER_PS
        self._guard_ps = NEVER_PS  # the earlier of both
        self.overdue: Callable[[], RunEnded | None] | None = None
        self._who = journal.source("cpu", "cpu")
        self._masks = 0
        self.own_masks = 0
        self._priority = _NO_PRIORITY
        self._entered_ps = 0
        self._entered_stalled_ps = 0
        self._masked_block = Masked(self)
        self._servable = _Servable(self)
        self._ended: RunEnded | None = None
        self._ending: RunEnded | None = None
        self._rounds: list[list[tuple[FrameType, int]]] = []
        self._heartbeat_ps = HEARTBEAT_PS
        self._seen: tuple[object, ...] = ()
        self._seen_ps = 0
        self._patience_ps = max(ENDLESS_POLLS * self._time_ps, HEARTBEAT_PS)
        self._times = 0
        self._settled: Callable[[], tuple[object, ...]] = lambda: ()
        clock.set_alarm(self._heartbeat_ps)

    # what drivers call

    def connect(self, irq: int, handler: Handler) -> None:
        """Let `handler`, which takes no arguments, serve interrupt line `irq` from now on.

        A line that is already pending is served at once if interrupts are unmasked.

        Raises:
            AccessError: no such line, or it has a handler and is not shared, or it leads to an
                interrupt controller.
        """
        self._check_ended()
        line = self.interrupts.line(irq)
        line.check_reached()
        line.check(handler)
        line.handlers = [*line.handlers, handler]
        self.note_connected(line, connected=True)
        self.interrupts.update(line)
        self._attend_now()

    def disconnect(self, irq: int, handler: Handler | None = None) -> None:
        """Take the handler off interrupt line `irq`; on a shared line name the one to take off.

        Raises:
            AccessError: no such line, or nothing (or not this handler) is connected, or several
                are and none is named.
        """
        self._check_ended()
        line = self.interrupts.line(irq)
        gone = line.leaving(handler)
        line.handlers = [one for one in line.handlers if one != gone]
        self.note_connected(line, connected=False)
        self.interrupts.update(line)

    def interrupts_masked(self) -> Masked:
        """Return a context manager inside which no handler runs; blocks may nest."""
        return self._masked_block

    def wait_for_interrupt(self, timeout: float | None = None) -> bool:
        """Sleep until an interrupt is pending, even a masked one, or `timeout` seconds are over.

        Returns:
            Whether an interrupt ended the sleep. Its handler has run, unless interrupts are masked.

        Raises:
            AccessError: the time-out is negative.
        """
        seconds = math.inf if timeout is None else timeout
        deadline_ps = self._deadline_ps(seconds)
        clock, interrupts = self._clock, self.interrupts
        start_ps = clock.now_ps
        self._journal.append((start_ps, self._who, SLEEP, 0))
        for observer in self.on_sleep:
            observer(seconds, True)
        while interrupts.best is None and clock.now_ps < deadline_ps:
            self._doze(deadline_ps, interrupts)
        woken = interrupts.best is not None
        if not self._masks:
            self._attend_now()
        if clock.now_ps == start_ps:
            self._pass(self._time_ps)  # masked and pending: even a sleep that never was takes time
        return woken

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass; handlers run meanwhile.

        Raises:
            AccessError: `seconds` is negative.
        """
        deadline_ps = self._deadline_ps(seconds)
        self._note(SLEEP, 0)
        for observer in self.on_sleep:
            observer(seconds, False)
        self._attend_now()
        while self._clock.now_ps < deadline_ps:
            self._doze(deadline_ps, self._servable)
            self._attend_now()

    def work(self, cycles: int) -> None:
        """Compute for `cycles` of the processor's clock; handlers interrupt and lengthen it.

        Raises:
            AccessError: `cycles` is negative.
        """
        if not isinstance(cycles, int) or cycles < 0:
            raise AccessError(
                f"cycles={cycles!r} ({type(cycles).__name__})",
                where="cpu.work",
                allowed="a whole number, 0 or more",
            )
        self._check_ended()
        left_ps = cycles * PS_PER_S // self.clock_hz
        while left_ps > 0:
            start_ps = self._clock.now_ps
            stop_ps = min(start_ps + left_ps, max(self._clock.due_ps, start_ps + 1))
            left_ps -= stop_ps - start_ps
            if left_ps > HEARTBEAT_PS:
                self._seen = ()  # computing for long is no busy-wait loop
            self.attend(stop_ps)
        if cycles * PS_PER_S // self.clock_hz > HEARTBEAT_PS:
            self._seen = ()

    def time(self) -> float:
        """Return the simulated time in seconds; reading it costs about an access."""
        self._times += 1
        if not self.depth:
            self.polled_ps += self._time_ps
        self._pass(self._time_ps)
        for observer in self.on_time:
            observer()
        return self._clock.now_ps / PS_PER_S

    def raise_interrupt(self, irq: int) -> None:
        """Raise interrupt line `irq` by software; it is served once when unmasked.

        Raises:
            AccessError: the board has no such line.
        """
        self.interrupts.line(irq).latch()
        self._pass(self._time_ps)

    # what the bus, the runner and the watchdog call

    def note_connected(self, line: InterruptLine, *, connected: bool) -> None:
        """Note that a handler was connected to a line, or disconnected."""
        self._note(CONNECT if connected else DISCONNECT, line.number)
        for observer in self.on_connect:
            observer(line, connected)

    def attend(self, now_ps: int) -> None:
        """Run what is due by `now_ps`, then serve interrupts; called by every bench call."""
        now_ps = self._clock.run_until(now_ps)
        if now_ps >= self._clock.alarm_ps:
            self._look_at_run(now_ps)
        if not self._masks and self.interrupts.best is not None:
            self._serve_all()

    def mask(self) -> None:
        """Mask interrupts once more; masks by the driver count apart from those from outside."""
        if self._ended is not None:
            self._check_ended()
        self._masks += 1
        self.own_masks += 1
        if self.own_masks == 1:
            self._journal.append((self._clock.now_ps, self._who, MASK, 0))
            for observer in self.on_mask:
                observer()

    def unmask(self) -> None:
        """Undo one `mask`; pending interrupts are served when the last is undone."""
        self._masks -= 1
        self.own_masks -= 1
        if not self.own_masks:
            self._journal.append((self._clock.now_ps, self._who, UNMASK, 0))
            for observer in self.on_unmask:
                observer()
            if self._ended is not None:
                return
            if self._clock.now_ps >= self._clock.due_ps:
                self._attend_now()
            elif not self._masks and self.interrupts.best is not None:
                self._serve_all()

    def hold_interrupts(self, until_ps: int) -> None:
        """Keep interrupts masked from outside until `until_ps`, as other code on the core may.

        Raises:
            AccessError: `until_ps` lies in the past.
        """

        def release() -> None:
            self._masks -= 1
            self._look_up()

        self._clock.schedule(until_ps, release)
        self._masks += 1

    def guard(self, at_ps: int, ended: Callable[[], RunEnded | None] | None) -> None:
        """End the run with ``ended()`` if it is still going at `at_ps`; None lifts the guard.

        An ``ended()`` that returns None must have set another guard.
        """
        self.overdue_ps = at_ps if ended is not None else NEVER_PS
        self.overdue = ended
        self._ending = None
        self._set_alarm()

    def set_limit(self, at_ps: int) -> None:
        """End the run at `at_ps` whatever it is doing."""
        self.limit_ps = at_ps
        self._set_alarm()

    def move_bounds(self, span_ps: int) -> None:
        """Let a call and the run take `span_ps` longer, since the processor was held so long."""
        if self.overdue is not None:
            self.overdue_ps += span_ps
        self.limit_ps += span_ps
        self._set_alarm()

    def end(self, ended: RunEnded) -> NoReturn:
        """End the run: raise `ended` now, and again at every further bench call.

        Raises:
            RunEnded: always; what ended the run first, if it had ended already.
        """
        if self._ended is None:
            if not ended.file:
                ended.file, ended.line = driver_place()
            self._ended = ended
            self._clock.set_alarm(0)
        raise self._ended.with_traceback(None)  # each raise would make the last one's longer

    def restart(self) -> None:
        """Begin anew after a reset of the board has ended the run: unmasked, without handlers."""
        self._ended = self._ending = None
        self._masks -= self.own_masks
        self.own_masks = 0
        self._clock.abandon()
        for line in self.interrupts.lines.values():
            line.handlers, line.latched = [], False
            self.interrupts.update(line)
        self._set_alarm()

    def watch_progress(self, settled: Callable[[], tuple[object, ...]]) -> None:
        """See polling by ``settled()``, equal as long as nothing but the same reads goes on."""
        self._settled = settled

    @property
    def servable(self) -> InterruptLine | None:
        """The line whose handler would run now; None when masked, or when nothing is pending."""
        line = self.interrupts.best
        if line is None or self._masks or line.priority <= self._priority:
            return None
        return line

    @property
    def ended(self) -> RunEnded | None:
        """What ended the run, None while it goes on."""
        return self._ended

    @property
    def masked(self) -> bool:
        """Whether interrupts are masked by the driver, a handler or from outside."""
        return self._masks > 0

    @property
    def main_ps(self) -> int:
        """Time spent in main code other than polling."""
        return (
            self._clock.now_ps - self.handler_ps - self.idle_ps - self.polled_ps
            - self._clock.stalled_ps
        )  # fmt: skip

    # inside

    def _note(self, what: int, value: int) -> None:
        self._journal.append((self._clock.now_ps, self._who, what, value))

    def _look_up(self) -> None:
        """Make the next bench call attend, since an interrupt can be served."""
        if not self._masks:
            self._clock.due_ps = 0

    def _pass(self, cost_ps: int) -> None:
        clock = self._clock
        clock.now_ps = now_ps = clock.now_ps + cost_ps
        if now_ps >= clock.due_ps:
            self.attend(now_ps)

    def _deadline_ps(self, seconds: float) -> int:
        """Return when a driver's time-out that starts now is over, `NEVER_PS` if never.

        Raises:
            AccessError: it is negative or not a number.
        """
        try:
            if seconds >= 0:
                length_ps = round(min(seconds, _LONGEST_S) * PS_PER_S)
                return min(self._clock.now_ps + length_ps, NEVER_PS)
        except TypeError:
            pass
        raise AccessError(
            f"a time of {seconds!r} ({type(seconds).__name__})", where="cpu",
            allowed="0 or more seconds",
        )  # fmt: skip

    def _attend_now(self) -> None:
        self.attend(self._clock.now_ps)

    def _doze(self, deadline_ps: int, wanted: Wanted) -> None:
        """Sleep until `wanted` wants the processor, or the deadline or a bound of the run."""
        clock = self._clock
        start_ps, stalled_ps = clock.now_ps, clock.stalled_ps
        if deadline_ps == NEVER_PS and clock.next_event_ps == NEVER_PS:
            self.end(
                RunEnded(
                    "asleep-for-ever",
                    "the processor sleeps and nothing is scheduled that could wake it",
                )
            )
        stop_ps = max(start_ps, min(deadline_ps, self._guard_ps))
        try:
            reached_ps = clock.run_until_wanted(stop_ps, wanted, wait=deadline_ps != NEVER_PS)
        finally:  # a reset of the board ends a sleep, which was one all the same
            if not self.depth:
                self.idle_ps += clock.now_ps - start_ps - (clock.stalled_ps - stalled_ps)
        if reached_ps >= clock.alarm_ps:
            self._look_at_run(reached_ps)

    def _serve_all(self) -> None:
        """Serve pending interrupts, best first, until none is left that may be served."""
        row: Row | None = None
        while not self._masks:
            line = self.interrupts.best
            if line is None or line.priority <= self._priority:
                break
            events, start_ps = self._clock.events, self._clock.now_ps
            if self._serve(line):
                row = row or Row(line, start_ps)
                ended = self.storms.note(row, line, eventful=events != self._clock.events)
                if ended is not None:
                    self.end(ended)
            elif row is not None:
                self.storms.over(row)
                row = None
        if row is not None:
            self.storms.over(row)

    def _serve(self, line: InterruptLine) -> bool:  # noqa: C901, PLR0912 - the hot path of interrupts
        """Run the handlers of `line` and return whether it still asked when they returned."""
        clock, journal = self._clock, self._journal
        if journal.open_rows:
            journal.settle()
        start_ps, stalled_ps, idle_ps = clock.now_ps, clock.stalled_ps, self.idle_ps
        journal.append((start_ps, self._who, ENTER, line.number))
        self.entries += 1
        outer = self._priority
        self._priority = line.priority
        masks = not self.nesting
        self._masks += masks
        if not self.depth:
            self._entered_ps, self._entered_stalled_ps = start_ps, stalled_ps
        self.depth += 1
        if line.latched or line.moderation_ps:
            self.interrupts.taken(line)
        else:
            line.deliveries += 1  # all that there is to do for most
        try:
            for observer in self.on_enter:
                observer(line)
            clock.now_ps = now_ps = start_ps + self._entry_ps
            if now_ps >= clock.due_ps:
                self.attend(now_ps)
            for handler in line.handlers:
                handler()
            pending = line.latched or (bool(line.asserted) and not line.edge)
            if journal.open_rows:
                journal.settle()
            for observer in self.on_exit:
                observer(line)
            clock.now_ps = now_ps = clock.now_ps + self._exit_ps
            if now_ps >= clock.due_ps:
                self.attend(now_ps)
        finally:
            if journal.open_rows:
                journal.settle()  # reads before a handler raised are the handler's
            self.depth -= 1
            self._masks -= masks
            self._priority = outer
            if not self.depth:
                self.handler_ps += (
                    clock.now_ps - start_ps - (clock.stalled_ps - stalled_ps)
                    - (self.idle_ps - idle_ps)
                )  # fmt: skip
            journal.append((clock.now_ps, self._who, EXIT, line.number))
        return pending

    def _check_ended(self) -> None:
        """Raise again what ended the run."""
        if self._ended is not None:
            raise self._ended.with_traceback(None)

    def _set_alarm(self) -> None:
        self._guard_ps = min(self.limit_ps, self.overdue_ps)
        if self._ended is None:
            at_ps = 0 if self._ending else min(self._heartbeat_ps, self._guard_ps)
            self._clock.set_alarm(at_ps)

    def _end_loop(self, ended: RunEnded) -> None:
        """End the run as soon as it is known which loop the driver is in, some calls later."""
        if self._ending is None:
            self._ending, self._rounds = ended, []

    def _go_round(self, ended: RunEnded) -> None:
        """Note where the driver is; once it has been round often enough, say where the loop is."""
        self._rounds.append([(frame, frame.f_lineno) for frame in driver_frames()])
        if len(self._rounds) >= _ROUNDS:
            ended.file, ended.line = loop_place(self._rounds)
            self._ending, self._rounds = None, []
            self.end(ended)

    def _look_at_run(self, now_ps: int) -> None:
        """Decide whether the run goes on; called at the alarm."""
        self._check_ended()
        if self._ending is not None:
            self._go_round(self._ending)
        elif now_ps >= self.overdue_ps and self.overdue is not None:
            ended = self.overdue()
            if ended is not None:
                self._end_loop(ended)
        if now_ps >= self.limit_ps:
            self.end(
                RunEnded("time-limit", f"the run reached its limit of {now_ps / PS_PER_S:g} s")
            )
        if now_ps >= self._heartbeat_ps:
            self._heartbeat_ps = now_ps + HEARTBEAT_PS
            self._look_for_endless_handler(now_ps)
            self._look_for_endless_poll()
        self._set_alarm()

    def _look_for_endless_handler(self, now_ps: int) -> None:
        """End the run if a handler has not returned for longer than any handler may take."""
        ran_ps = now_ps - self._entered_ps - (self._clock.stalled_ps - self._entered_stalled_ps)
        if self.depth and ran_ps > LONGEST_HANDLER_PS:
            self._end_loop(
                RunEnded(
                    "endless-handler",
                    f"a handler has been running for {ran_ps / PS_PER_S:.3g} s and nothing else "
                    "gets the processor",
                )
            )

    def _look_for_endless_poll(self) -> None:
        """End the run if the same reads go on and on, and nothing is scheduled."""
        clock = self._clock
        guarded = self.overdue is not None and not self.depth  # the call has a bound of its own
        if guarded or clock.next_event_ps != NEVER_PS:
            self._seen = ()
            self._seen_ps = clock.now_ps
            return
        seen = (*self._settled(), self._times, self.entries, clock.events, self.idle_ps)
        if seen != self._seen:
            self._seen = seen
            self._seen_ps = clock.now_ps
        elif clock.now_ps - self._seen_ps >= self._patience_ps:
            self._end_loop(
                RunEnded(
                    "endless-poll",
                    f"the driver reads {self.last_read()} over and over, and nothing is scheduled "
                    "that could change it",
                )
            )

    def last_read(self) -> str:
        """Return what was read last and its value, in words; ``""`` if nothing is on the tape."""
        for entry in reversed(self._journal.entries):
            source = self._journal.sources[entry[1]]
            if source.kind == "read" and entry[2] >= 0:
                return f"{self.name_offset(source.name, entry[2])} as {entry[3]:#x}"
        return ""
