"""Pins with their driver: what was asked of each, compared with what it shows.

The one idea: a pin is judged by the levels that can be seen on it, never by how the registers were
set, so a driver may come to them in any way. A level that nobody asked for leads to the write that
made it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from emu.devices.gpio import PINS, Gpio
from emu.kernel.where import Place
from emu.record.levels import note_levels
from emu.scenario.device_port import COMMON_PROMISES, NO_ANSWER, DevicePort
from emu.scenario.model import Step
from emu.scenario.pin_books import LET_GO, Following, Wanted, Watched
from emu.scenario.pin_writes import PinWrites, bits_of

__all__ = ["PIN_PROMISES", "PinPort"]

PIN_PROMISES = {
    "level": "every output shows what it was last asked to, and every other pin is let go",
    "glitch": "no pin shows an edge but those that were asked for",
    "read": "get returns the level that the pin shows at some moment of the call",
    "edges": "each latched edge of a watched pin is counted once, and none from before",
    "follow": "an output that follows a pin has its level soon after the last edge",
    "range": "a pin that is not there is refused with a ValueError",
    "start": "open lets go of every pin, whatever state it finds, without a false edge",
    **COMMON_PROMISES,
}
_WHOLE = ("OUT", "DIR", "DRAIN")  # registers that are written for all pins at once
_NOWHERE: Place = ("", 0)


class PinPort(DevicePort):
    """Call the driver of one set of pins.

    Attributes:
        may_be_entered: whether another task has a pin of its own, ready to be set.
    """

    PROMISES = PIN_PROMISES
    STEADFAST = frozenset({"range"})

    def set_up(self) -> None:
        """Watch every level, and the writes that change one."""
        assert isinstance(self.device, Gpio)
        self._gpio = self.device
        self._writes = PinWrites(self._gpio)
        self._told: list[object] = []
        self._outputs: dict[int, Wanted] = {}
        self._moving: dict[int, Wanted] = {}  # pins of calls under way
        self._watched: dict[int, Watched] = {}
        self._following: dict[int, Following] = {}  # by the output
        self._looked_at: dict[int, set[int]] = {}  # levels during a get, by pin
        self._used = False  # whether the driver was called yet
        self._opening = self._letting_go = False
        self._calls = self._call = 0  # made so far; number of the one under way
        self._edges_by: dict[int, tuple[int, int]] = {}  # call and handler depth of the last edge
        self._played_ps: dict[int, int] = {}  # until when the outside is settled, by pin
        self.may_be_entered = False
        self.players |= {
            "output": self._output,
            "input": self._input,
            "set": self._set,
            "get": self._get,
            "watch": self._watch,
            "edges": self._edges,
            "follow": self._follow,
            "drive": self._drive,
            "pulse": self._pulse,
        }
        if self._bench.detailed:
            note_levels(self._bench.board, self._gpio)
        self._gpio.on_change.append(self._changed)

    # what pins do

    def _changed(self, before: int, after: int, ours: bool) -> None:
        """Take in which levels changed, and judge what the driver made of them."""
        used_ps, pending = self._used_ps(), self._gpio.peek("PENDING")
        for pin, watched in self._watched.items():
            bit = 1 << pin
            watched.take(
                rose=bool(after & ~before & bit), fell=bool(before & ~after & bit),
                merged=bool(pending & bit), used_ps=used_ps,
            )  # fmt: skip
        for following in self._following.values():
            following.take(before, after, used_ps)
        for pin, levels in self._looked_at.items():
            levels.add(after >> pin & 1)
        if ours and self._used:
            for pin in bits_of(before ^ after):
                self._judge_edge(pin, after)

    def _judge_edge(self, pin: int, after: int) -> None:
        """Judge an edge that the driver made, `after` being the levels of all pins."""
        level = after >> pin & 1
        if not self._may_show(pin, level):
            what = "rose" if level else "fell"
            detail = (
                f"pin {pin} {what} at a write of {self._writes.register}, which nobody asked for"
            )
            rule = self._blamed(pin)
            if rule == "port-rmw-race":
                who = "another task" if self._edges_by[pin][0] > self._call else "a handler"
                detail += f"; {who} had set it just before"
            promise = "start" if self._opening else "glitch"
            self.breach(promise, detail, rule, self._writes.place)
        self._edges_by[pin] = self._call, self._board.cpu.depth
        if pin in self._following:
            self._following[pin].settle(after)

    def _may_show(self, pin: int, level: int) -> bool:
        wanted = LET_GO if self._letting_go else self._moving.get(pin)
        if wanted is not None and level == wanted.shown(self._gpio.outside >> pin & 1):
            return True
        following = self._following.get(pin)
        return following is not None and level in following.levels

    def _driven(self, pin: int) -> bool:
        return bool(self._gpio.driven >> pin & 1)

    def _blamed(self, pin: int) -> str:
        """Return the rule that the write has broken by which an edge came that nobody asked for."""
        register = self._writes.register
        if pin in self._moving and register == "DIR":
            return "direction-before-value"
        if self._letting_go or pin in self._moving:
            return "pin-glitch"
        if register in _WHOLE and self._raced(pin):
            return "port-rmw-race"
        return "pin-glitch" if pin in self._following else "port-overwritten"

    def _raced(self, pin: int) -> bool:
        """Whether a handler, or another task, has set the pin since the call under way began."""
        call, depth = self._edges_by.get(pin, (0, 0))
        return call > self._call or (call == self._call and depth > self._board.cpu.depth)

    def _check(self, after: str) -> None:
        """Compare every pin with what it is to show."""
        levels = self._gpio.levels
        for pin in range(PINS):
            level = levels >> pin & 1
            if pin in self._following:
                self._check_following(pin, level)
            elif pin not in self._moving:
                wanted = self._outputs.get(pin, LET_GO)
                if not wanted.met(level, driven=self._driven(pin)):
                    how = f"driven to {level}" if self._driven(pin) else "let go"
                    asked = "let go" if wanted.released else f"driven to {wanted.level}"
                    self.breach("level", f"pin {pin} is {how} after {after}, not {asked}")

    def _check_following(self, pin: int, level: int) -> None:
        following = self._following[pin]
        source = self._gpio.levels >> following.source & 1
        if level == source or self._used_ps() - following.moved_ps <= self.late_ps:
            return
        detail = f"pin {pin} has level {level} long after pin {following.source} came to {source}"
        place = self._writes.cleared(following.source)
        self.breach("follow", detail, "event-cleared-uncounted", place)

    # calls

    @contextmanager
    def _asking(self, pin: int = -1, wanted: Wanted = LET_GO) -> Iterator[None]:
        """Make a call that is to bring a pin, if any is named, to what is wanted."""
        outer, self._calls = self._call, self._calls + 1
        self._call = self._calls
        if pin >= 0:
            self._moving[pin] = wanted
        try:
            yield
        finally:
            self._call = outer
            self._moving.pop(pin, None)

    def open(self) -> str:
        """Open the device: it lets go of every pin."""
        self._used = self._opening = self._letting_go = True
        self.may_be_entered = False
        with self._asking():
            return super().open()

    def opened(self) -> None:
        """Begin anew with inputs only, and give another task a pin of its own."""
        self._opening = self._letting_go = False
        self._outputs.clear()
        self._watched.clear()
        self._following.clear()
        for pin in bits_of(self._gpio.driven):
            self.breach("start", f"pin {pin} is driven after open")
        self._own = _unused(self._bench.scenario.steps)
        if self._bench.scenario.callers and len(self._own) > 1:
            self._make_output(self._own[0], Wanted(0))
            self.may_be_entered = True

    def _make_output(self, pin: int, wanted: Wanted) -> None:
        drain = (True,) if wanted.open_drain else ()
        with self._asking(pin, wanted):
            self.call("output", pin, wanted.level, *drain)
        self._following.pop(pin, None)
        self._outputs[pin] = wanted

    def _let_go(self, pin: int) -> None:
        with self._asking(pin):
            self.call("input", pin)
        self._following.pop(pin, None)
        self._outputs.pop(pin, None)

    def _set_output(self, pin: int, level: int) -> None:
        """Set a pin; one that is no output is to stay as it is."""
        output = self._outputs.get(pin)
        wanted = LET_GO if output is None else output._replace(level=level)
        with self._asking(pin, wanted):
            self.call("set", pin, level)
        self._following.pop(pin, None)
        if output is not None:
            self._outputs[pin] = wanted

    def call_between(self, name: str) -> None:
        """Let another task set the output of its own, or make or unmake one more."""
        output, more, *_ = self._own
        if name == "set":
            self._set_output(output, 1 - self._outputs[output].level)
        elif more in self._outputs:
            self._let_go(more)
        else:
            self._make_output(more, Wanted(1 - (self._gpio.outside >> more & 1)))
        self._check(f"another task's {name}")

    # steps

    def play(self, step: Step) -> None:
        """Play one step, note how it went, and look at all pins."""
        super().play(step)
        if self.is_open:
            self._check(step.action)

    def _missing(self, name: str, *given: object) -> str:
        """Ask for a pin that is not there; return ``""`` if all pins that are named are there."""
        wrong = [one for one in given if isinstance(one, int) and one >= PINS]
        return self.refused(f"pin {wrong[0]}", name, *given) if wrong else ""

    def _output(self, step: Step) -> str:
        pin, level = step.values["output"], step.values["level"]
        if refused := self._missing("output", pin, level):
            return refused
        self._make_output(pin, Wanted(level, step.values.get("open_drain", False)))
        return f"pin {pin} at {level}"

    def _input(self, step: Step) -> str:
        pin = step.values["input"]
        if refused := self._missing("input", pin):
            return refused
        self._let_go(pin)
        return f"pin {pin} let go"

    def _set(self, step: Step) -> str:
        pin, level = step.values["set"], step.values["level"]
        if refused := self._missing("set", pin, level):
            return refused
        self._set_output(pin, level)
        return f"pin {pin} at {level}"

    def _get(self, step: Step) -> str:
        pin = step.values["get"]
        if refused := self._missing("get", pin):
            return refused
        self._looked_at[pin] = {self._gpio.levels >> pin & 1}
        with self._asking():
            value = self.call("get", pin)
        levels = self._looked_at.pop(pin)
        if value is NO_ANSWER:
            return "a bus error"
        value = self.whole("get", value)
        if value > 1:
            self._bad_value("get", value, "0 or 1")
        self._told.append(value)
        if value not in levels:
            self.breach("read", f"get returned {value} for pin {pin}, which showed {1 - value}")
        return f"pin {pin} is at {value}"

    def _watch(self, step: Step) -> str:
        pin, edge = step.values["watch"], step.values["edge"]
        if refused := self._missing("watch", pin, edge):
            return refused
        watched = self._watched[pin] = Watched(edge)
        self._writes.forget(pin)
        with self._asking():
            self.call("watch", pin, edge)
        watched.returned = True
        self._end_following(pin)
        return f"{edge} edges of pin {pin}"

    def _edges(self, step: Step) -> str:
        pin = step.values["edges"]
        if refused := self._missing("edges", pin):
            return refused
        until_ps = self._used_ps() - self.late_ps
        with self._asking():
            value = self.call("edges", pin)
        if value is NO_ANSWER:
            return "a bus error"
        value = self.whole("edges", value)
        self._told.append(value)
        if pin in self._watched:
            self._judge_count(pin, value, until_ps)
        return f"{value} {'edge' if value == 1 else 'edges'} of pin {pin}"

    def _judge_count(self, pin: int, value: int, until_ps: int) -> None:
        """Compare a number of edges with those that came, the latest of which need not count."""
        watched = self._watched[pin]
        least, most = watched.least(until_ps), watched.most
        came = f"{most} came" if most == len(watched.due_ps) else f"{most} came, some merged"
        detail = f"edges returned {value} for pin {pin}, of which {came} since watch"
        if value < least:
            self.breach("edges", detail, "event-cleared-uncounted", self._writes.cleared(pin))
        elif value > most and self._writes.let_in(pin)[1]:
            self.breach("edges", detail, "stale-event-counted", self._writes.let_in(pin))
        elif value > most:
            self.breach("edges", detail, "counted-twice", self.handler_place())

    def _follow(self, step: Step) -> str:
        source, target = step.values["follow"], step.values["target"]
        if refused := self._missing("follow", source, target):
            return refused
        level = self._gpio.levels >> source & 1
        before = self._following.get(target)
        levels = {level} | (before.levels if before is not None else set())
        self._following[target] = Following(source, levels, self._used_ps())
        self._writes.forget(source)
        with self._asking():
            self.call("follow", source, target)
        self._watched.pop(source, None)
        self._end_following(source, target)
        self._following[target].moved_ps = self._used_ps()
        self._outputs[target] = Wanted(level)
        return f"pin {target} follows pin {source}"

    def _end_following(self, source: int, but: int = -1) -> None:
        """Let outputs that have followed a pin stay as they are, all but one."""
        for target, following in list(self._following.items()):
            if following.source == source and target != but:
                del self._following[target]
                self._outputs[target] = Wanted(self._gpio.levels >> target & 1)

    # the outside

    def _drive(self, step: Step) -> str:
        pin, level = step.values["drive"], step.values["level"]
        self._gpio.signals[f"pin{pin}"].set(level)
        self._played_ps.pop(pin, None)
        return f"pin {pin} at {level}"

    def _pulse(self, step: Step) -> str:
        pin, length_ps = step.values["pulse"], step.values["length"]
        times, gap_ps = step.values.get("times", 1), step.values.get("gap", length_ps)
        start_ps = self._clock.now_ps + step.values.get("after", 0)
        start_ps = max(start_ps, self._played_ps.get(pin, 0))
        period_ps = length_ps + gap_ps
        toggles = [at for n in range(times) for at in (n * period_ps, n * period_ps + length_ps)]
        self._gpio.signals[f"pin{pin}"].play(start_ps, tuple(toggles))
        self._played_ps[pin] = start_ps + times * period_ps
        return f"{times} on pin {pin}"

    # the end

    def finish(self) -> None:
        """Ask for every count once more; then pins are let go."""
        for pin in self._watched:
            self._edges(Step("edges", values={"edges": pin}))
        self._letting_go = True
        self.may_be_entered = False

    def results(self) -> list[object]:
        """Return what the driver said."""
        return self._told

    def stirring(self) -> list[str]:
        """Say what is still driven, or interrupts, after ``close``."""
        driven = [f"pin {pin} is driven" for pin in bits_of(self._gpio.driven)]
        enable = self._gpio.peek("ENABLE")
        return [*driven, f"ENABLE is {enable:#x}"] if enable else driven


def _unused(steps: tuple[Step, ...]) -> list[int]:
    """Return the pins that no step names, the highest first."""
    named = {one for step in steps for one in step.values.values()}
    return [pin for pin in reversed(range(PINS)) if pin not in named]
