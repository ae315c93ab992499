"""A clock gate with its driver: which blocks were asked for, and which of them run.

The one idea: a block that somebody needs has to run without a break, and one that nobody needs has
to stand still; how the registers come to that is the driver's own business. What changes a block
that nobody meant leads to the write.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

from emu.devices.clock_gate import ClockGate
from emu.kernel.clock import PS_PER_S
from emu.kernel.where import Place
from emu.scenario.clock_blame import ClockBlame
from emu.scenario.device_port import COMMON_PROMISES, NO_ANSWER, DevicePort
from emu.scenario.model import Step
from emu.units import show_duration

__all__ = ["CLOCK_PROMISES", "ClockPort"]

CLOCK_PROMISES = {
    "ready": "enable and reset return True once the block answers, and give up when time is over",
    "kept": "a block that is enabled runs without a break, whatever is asked for others",
    "off": "a block that nobody has enabled, or needs any more, does not run",
    "reset": "reset brings its block to the state of power-on",
    "balance": "disable and reset of a block that is not enabled are refused with a ValueError",
    "range": "a block that cannot be there is refused with a ValueError",
    **COMMON_PROMISES,
}
_MOST_BLOCKS = 32


class _State(NamedTuple):
    """How a block was after the last write."""

    runs: bool
    pulls: int


class ClockPort(DevicePort):
    """Call the driver of one clock gate.

    Attributes:
        may_be_entered: whether another task has blocks of its own.
    """

    PROMISES = CLOCK_PROMISES
    STEADFAST = frozenset({"range"})

    def set_up(self) -> None:
        """Watch every block, and the writes that change one."""
        assert isinstance(self.device, ClockGate)
        self._gate = self.device
        self._blame = ClockBlame(self.device, self._bench.board.cpu)
        self._told: list[object] = []
        self._needed: Counter[int] = Counter()  # how often each block is enabled
        self._found: set[int] = set()  # blocks that ran before open, and that nobody enabled yet
        self._told_of: set[int] = set()  # blocks that were let run, which was judged already
        self._moving: list[tuple[str, int]] = []  # calls under way, with their blocks
        self._states: list[_State] = []
        self._used = False  # whether the driver is open, so that changes are its own
        self._others: list[int] = []  # blocks that another task has enabled
        self._own: list[int] = []  # those that only another task uses
        self.may_be_entered = False
        self.players |= {"enable": self._enable, "disable": self._disable, "reset": self._reset}
        self._gate.on_drive.append(self._changed)

    # what blocks do

    def _look(self) -> list[_State]:
        return [_State(one.runs, one.pulls) for one in self._gate.blocks]

    def _changed(self) -> None:
        """Judge what the driver has made of blocks that nobody meant."""
        before, self._states = self._states, self._look()
        if not self._used:
            return
        for number, (was, now) in enumerate(zip(before, self._states, strict=True)):
            if was == now:
                continue
            if was.runs and not self._may_stop(number):
                what = "was reset" if now.pulls > was.pulls else "was stopped"
                self._judge("kept", number, what)
            elif now.runs and not was.runs and not self._may_start(number):
                self._judge("off", number, "was let run")
                self._told_of.add(number)
            self._blame.note_change(number)

    def _may_stop(self, number: int) -> bool:
        if ("reset", number) in self._moving:
            return True
        if self._needed[number]:
            return False
        return number not in self._found or any(one == number for _, one in self._moving)

    def _may_start(self, number: int) -> bool:
        return bool(self._needed[number]) or any(one == number for _, one in self._moving)

    def _judge(self, promise: str, number: int, what: str) -> None:
        if promise == "kept" and any(one == number for _, one in self._moving):
            detail = f"{self._named(number)} {what} while somebody else still needs it"
            self.breach(promise, detail, "block-still-needed", self._blame.under_way())
            return
        rule, place = self._blame.disturbed(number)
        detail = f"{self._named(number)} {what} by a write of {self._blame.register}"
        if rule == "gate-rmw-race":
            detail += "; another task had changed it just before"
        else:
            detail += ", which nobody asked for"
        self.breach(promise, detail, rule, place)

    def _check(self, after: str) -> None:
        """Compare every block with what it is to be, but those of calls under way."""
        moving = {number for _, number in self._moving}
        for number, state in enumerate(self._look()):
            if number in moving:
                continue
            if self._needed[number] and not state.runs:
                self.breach("kept", f"{self._named(number)} does not run after {after}")
            elif state.runs and not self._needed[number] and number not in self._excepted:
                detail = f"{self._named(number)} still runs after {after}"
                place = self._last_in(after.rsplit(maxsplit=1)[-1])
                self.breach("off", detail, "block-left-running", place)
                self._told_of.add(number)

    @property
    def _excepted(self) -> set[int]:
        """Blocks that may run though nobody needs them."""
        return self._found | self._told_of

    def _last_in(self, name: str) -> Place:
        """Return where a call has touched the gate last, where it is defined if it has not."""
        place = self._blame.last()
        return place if place[1] else self._method_place(name)

    def _named(self, number: int) -> str:
        return f"block {number} ({self._gate.blocks[number].name})"

    def _breach(self, promise: str, detail: str) -> None:
        """Note a broken promise; a call that took too long leads to its last look at READY."""
        if promise == "time" and self._board.cpu.ended is None:
            self.breach(promise, detail, "block-awaited-too-long", self._blame.looking())
        else:
            super()._breach(promise, detail)

    # calls

    @contextmanager
    def _moves(self, name: str, number: int) -> Iterator[None]:
        """Make a call about a block."""
        moving = name, number
        self._moving.append(moving)
        try:
            with self._blame.asking():
                yield
        finally:
            self._moving.remove(moving)

    def _ask(self, name: str, number: int, timeout_ps: int) -> bool | None:
        """Call ``enable`` or ``reset`` and judge the answer; None for a bus error."""
        block = self._gate.blocks[number]
        pulls, held = block.pulls, self.held()
        with self._moves(name, number):
            said = self.call(name, number, timeout_ps=timeout_ps, grace_ps=self.late_ps)
            if said is NO_ANSWER:
                return None
            answer = self.truth(name, said)
            if name == "enable" and answer:
                self._needed[number] += 1
                self._found.discard(number)
        self._told.append(answer)
        place = self._last_in(name)
        if answer and not block.ready:
            detail = f"{name} returned True, and {self._named(number)} does not answer yet"
            self.breach("ready", detail, "block-not-awaited", place)
        elif not answer and timeout_ps > self._gate.settle_ps + self.late_ps + self.held_up_ps(
            held
        ):
            self._judge_given_up(name, number)
        if name == "reset" and block.pulls == pulls:
            detail = f"{self._named(number)} was not reset"
            self.breach("reset", detail, "reset-not-pulled", place)
        return answer

    def _judge_given_up(self, name: str, number: int) -> None:
        settles = f"which takes {show_duration(self._gate.settle_ps)} to answer"
        detail = f"{name} gave up {self._named(number)}, {settles}"
        rule, place = "block-given-up", self._blame.looked()
        first = next((call for call, one in self._moving if one == number), "")
        if first and not self._gate.blocks[number].runs:
            detail += ", and which the other task had not let run yet"
            at = self._blame.under_way()
            rule, place = "block-half-started", at if at[1] else self._method_place(first)
        self.breach("ready", detail, rule, place)

    def _let_go(self, number: int) -> None:
        with self._moves("disable", number):
            self._needed[number] -= 1
            self.call("disable", number)

    def call_between(self, name: str) -> None:
        """Let another task enable what it has not, or let go of what it has.

        It enables a block of its own, and that of the call it interrupts besides; that one first if
        it settles already, and not if it is being reset, since it waits for the first task then.
        """
        timeout_ps = self.timeout_ps(Step(name), self._gate.settle_ps)
        if name == "enable":
            blocks = self._gate.blocks
            under_way = [one for call, one in self._moving if call != "reset"]
            settling = [one for one in under_way if blocks[one].runs]
            for number in dict.fromkeys((*settling, *self._own, *under_way)):
                if number not in self._others and self._ask("enable", number, timeout_ps):
                    self._others.append(number)
        elif self._others:
            self._let_go(self._others.pop())
        self._check(f"another task's {name}")

    # steps

    def open(self) -> str:
        """Open the device; what runs may be stopped, or left alone."""
        self._used = self.may_be_entered = False
        before = self._look()
        with self._blame.asking():
            name = super().open()
        self._states = self._look()
        for number, (was, now) in enumerate(zip(before, self._states, strict=True)):
            if now.runs and not was.runs:
                detail = f"{self._named(number)} runs after open, and did not before"
                self.breach("off", detail, "block-left-running", self._last_in("open"))
                self._told_of.add(number)
            elif now.runs:
                self._found.add(number)
        self._used = True
        self._hand_to_others()
        return name

    def opened(self) -> None:
        """Begin anew with nothing enabled."""
        self._needed.clear()
        self._found.clear()
        self._told_of.clear()
        self._others.clear()

    def _hand_to_others(self) -> None:
        """Give another task two blocks of its own, one of which it has enabled already."""
        named = {one for step in self._bench.scenario.steps for one in step.values.values()}
        self._own = [one for one in range(len(self._gate.blocks)) if one not in named][-2:]
        if self._bench.scenario.callers and len(self._own) > 1:
            number = self._own[0]
            if self._ask("enable", number, self.timeout_ps(Step("enable"), self._gate.settle_ps)):
                self._others.append(number)
            self.may_be_entered = True

    def play(self, step: Step) -> None:
        """Play one step, note how it went, and look at all blocks."""
        super().play(step)
        if self.is_open:
            self._check(step.action)

    def _missing(self, step: Step) -> str:
        """Ask for a block that cannot be there; return ``""`` if the block is there."""
        number = step.values[step.action]
        if number >= _MOST_BLOCKS:
            return self.refused(f"block {number}", step.action, *self._arguments(step))
        return "" if number < len(self._gate.blocks) else "the board has no such block"

    def _arguments(self, step: Step) -> tuple[object, ...]:
        """Return what a call is given that is to be refused."""
        number = step.values[step.action]
        if step.action == "disable":
            return (number,)
        return number, self.timeout_ps(step, self._gate.settle_ps) / PS_PER_S

    def _unneeded(self, step: Step) -> str:
        """Ask for what needs an enabled block; return ``""`` if it is enabled."""
        number = step.values[step.action]
        if self._needed[number]:
            return ""
        with self._blame.asking():
            return self.refused(
                f"{self._named(number)}, which is not enabled,", step.action,
                *self._arguments(step), promise="balance", rule="disabled-too-often",
            )  # fmt: skip

    def _enable(self, step: Step) -> str:
        if refused := self._missing(step):
            return refused
        return self._answered(step)

    def _reset(self, step: Step) -> str:
        if refused := self._missing(step) or self._unneeded(step):
            return refused
        return self._answered(step)

    def _answered(self, step: Step) -> str:
        number = step.values[step.action]
        start_ps = self._clock.now_ps
        answer = self._ask(step.action, number, self.timeout_ps(step, self._gate.settle_ps))
        if answer is None:
            return "a bus error"
        took = show_duration(self._clock.now_ps - start_ps)
        how = f"answers after {took}" if answer else "does not answer"
        return f"{self._named(number)} {how}"

    def _disable(self, step: Step) -> str:
        if refused := self._missing(step) or self._unneeded(step):
            return refused
        number = step.values["disable"]
        self._let_go(number)
        return (
            f"{self._named(number)} {'is still needed' if self._needed[number] else 'is stopped'}"
        )

    # the end

    def _close(self, step: Step) -> str:
        with self._blame.asking():
            return super()._close(step)

    def finish(self) -> None:
        """From now on the driver may stop everything."""
        self.may_be_entered = self._used = False

    def results(self) -> list[object]:
        """Return what the driver said."""
        return self._told

    def stirring(self) -> list[str]:
        """Say which blocks still run after ``close``, but those that nobody has enabled."""
        states = enumerate(self._look())
        running = [one for one, state in states if state.runs and one not in self._excepted]
        at = self._blame.under_way()
        place = at if at[1] else self._method_place("close")
        for number in running:
            detail = f"{self._named(number)} still runs after close"
            self.breach("quiet", detail, "block-left-running", place)
        return [f"{self._named(one)} still runs" for one in running]
