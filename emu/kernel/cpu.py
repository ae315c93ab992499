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

from collections.abc import Callable
from typing import NoReturn

from emu.errors import AccessError, RunEnded
from emu.kernel.clock import NEVER_PS, PS_PER_S, Clock
from emu.kernel.interrupts import Handler, InterruptLine, Interrupts
from emu.kernel.journal import Journal
from emu.kernel.where import driver_place

__all__ = ["CONNECT", "DISCONNECT", "ENTER", "EXIT", "MASK", "SLEEP", "UNMASK", "Cpu"]

ENTER, EXIT, MASK, UNMASK, SLEEP, CONNECT, DISCONNECT = range(7)  # `what` of a cpu entry

STORM_ENTRIES = 1000
HEARTBEAT_PS = 10 * 10**9  # 10 ms: how often a busy processor is looked at
_NO_PRIORITY = -1


class _Masked:
    """Keep interrupts masked inside a ``with`` block; blocks may nest."""

    __slots__ = ("_cpu",)

    def __init__(self, cpu: Cpu) -> None:
        self._cpu = cpu

    def __enter__(self) -> None:
        self._cpu.mask()

    def __exit__(self, *_: object) -> None:
        self._cpu.unmask()


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
        on_exit: called with the line after each of its handlers has returned.
        on_mask: called with 1 when interrupts become masked, 0 when they become unmasked.
        on_connect: called with the line and whether it was connected (or disconnected).
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
        self.on_exit: list[Callable[[InterruptLine], None]] = []
        self.on_mask: list[Callable[[int], None]] = []
        self.on_connect: list[Callable[[InterruptLine, bool], None]] = []
        self.limit_ps = NEVER_PS
        self.overdue_ps = NEVER_PS
        self.overdue: Callable[[], RunEnded] | None = None
        self._who = journal.source("cpu", "cpu")
        self._masks = 0
        self._held = 0
        self._priority = _NO_PRIORITY
        self._masked_block = _Masked(self)
        self._ended: RunEnded | None = None
        self._heartbeat_ps = HEARTBEAT_PS
        self._seen: tuple[int, ...] = ()
        self._times = 0
        self._settled: Callable[[], tuple[int, ...]] = lambda: ()
        clock.set_alarm(self._heartbeat_ps)

    # what drivers call

    def connect(self, irq: int, handler: Handler) -> None:
        """Let `handler`, which takes no arguments, serve interrupt line `irq` from now on.

        A line that is already pending is served at once if interrupts are unmasked.

        Raises:
            AccessError: no such line, or it has a handler and is not shared.
        """
        line = self.interrupts.line(irq)
        if line.handlers and not line.shared:
            raise AccessError(
                f"interrupt line {irq} has a handler already",
                where="cpu.connect",
                fix="disconnect it first, or declare the line shared in the board",
            )
        line.handlers = [*line.handlers, handler]
        self._note(CONNECT, irq)
        for observer in self.on_connect:
            observer(line, True)
        self.interrupts.refresh()
        self._attend_now()

    def disconnect(self, irq: int, handler: Handler | None = None) -> None:
        """Take the handler off interrupt line `irq`; on a shared line name the one to take off.

        Raises:
            AccessError: no such line, or nothing (or not this handler) is connected.
        """
        line = self.interrupts.line(irq)
        if not line.handlers or (handler is not None and handler not in line.handlers):
            raise AccessError(f"interrupt line {irq} has no such handler", where="cpu.disconnect")
        gone = line.handlers[-1] if handler is None else handler
        line.handlers = [one for one in line.handlers if one != gone]
        self._note(DISCONNECT, irq)
        for observer in self.on_connect:
            observer(line, False)
        self.interrupts.refresh()

    def interrupts_masked(self) -> _Masked:
        """Return a context manager inside which no handler runs; blocks may nest."""
        return self._masked_block

    def wait_for_interrupt(self, timeout: float | None = None) -> bool:
        """Sleep until an interrupt is pending, even a masked one, or `timeout` seconds are over.

        Returns:
            Whether an interrupt ended the sleep. Its handler has run, unless interrupts are masked.

        Raises:
            AccessError: the time-out is negative.
        """
        deadline_ps = NEVER_PS if timeout is None else self._clock.now_ps + _to_ps(timeout)
        self._note(SLEEP, 0)
        interrupts = self.interrupts
        while interrupts.best is None and self._clock.now_ps < deadline_ps:
            self._doze(deadline_ps)
        woken = interrupts.best is not None
        self._attend_now()
        return woken

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass; handlers run meanwhile.

        Raises:
            AccessError: `seconds` is negative.
        """
        deadline_ps = self._clock.now_ps + _to_ps(seconds)
        self._note(SLEEP, 0)
        while self._clock.now_ps < deadline_ps:
            self._doze(deadline_ps)
            self._attend_now()

    def work(self, cycles: int) -> None:
        """Compute for `cycles` of the processor's clock; handlers interrupt and lengthen it.

        Raises:
            AccessError: `cycles` is negative.
        """
        if cycles < 0:
            raise AccessError(f"cycles={cycles!r}", where="cpu.work", allowed="0 or more")
        left_ps = cycles * PS_PER_S // self.clock_hz
        while left_ps > 0:
            start_ps = self._clock.now_ps
            stop_ps = min(start_ps + left_ps, max(self._clock.due_ps, start_ps + 1))
            left_ps -= stop_ps - start_ps
            self.attend(stop_ps)

    def time(self) -> float:
        """Return the simulated time in seconds; reading it costs about an access."""
        self._times += 1
        if not self.depth:
            self.polled_ps += self._time_ps
        self._pass(self._time_ps)
        return self._clock.now_ps / PS_PER_S

    def raise_interrupt(self, irq: int) -> None:
        """Raise interrupt line `irq` by software; it is served once when unmasked.

        Raises:
            AccessError: the board has no such line.
        """
        self.interrupts.line(irq).latch()
        self._pass(self._time_ps)

    # what the bus, the runner and the watchdog call

    def attend(self, now_ps: int) -> None:
        """Run what is due by `now_ps`, then serve interrupts; called by every bench call."""
        now_ps = self._clock.run_until(now_ps)
        if now_ps >= self._clock.alarm_ps:
            self._look_at_run(now_ps)
        if not self._masks and self.interrupts.best is not None:
            self._serve_all()

    def mask(self) -> None:
        """Mask interrupts once more."""
        self._masks += 1
        if self._masks == 1:
            self._note(MASK, 0)
            for observer in self.on_mask:
                observer(1)

    def unmask(self) -> None:
        """Undo one `mask`; pending interrupts are served when the last is undone."""
        self._masks -= 1
        if not self._masks:
            self._note(UNMASK, 0)
            for observer in self.on_mask:
                observer(0)
            if self._ended is None:
                self._attend_now()

    def hold_interrupts(self, until_ps: int) -> None:
        """Keep interrupts masked from outside until `until_ps`, as other code on the core may."""
        self._masks += 1

        def release() -> None:
            self._masks -= 1
            self._look_up()

        self._clock.schedule(until_ps, release)

    def guard(self, at_ps: int, ended: Callable[[], RunEnded] | None) -> None:
        """End the run with ``ended()`` if it is still going at `at_ps`; None lifts the guard."""
        self.overdue_ps = at_ps if ended is not None else NEVER_PS
        self.overdue = ended
        self._set_alarm()

    def set_limit(self, at_ps: int) -> None:
        """End the run at `at_ps` whatever it is doing."""
        self.limit_ps = at_ps
        self._set_alarm()

    def end(self, ended: RunEnded) -> NoReturn:
        """End the run: raise `ended` now, and again at every further bench call.

        Raises:
            RunEnded: always.
        """
        if not ended.file:
            ended.file, ended.line = driver_place()
        self._ended = ended
        self._clock.set_alarm(0)
        raise ended

    def watch_progress(self, settled: Callable[[], tuple[int, ...]]) -> None:
        """Use ``settled()`` to tell whether anything but equal reads happened since last asked."""
        self._settled = settled

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

    def _attend_now(self) -> None:
        self.attend(self._clock.now_ps)

    def _doze(self, deadline_ps: int) -> None:
        """Sleep until the next hardware event, alarm or deadline."""
        clock = self._clock
        start_ps = clock.now_ps
        next_ps = clock.next_event_ps
        if next_ps == NEVER_PS and deadline_ps == NEVER_PS:
            self.end(
                RunEnded(
                    "asleep-for-ever",
                    "the processor sleeps and nothing is scheduled that could wake it",
                )
            )
        stop_ps = max(start_ps, min(next_ps, deadline_ps, self._guard_ps()))
        stalled_ps = clock.stalled_ps
        reached_ps = clock.run_until(stop_ps)
        if not self.depth:
            self.idle_ps += reached_ps - start_ps - (clock.stalled_ps - stalled_ps)
        if reached_ps >= clock.alarm_ps:
            self._look_at_run(reached_ps)

    def _serve_all(self) -> None:
        """Serve pending interrupts, best first, until none is left that may be served."""
        row = 0
        served: InterruptLine | None = None
        while not self._masks:
            line = self.interrupts.best
            if line is None or line.priority <= self._priority:
                return
            row = row + 1 if line is served else 1
            served = line
            if row > STORM_ENTRIES:
                self._end_storm(line)
            self._serve(line)

    def _serve(self, line: InterruptLine) -> None:
        self._journal.settle()
        clock = self._clock
        start_ps, stalled_ps, idle_ps = clock.now_ps, clock.stalled_ps, self.idle_ps
        self._note(ENTER, line.number)
        self.entries += 1
        outer = self._priority
        self._priority = line.priority
        self._masks += not self.nesting
        self.depth += 1
        self.interrupts.taken(line)
        try:
            self._pass(self._entry_ps)
            for handler in line.handlers:
                handler()
            self._journal.settle()
            for observer in self.on_exit:
                observer(line)
            self._pass(self._exit_ps)
        finally:
            self.depth -= 1
            self._masks -= not self.nesting
            self._priority = outer
            if not self.depth:
                self.handler_ps += (
                    clock.now_ps - start_ps - (clock.stalled_ps - stalled_ps)
                    - (self.idle_ps - idle_ps)
                )  # fmt: skip
            self._note(EXIT, line.number)
        self.interrupts.refresh()

    def _end_storm(self, line: InterruptLine) -> None:
        handler = line.handlers[0]
        code = getattr(getattr(handler, "__func__", handler), "__code__", None)
        self.end(
            RunEnded(
                "interrupt-storm",
                f"the handler of interrupt {line.number} ({line.name}) returned "
                f"{STORM_ENTRIES} times in a row with the line still asserted",
                file=code.co_filename if code else "",
                line=code.co_firstlineno if code else 0,
            )
        )

    def _guard_ps(self) -> int:
        return min(self.limit_ps, self.overdue_ps)

    def _set_alarm(self) -> None:
        if self._ended is None:
            self._clock.set_alarm(min(self._heartbeat_ps, self._guard_ps()))

    def _look_at_run(self, now_ps: int) -> None:
        """Decide whether the run goes on; called at the alarm."""
        if self._ended is not None:
            raise self._ended
        if now_ps >= self.overdue_ps and self.overdue is not None:
            self.end(self.overdue())
        if now_ps >= self.limit_ps:
            self.end(
                RunEnded("time-limit", f"the run reached its limit of {now_ps / PS_PER_S:g} s")
            )
        if now_ps >= self._heartbeat_ps:
            self._heartbeat_ps = now_ps + HEARTBEAT_PS
            self._look_for_endless_poll()
        self._set_alarm()

    def _look_for_endless_poll(self) -> None:
        """End the run if nothing but equal reads happened and nothing is scheduled."""
        seen = (*self._settled(), self._times, self.entries, self._clock.events, self.idle_ps)
        if seen == self._seen and self._clock.next_event_ps == NEVER_PS:
            self.end(
                RunEnded(
                    "endless-poll",
                    "the driver reads the same register over and over, and nothing is scheduled "
                    "that could change it",
                )
            )
        self._seen = seen


def _to_ps(seconds: float) -> int:
    """Return a driver's time-out in ps.

    Raises:
        AccessError: it is negative or not a number.
    """
    if not seconds >= 0:
        raise AccessError(f"time of {seconds!r} s", where="cpu", allowed="0 or more seconds")
    return min(round(seconds * PS_PER_S), NEVER_PS >> 1)
