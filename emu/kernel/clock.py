"""Simulated time: one queue of due actions, ordered by (time, serial number).

Time is an integer count of picoseconds and never a float, so that the same run gives the same
record on every machine. A device with a clock of its own computes its n-th tick from n, and so
accumulates no error. The clock knows nothing of the processor
beyond two numbers it offers it: `due_ps`, the moment at which somebody wants attention, and an
alarm that the processor may set for itself.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from typing import Protocol

from emu.errors import AccessError

__all__ = ["NEVER_PS", "PS_PER_S", "Clock", "Timer", "Wanted"]

PS_PER_S = 10**12
NEVER_PS = 1 << 62  # 53 days of simulated time, and still a fast integer

Action = Callable[[], None]

_NOT_RUNNING = -1


class Wanted(Protocol):
    """Whoever may want the processor, such as its interrupt lines."""

    @property
    def best(self) -> object | None:
        """What wants it most, None when nothing does."""


class Clock:
    """Run actions in the order of their simulated time, and at one time in the order scheduled.

    Attributes:
        now_ps: the current time.
        due_ps: the earliest moment at which an action or the alarm is due; the access path of
            the bus compares against this one number and nothing else.
        stalled_ps: time the processor was frozen by `hold`.
        events: how many actions have run.

    >>> clock = Clock()
    >>> clock.schedule(500, lambda: print("at", clock.now_ps))
    >>> clock.run_until(1000)
    at 500
    1000
    """

    __slots__ = ("_alarm_ps", "_frozen_ps", "_held_ps", "_lines", "_queue", "_serial", "_target_ps",
                 "due_ps", "events", "now_ps", "stalled_ps")  # fmt: skip

    def __init__(self) -> None:
        self.now_ps = 0
        self.due_ps = NEVER_PS
        self.stalled_ps = 0
        self.events = 0
        self._alarm_ps = NEVER_PS
        self._queue: list[tuple[int, int, Action]] = []
        self._serial = 0
        self._target_ps = _NOT_RUNNING
        self._held_ps = 0
        self._frozen_ps = (0, 0)  # from and until of the last `hold`, where the time was free
        self._lines: Wanted | None = None

    def schedule(self, at_ps: int, action: Action) -> None:
        """Run `action` at `at_ps`, which must not lie in the past.

        Raises:
            AccessError: `at_ps` is before the current time.
        """
        if at_ps < self.now_ps:
            raise AccessError(
                f"event at {at_ps} ps lies in the past", allowed=f"{self.now_ps} ps or later"
            )
        self._serial = serial = self._serial + 1
        heappush(self._queue, (at_ps, serial, action))
        if at_ps < self.due_ps:  # noqa: PLR1730 - the hot path: half the time of min()
            self.due_ps = at_ps

    @property
    def next_event_ps(self) -> int:
        """The time of the earliest scheduled action, or `NEVER_PS` when there is none."""
        return self._queue[0][0] if self._queue else NEVER_PS

    @property
    def alarm_ps(self) -> int:
        """When the processor wants to look up at the latest; not an event of the hardware."""
        return self._alarm_ps

    def set_alarm(self, at_ps: int) -> None:
        """Ask for attention at `at_ps` at the latest; a time in the past means at once."""
        self._alarm_ps = at_ps
        self._refresh()

    def run_until(self, target_ps: int) -> int:
        """Run everything due up to `target_ps` and return the time reached.

        The time reached is later than `target_ps` when an action froze the processor by `hold`.
        """
        queue = self._queue
        self._target_ps = target_ps
        while queue and queue[0][0] <= self._target_ps:
            self.now_ps, _, action = heappop(queue)
            self.events += 1
            action()
        self.now_ps = now_ps = self._target_ps
        self._target_ps = _NOT_RUNNING
        alarm_ps = self._alarm_ps
        head_ps = queue[0][0] if queue else NEVER_PS
        self.due_ps = head_ps if head_ps < alarm_ps else alarm_ps  # noqa: FURB136 - hot path
        return now_ps

    def run_until_wanted(self, target_ps: int, lines: Wanted, *, wait: bool = True) -> int:
        """Run what is due one by one until ``lines.best`` is set or `target_ps` is reached.

        Returns the time reached. Unless `wait`, the time stays once nothing is left to run.
        """
        queue = self._queue
        self._target_ps = target_ps
        self._lines = lines
        while lines.best is None and queue and queue[0][0] <= target_ps:
            self.now_ps, _, action = heappop(queue)
            self.events += 1
            action()
            if self._held_ps:
                break
        self._lines = None
        self._target_ps = _NOT_RUNNING
        if self._held_ps:
            held_ps, self._held_ps = self._held_ps, 0
            return self.run_until(held_ps)
        if lines.best is None and (wait or queue):
            self.now_ps = target_ps
        alarm_ps = self._alarm_ps
        head_ps = queue[0][0] if queue else NEVER_PS
        self.due_ps = head_ps if head_ps < alarm_ps else alarm_ps  # noqa: FURB136 - hot path
        return self.now_ps

    @property
    def horizon_ps(self) -> int:
        """How far the action that runs now could `step_to`; now if somebody wants the processor."""
        queue, target_ps, lines = self._queue, self._target_ps, self._lines
        if (lines is not None and lines.best is not None) or self._held_ps:
            return self.now_ps
        return queue[0][0] - 1 if queue and queue[0][0] <= target_ps else target_ps

    def step(self, at_ps: int, events: int) -> None:
        """Let an action that runs now go on at `at_ps`, which `horizon_ps` must reach.

        Args:
            at_ps: later than now.
            events: how many actions that stands for.
        """
        self.now_ps = at_ps
        self.events += events

    def step_to(self, at_ps: int) -> bool:
        """Let an action that runs now go on at `at_ps` as if it had scheduled itself for then.

        Args:
            at_ps: later than now.

        Returns:
            Whether that is so: nothing else is due first, and the present run gets that far. If
            not, nothing has changed, and the action must schedule itself.
        """
        queue = self._queue
        if at_ps > self._target_ps or (queue and queue[0][0] <= at_ps) or self._held_ps:
            return False
        lines = self._lines
        if lines is not None and lines.best is not None:
            return False
        self.now_ps = at_ps
        self.events += 1
        return True

    def hold(self, until_ps: int) -> None:
        """Freeze the processor until `until_ps` while hardware goes on; call from an action."""
        if self._lines is not None:
            if until_ps > self.now_ps:
                self.stalled_ps += until_ps - self.now_ps
                self._frozen_ps = (self.now_ps, until_ps)
                self._held_ps = until_ps
        elif until_ps > self._target_ps:
            from_ps = max(self._target_ps, self.now_ps)
            self.stalled_ps += until_ps - from_ps
            self._frozen_ps = (from_ps, until_ps)
            self._target_ps = until_ps

    def abandon(self) -> None:
        """Forget the run under way, which an action has ended by raising; a freeze ends with it."""
        self._target_ps = _NOT_RUNNING
        self._held_ps = 0
        self._lines = None
        from_ps, until_ps = self._frozen_ps
        self.stalled_ps -= max(0, until_ps - max(from_ps, self.now_ps))
        self._frozen_ps = (0, 0)
        self._refresh()

    def _refresh(self) -> None:
        """Compute `due_ps` again from the queue and the alarm."""
        self.due_ps = min(self.next_event_ps, self._alarm_ps)


class Timer:
    """One-shot timer that can be moved and stopped at no cost to the queue.

    A restart only moves the deadline; the queued action finds, when it runs, that it came too
    early and queues itself again. Restarting on every character therefore costs one assignment.
    """

    __slots__ = ("_action", "_clock", "_deadline_ps", "_queued_ps")

    def __init__(self, clock: Clock, action: Action) -> None:
        self._clock = clock
        self._action = action
        self._deadline_ps = NEVER_PS
        self._queued_ps = NEVER_PS

    @property
    def running(self) -> bool:
        """Whether the action is going to run."""
        return self._deadline_ps != NEVER_PS

    def start(self, at_ps: int) -> None:
        """Run the action at `at_ps`; a time set before no longer counts.

        Raises:
            AccessError: `at_ps` lies in the past.
        """
        if at_ps < self._queued_ps:
            self._clock.schedule(at_ps, self._expire)
            self._queued_ps = at_ps
        self._deadline_ps = at_ps

    def stop(self) -> None:
        """Do not run the action."""
        self._deadline_ps = NEVER_PS

    def _expire(self) -> None:
        now_ps = self._clock.now_ps
        if now_ps != self._queued_ps:
            return  # an earlier start took this one's place
        self._queued_ps = NEVER_PS
        deadline_ps = self._deadline_ps
        if deadline_ps <= now_ps:
            self._deadline_ps = NEVER_PS
            self._action()
        elif deadline_ps != NEVER_PS:
            self._queued_ps = deadline_ps
            self._clock.schedule(deadline_ps, self._expire)
