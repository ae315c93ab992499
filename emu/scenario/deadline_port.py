"""A machine timer with its driver: what was booked, and when it was called.

The one idea: a deadline is judged by when its function is called, never by how the compare was
written, so a driver may move one compare along, or tick and look. What was called at the wrong
time, or never, leads to the line.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.devices.mtimer import MachineTimer
from emu.kernel.clock import PS_PER_S
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place
from emu.scenario.deadline_blame import DeadlineBlame
from emu.scenario.deadline_books import Deadline
from emu.scenario.device_port import COMMON_PROMISES, NO_ANSWER, DevicePort
from emu.scenario.difference import times as often
from emu.scenario.model import Step
from emu.units import show_duration

__all__ = ["DEADLINE_PROMISES", "DeadlinePort"]

DEADLINE_PROMISES = {
    "clock": "time is that of the timer at some moment of the call",
    "due": "each deadline is called when it is due, neither early nor late",
    "once": "no deadline is called twice, or after it was cancelled, or after close",
    "cancel": "cancel says whether it came in time: what it says True of is never called",
    "range": "a time that the timer cannot come to is refused with a ValueError",
    **COMMON_PROMISES,
}
_END = 1 << 64
_NOWHERE: Place = ("", 0)


class DeadlinePort(DevicePort):
    """Call the driver of one machine timer."""

    PROMISES = DEADLINE_PROMISES
    STEADFAST = frozenset({"range"})

    def set_up(self) -> None:
        """Watch the compare, the time, and who comes in."""
        assert isinstance(self.device, MachineTimer)
        self._timer = self.device
        self._blame = DeadlineBlame(self.device, self._bench.board.cpu)
        self._booked: list[Deadline] = []  # since open
        self._earlier: list[Deadline] = []  # of sessions that were closed
        self._told: list[object] = []
        self._cancelling: Deadline | None = None
        self._met: Place = _NOWHERE  # where main code was when what is being cancelled was called
        self.players |= {"time": self._time, "book": self._book, "cancel": self._cancel}
        self.on_handler(self._blame.enter)
        self._bench.board.cpu.on_exit.append(self._left)

    @property
    def _ticks(self) -> int:
        """The time of the timer."""
        return self._timer.peek("MTIME_HIGH") << 32 | self._timer.peek("MTIME_LOW")

    def _left(self, line: InterruptLine) -> None:
        """Look at what the timer's handler leaves behind."""
        if line.number != self._bench.board.window(self.device.name).irq:
            return
        if self._blame.leave() and self._bench.calm() and self._blame.left_up()[1]:
            text = "the handler returned 16 times in a row with the compare in the past"
            place = self._blame.left_up()
            self._findings.report("compare-not-moved", text, register=self.name, place=place)
        self._note_unarmed(self._blame.left_by_handler)

    # what is called

    def _ring(self, one: Deadline) -> None:
        """Judge that a deadline was called, and book the next of its chain."""
        first, place = not one.calls, driver_place()
        if one is self._cancelling:
            self._met = self._blame.met if self._board.cpu.depth else place
        self._blame.note_call()
        early, late_ps = one.ticks - self._ticks, self._late_ps(one)
        one.calls += 1
        over = one.over or not self.is_open
        if over or one.cancelled or not first:
            why = "after close" if over else "though it was cancelled" if first else "again"
            self.breach("once", f"{_named(one)} was called {why}", "deadline-called-again", place)
        elif early > 0:
            torn, detail = self._blame.torn(), f"was called {_ticked(early)} before it was due"
            self.breach("due", f"{_named(one)} {detail}",
                        *(torn if torn[0] else self._blame.early()))  # fmt: skip
        elif late_ps > self.late_ps and not one.missed:
            self._judge_late(one, late_ps, "was called")
        if first and one.chained and not over:
            after = self._deadline(one.ticks + one.gap, one.chained - 1, one.gap)
            self._take(after, self._driver.book(after.ticks, lambda: self._ring(after)))

    def _late_ps(self, one: Deadline) -> int:
        """Return for how long a deadline has been due, time left out in which nobody could go on.

        Ticks are counted in whole ones, so one more may have begun.
        """
        held_ps = self.held_up_ps(one.held) - (self._clock.stalled_ps - one.held.stalled_ps)
        return self._used_ps() - held_ps - one.due_ps - self._ticks_ps(1)

    def _ticks_ps(self, ticks: int) -> int:
        return -(-ticks * PS_PER_S // self._timer.clock_hz)

    def _judge_late(self, one: Deadline, late_ps: int, what: str) -> None:
        rule, place = self._blame.half_written([other.ticks for other in self._booked])
        if not rule:
            rule, place = one.unarmed
        detail = f"{_named(one)} {what} {show_duration(late_ps)} after it was due"
        self.breach("due", detail, rule, place)

    def _look_for_forgotten(self) -> None:
        """Judge deadlines that should have been called by now."""
        for one in self._booked:
            late_ps = self._late_ps(one)
            if one.waiting and late_ps > self.late_ps:
                self._judge_late(one, late_ps, "was not called")
                one.missed = True

    # steps

    def opened(self) -> None:
        """Begin anew with nothing booked."""
        self._booked = []

    def play(self, step: Step) -> None:
        """Play one step, note how it went, and look what should have been called."""
        super().play(step)
        self._look_for_forgotten()

    def _time(self, _step: Step) -> str:
        self._blame.begin()
        first = self._ticks
        value = self.call("time")
        last = self._ticks
        if value is NO_ANSWER:
            return "a bus error"
        value = self.whole("time", value)
        self._told.append(value)
        if not first <= value <= last:
            counted = f"while the timer counted from {first:#x} to {last:#x}"
            self.breach("clock", f"time returned {value:#x}, {counted}", *self._blame.torn())
        return _ticked(value)

    def _book(self, step: Step) -> str:
        ticks, gap = self._ticks + step.values["book"], step.values["book"]
        if ticks >= _END:
            return self.refused("a time that never comes", "book", ticks, lambda: None)
        chained = step.values.get("times", 1) - 1
        one = self._deadline(ticks, chained, gap)
        self._blame.begin()
        token = self.call("book", ticks, lambda: self._ring(one))
        if token is NO_ANSWER:
            return "a bus error"
        self._take(one, token)
        self._note_unarmed(self._blame.left_by_call)
        return f"in {_ticked(gap)}" + (f", {often(chained + 1)}" if chained else "")

    def _deadline(self, ticks: int, chained: int, gap: int) -> Deadline:
        """Enter a deadline that is about to be booked."""
        due_ps = self._used_ps() + self._ticks_ps(max(0, ticks - self._ticks))
        one = Deadline(len(self._booked) + 1, ticks, due_ps, self.held(), chained, gap)
        self._booked.append(one)
        return one

    def _take(self, one: Deadline, token: object) -> None:
        """Take the number that the driver gives a deadline."""
        one.token = self.whole("book", token)
        others = [other for other in self._booked if other is not one and other.waiting]
        if one.waiting and any(other.token == one.token for other in others):
            self._bad_value("book", token, "a number that no deadline has which is still to come")

    def _note_unarmed(self, left: Callable[[], tuple[str, Place]]) -> None:
        """Note for each deadline whether the compare is too late for it, and what left it so."""
        compare = self._blame.compare
        for one in self._booked:
            if compare <= one.ticks:
                one.unarmed = "", _NOWHERE
            elif one.waiting and one.token is not None and not one.unarmed[0]:
                one.unarmed = left()

    def _cancel(self, step: Step) -> str:
        number = step.values["cancel"]
        if number > len(self._booked):
            return "none was booked with that number"
        one = self._booked[number - 1]
        if one.token is None or (not one.waiting and self._taken_over(one)):
            return "its number is another's by now"
        before = one.waiting
        self._blame.begin()
        self._cancelling, self._met = one, _NOWHERE
        answer = self.call("cancel", one.token)
        self._cancelling = None
        self._note_unarmed(self._blame.left_by_call)
        if answer is NO_ANSWER:
            return "a bus error"
        answer = self.truth("cancel", answer)
        self._told.append(answer)
        self._judge_cancel(one, answer, before=before)
        one.cancelled = one.cancelled or answer
        return f"{_named(one)} in time" if answer else f"{_named(one)} too late"

    def _taken_over(self, one: Deadline) -> bool:
        return any(other.token == one.token for other in self._booked if other is not one)

    def _judge_cancel(self, one: Deadline, answer: bool, *, before: bool) -> None:
        """Compare what `cancel` said with whether the deadline was called, or can still be."""
        place = self._met if self._met[1] else self._method_place("cancel")
        if answer and not before:
            how = "called" if one.calls else "cancelled"
            self.breach("cancel", f"{_named(one)} is taken back, and had been {how} before",
                        "cancel-misjudged", place)  # fmt: skip
        elif answer and one.calls:
            self.breach("cancel", f"{_named(one)} is taken back, and was called meanwhile",
                        "cancel-misjudged", place)  # fmt: skip
        elif not answer and one.waiting:
            self.breach("cancel", f"{_named(one)} cannot be taken back, and was not called yet",
                        "cancel-misjudged", place)  # fmt: skip

    # the end

    def finish(self) -> None:
        """Look once more; what is left is forgotten."""
        self._look_for_forgotten()
        self._earlier += self._booked

    def results(self) -> list[object]:
        """Return what the driver said, and how often each deadline was called."""
        return [*self._told, *(one.calls for one in (*self._earlier, *self._booked))]

    def stirring(self) -> list[str]:
        """Say what will still interrupt after ``close``."""
        last = max((one.ticks for one in self._booked), default=0)
        for one in self._booked:
            one.over = True
        compare = self._blame.compare
        if compare > last:
            return []
        self.breach("quiet", f"the compare is {compare:#x} after close, so its interrupt comes",
                    "deadline-left-armed", self._blame.left_armed())  # fmt: skip
        return ["its interrupt still comes"]


def _named(one: Deadline) -> str:
    return f"deadline {one.number}"


def _ticked(number: int) -> str:
    return f"{number} tick" + "s" * (number != 1)
