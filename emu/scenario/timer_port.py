"""A timer with its driver: what the driver says of time, compared with what the timer knows.

The one idea: a period or an alarm is judged by when it came, not by how the registers were set, so
a driver may make it in any way. Where it came at the wrong time, the accesses that decide it lead
to the line.
"""

from __future__ import annotations

from collections import Counter
from functools import partial

from emu.devices.timer import IntervalTimer
from emu.kernel.callers import asking_place
from emu.kernel.clock import PS_PER_S
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import Place, driver_place
from emu.scenario.device_port import COMMON_PROMISES, NO_ANSWER, DevicePort, Held
from emu.scenario.difference import times
from emu.scenario.driver_source import rule_of_error, text_of
from emu.scenario.model import Step
from emu.units import show_duration

__all__ = ["TIMER_PROMISES", "TimerPort"]

TIMER_PROMISES = {
    "clock": "now is the count of the timer at some moment of the call",
    "count": "periods is how many have ended, those that the timer merged left out",
    "loss": "periods that the timer merged are seen, and counted in missed",
    "alarm": "an alarm goes off when it is due, neither early nor late",
    "range": "a period that cannot be made is refused with a ValueError",
    **COMMON_PROMISES,
}
_LONGEST_CYCLES = 2**32
_END, _MATCH, _MISSED = 0x01, 0x02, 0x04


class TimerPort(DevicePort):
    """Call the driver of one timer."""

    PROMISES = TIMER_PROMISES
    STEADFAST = frozenset({"range"})

    def set_up(self) -> None:
        """Watch the registers that decide when something comes."""
        assert isinstance(self.device, IntervalTimer)
        self._timer = self.device
        self._told: list[object] = []
        self._last_now = 0
        self._period = 0  # cycles, 0 for none
        self._began = (0, 0)  # count of cycles before and after `every`
        self._merged = 0  # ends that came while END was set
        self._flags = 0  # how often MISSED rose
        self._missed_before = 0
        self._reads: dict[str, tuple[Place, int]] = {}  # of halves of the counter: where, when
        self._lengths: Place = ("", 0)  # where RELOAD or PRESCALE was written last
        self._compare: tuple[Place, int] | None = None  # where one that had passed was written
        self._clears: list[Place] = []  # where END was cleared
        self._unmatched: Place = ("", 0)  # where a MATCH was cleared that no look had shown
        self._interrupted: Place = ("", 0)  # where main code was when the handler came last
        self._shown = 0  # what the last look at STATUS showed
        self._stale = False  # whether END was up from before when periods began
        self._held = Held()
        self.players |= {
            "now": self._now,
            "every": self._every,
            "periods": self._periods,
            "alarm": self._alarm,
        }
        ports = self._timer.ports
        for name in ("LOW", "HIGH"):
            ports[name].wrap_read(partial(self._noting_read, name))
        for name in ("RELOAD", "PRESCALE"):
            ports[name].wrap_write(self._noting_length)
        ports["COMPARE"].wrap_write(self._noting_compare)
        ports["STATUS"].wrap_read(self._noting_look)
        ports["STATUS"].wrap_write(self._noting_clear)
        self.on_handler(self._note_handler)
        self._timer.on_end.append(self._ended)

    # what the timer and its driver do

    def _noting_read(self, name: str, read: ReadPort) -> ReadPort:
        def reading() -> int:
            self._reads[name] = asking_place(), self._timer.cycles >> 32
            return read()

        return reading

    def _noting_length(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            self._lengths = asking_place()
            write(value)

        return writing

    def _noting_compare(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            behind = self._timer.peek("COUNT") >= value
            self._compare = (asking_place(), value) if behind else None
            write(value)

        return writing

    def _noting_look(self, read: ReadPort) -> ReadPort:
        def reading() -> int:
            self._shown = value = read()
            return value

        return reading

    def _note_handler(self) -> None:
        self._interrupted = driver_place()

    def _noting_clear(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            status = self._timer.peek("STATUS")
            if value & status & _END:
                self._clears.append(asking_place())
            if value & status & _MATCH & ~self._shown:
                self._unmatched = asking_place()
            write(value)

        return writing

    def _ended(self, merged: bool) -> None:
        if merged and self._period:
            self._merged += 1
            self._flags += not self._timer.peek("STATUS") & _MISSED

    # steps

    def opened(self) -> None:
        """Begin anew: no period is counted, and none was missed yet."""
        self._period = 0

    def _now(self, _step: Step) -> str:
        self._reads.clear()
        first = self._timer.cycles
        value = self.call("now")
        last = self._timer.cycles
        if value is NO_ANSWER:
            return "a bus error"
        self._told.append(value)
        value = self.whole("now", value)
        if not first <= value <= last:
            self.breach(
                "clock",
                f"now returned {value:#x}, while the timer counted from {first:#x} to {last:#x}",
                *self._torn(),
            )
        return _counted(value, "cycle")

    def _torn(self) -> tuple[str, Place]:
        """Return the rule and place of two halves that were read on both sides of a carry."""
        halves = list(self._reads.values())
        if len(halves) < 2 or halves[0][1] == halves[1][1]:
            return "", ("", 0)
        return "torn-counter-read", halves[-1][0]

    def _every(self, step: Step) -> str:
        cycles = int(step.values["every"])
        if not 2 <= cycles <= _LONGEST_CYCLES:
            self._period = 0
            return self.refused(f"a period of {cycles} cycles", "every", cycles)
        self._merged = self._flags = 0
        self._clears.clear()
        before, pending = self._timer.cycles, self._timer.peek("STATUS") & _END
        if self.call("every", cycles) is NO_ANSWER:
            self._period = 0
            return "a bus error"
        self._period, self._began = cycles, (before, self._timer.cycles)
        self._missed_before = self._counter()
        self._stale = bool(pending and not self._clears)
        return f"periods of {cycles} cycles"

    def _counter(self) -> int:
        try:
            value = self._driver.missed
        except Exception as error:  # noqa: BLE001 - it is the driver's code and may do anything
            text = f"its attribute missed cannot be had: {text_of(error)}"
            self._findings.report(rule_of_error(error), text, place=self._place)
            return 0
        return value if isinstance(value, int) else 0

    def _periods(self, _step: Step) -> str:
        first, merged = self._timer.cycles, self._merged
        value = self.call("periods")
        if value is NO_ANSWER:
            return "a bus error"
        value = self.whole("periods", value)
        self._told.append(value)
        if self._period:
            self._judge_count(value, first, merged)
        return _counted(value, "period")

    def _judge_count(self, value: int, first: int, merged: int) -> None:
        """Compare a number of periods with how many there were, before and after the call.

        A driver may be a little later than the timer, and so much later as its processor was frozen
        since it was last called.
        """
        held, self._held = self._held, self.held()
        late_ps = self.late_ps + self.held_up_ps(held, by_others=False)
        late = late_ps * self._timer.clock_hz // PS_PER_S
        least = max(0, (first - late - self._began[1]) // self._period - merged)
        most = (self._timer.cycles - self._began[0]) // self._period
        if not least <= value <= most:
            detail = f"periods returned {value}, while {_span(least, most)} had ended"
            self.breach("count", detail, *self._miscounted(value, most))

    def _miscounted(self, value: int, most: int) -> tuple[str, Place]:
        """Return the rule and place of what made the count go wrong."""
        timer = self._timer
        length = (timer.peek("RELOAD") + 1) * (timer.peek("PRESCALE") + 1)
        if length != self._period:
            return "period-off", self._lengths
        if value > most and self._stale:
            return "stale-event-counted", self._method_place("every")
        if value > most:
            return "counted-twice", self.handler_place()
        if self._clears:
            counts = Counter(self._clears)
            return "event-cleared-uncounted", min(counts, key=lambda one: (counts[one], -one[1]))
        return "", ("", 0)

    def _alarm(self, step: Step) -> str:
        cycles = int(step.values["alarm"])
        wait_ps = -(-cycles * PS_PER_S // self._timer.clock_hz)
        timeout_ps = self.timeout_ps(step, wait_ps)
        start_ps, held = self._clock.now_ps, self.held()
        due = self._timer.cycles + cycles
        self._compare, self._unmatched, self._interrupted = None, ("", 0), ("", 0)
        answer = self.call("alarm", cycles, timeout_ps=timeout_ps, grace_ps=self.late_ps)
        if answer is NO_ANSWER:
            return "a bus error"
        answer = self.truth("alarm", answer)
        held_ps = self.held_up_ps(held)
        took_ps = self._clock.now_ps - start_ps
        self._told.append(answer)
        if answer:
            self._judge_alarm(due, took_ps - wait_ps - held_ps)
        elif wait_ps + self.late_ps + held_ps < timeout_ps:
            detail = (
                f"alarm gave up after {show_duration(took_ps)}, due in {show_duration(wait_ps)}"
            )
            self.breach("alarm", detail, *self._slept_through())
        return f"after {show_duration(took_ps)}" if answer else "it did not go off"

    def _judge_alarm(self, due: int, late_ps: int) -> None:
        """Compare the moment at which an alarm went off with that at which it was due.

        COUNT and the wide counter tick out of step, so one tick early is in time.
        """
        early = due - self._timer.cycles
        if early > 1:
            self.breach("alarm", f"it went off {_counted(early, 'cycle')} before it was due")
        elif late_ps > self.late_ps:
            late = show_duration(late_ps)
            self.breach("alarm", f"it went off {late} after it was due", *self._slept_through())

    def _slept_through(self) -> tuple[str, Place]:
        """Return the rule and place of what made an alarm pass unseen."""
        if self._compare is not None:
            return "compare-in-the-past", self._compare[0]
        if self._unmatched[1]:
            return "event-cleared-uncounted", self._unmatched
        return ("end-unnoticed", self._interrupted) if self._interrupted[1] else ("", ("", 0))

    def finish(self) -> None:
        """Ask for the count once more, and compare what was missed."""
        if self._period:
            self._periods(Step("periods"))
            counted = self._counter() - self._missed_before
            shown = self._flags - bool(self._timer.peek("STATUS") & _MISSED)
            if shown > 0 and not counted:
                self.breach("loss", f"the timer raised MISSED {times(shown)}; missed is 0")
            elif counted > self._merged:
                self.breach("loss", f"missed rose by {counted}, while {self._merged} were merged")
        self._period = 0

    def results(self) -> list[object]:
        """Return what the driver said."""
        return [*self._told, self._counter() if hasattr(self, "_driver") else 0]

    def stirring(self) -> list[str]:
        """Say what goes on after ``close``."""
        control = self._timer.peek("CONTROL")
        return [f"CONTROL is {control:#x}"] if control & 0x31 else []


def _span(least: int, most: int) -> str:
    return str(least) if least == most else f"{least} to {most}"


def _counted(number: int, word: str) -> str:
    return f"{number} {word}" + "s" * (number != 1)
