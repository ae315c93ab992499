"""A watchdog with its driver: when it was fed and when it bit, compared with what was asked for.

The one idea: a reset of the board is the end of a driver. It is judged by its cause and its moment;
where it was to come, or a fault or a delay from outside excuses it, the processor begins anew with
a new driver, and the steps go on. Where it was not, the run is over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from emu.devices.watchdog import FIRST_KEY, SECOND_KEY, Watchdog
from emu.devices.watchdog_driver import CAUSES
from emu.errors import RunEnded
from emu.kernel.where import Place
from emu.scenario.device_port import COMMON_PROMISES, NO_ANSWER, DevicePort, Held
from emu.scenario.guarded import RunOver
from emu.scenario.model import Step
from emu.scenario.watchdog_blame import Lead, WatchdogBlame
from emu.scenario.watchdog_books import Bite, Guarding, Resets, Window, cause_of, listed
from emu.units import show_duration

__all__ = ["WATCHDOG_PROMISES", "WatchdogPort"]

WATCHDOG_PROMISES = {
    "fed": "a watchdog that is fed in time, or guards nothing, never resets the board",
    "bite": "one that is not fed resets the board when its time is over, neither early nor late",
    "window": "a feed before the window opens is refused or resets the board, and a lock holds",
    "answer": "feed and guard return True where they took effect, and False where they did not",
    "causes": "causes tells which resets there were, each of them once",
    "restart": "restart resets the board at once, by software",
    "range": "a window that cannot be made is refused with a ValueError",
    **COMMON_PROMISES,
}
_NOBODY: Lead = ("", ("", 0))
_ENABLE = 0x01
_WAITING = ("call-overdue", "endless-poll", "asleep-for-ever")
_SLACK_TICKS = 2  # by which a driver that keeps its own time may take the window for shut


class _Wrong(NamedTuple):
    """What a reset that should not have been breaks; see `DevicePort.breach`."""

    promise: str
    detail: str
    rule: str = ""
    place: Place = ("", 0)


class WatchdogPort(DevicePort):
    """Call the driver of one watchdog.

    A driver may keep time by itself. So when another program has fed or stopped the watchdog,
    what it answers and does is not judged until it has fed, or guards anew.
    """

    PROMISES = WATCHDOG_PROMISES
    STEADFAST = frozenset({"range"})
    UNOPENED = (*DevicePort.UNOPENED, "stray")

    def set_up(self) -> None:
        """Watch when it begins to count, and when it bites."""
        assert isinstance(self.device, Watchdog)
        self._dog = self.device
        self._accesses = WatchdogBlame(self._dog, self._method_place)
        self._told: list[object] = []
        self._resets = Resets()
        self._guarding: Guarding | None = None
        self._wanted: Guarding | None = None  # while guard is under way
        self._blame = _NOBODY  # for what is in force, where that is not what was asked for
        self._bite: Bite | None = None  # which has not been judged yet
        self._began = 0  # how often it has begun to count
        self._held = Held()  # when the call under way began
        self._call_ps = 0
        self._held_then = Held()  # when the call began in which the count did
        self._straying = False  # whether another program is at it
        self._loose = False  # whether it runs in a way that nobody vouches for any more
        self._strayed = False  # whether that has changed what the driver may know of its count
        self.players |= {
            "guard": self._set,
            "feed": self._feed,
            "causes": self._causes,
            "restart": self._restart,
            "stray": self._stray,
        }
        self._dog.on_begin.append(self._begins)
        self._dog.on_bite.append(self._bites)

    # what the watchdog does

    def _begins(self) -> None:
        """Take in that it counts from 0."""
        now_ps, guarding = self._clock.now_ps, self._guarding
        self._began += 1
        self._held_then = self._held
        if self._wanted is not None:
            self._wanted = self._wanted.begun(now_ps)
        if guarding is None or (self._wanted is not None and not guarding.window.locked):
            return
        early_ps = guarding.opens_ps[0] - now_ps
        if early_ps > 0 and self.calling == "feed":
            detail = f"it was fed {show_duration(early_ps)} before its window opened"
            self.breach("window", detail, *self._blame)
        self._strayed = self._straying
        self._guarding = guarding.begun(now_ps)
        self._blame = self._accesses.settings(guarding.window)

    def _bites(self, bits: int) -> None:
        self._bite = Bite(
            cause_of(bits), self._clock.now_ps, self.calling, self.entered, self._straying
        )

    # resets

    def play(self, step: Step) -> None:
        """Play one step on an open device; the reset that may end an ``open`` is the last."""
        if step.action not in self.UNOPENED and not self.is_open:
            super().play(Step("open", row=step.row))
        super().play(step)

    def played(self, step: Step) -> str:
        """Play one step, and go on with a new driver where it resets the board."""
        start_ps = self._clock.now_ps
        try:
            said = super().played(step)
        except (RunEnded, RunOver) as over:
            reset = isinstance(over, RunOver) or over.rule == "board-reset"
            if self._bite is None or not reset:
                raise
        if self._bite is not None:
            said = self._begin_anew(self._bite, step, start_ps)
        self._judge_starved()
        return said

    def _note_ended(self, name: str, ended: RunEnded, entitled: Callable[[], bool] | None) -> None:
        if self._bite is not None and ended.rule == "board-reset":
            raise ended
        if name == "restart" and ended.rule in _WAITING and self.excuse("restart"):
            raise RunOver("restart waits for a reset that a fault has kept off")
        super()._note_ended(name, ended, entitled)

    def _note_raised(self, name: str, error: BaseException) -> None:
        if self._bite is None:  # else it is what a driver makes of its own end
            super()._note_raised(name, error)

    def _begin_anew(self, bite: Bite, step: Step, start_ps: int) -> str:
        """Judge a reset of the board, and put a new driver in place.

        Raises:
            RunOver: it should not have been.
        """
        wrong = self._wrong(bite)
        self._bite = self._wanted = self._guarding = None
        self._blame = _NOBODY
        self._board.cpu.restart()
        self.is_open = self.failed = self._loose = self._strayed = False
        self._resets.happened(bite.cause, in_open=bite.calling == "open")
        if wrong is not None:
            accused = not self.excuse(wrong.promise)
            self.breach(*wrong)
            if accused:
                raise RunOver(f"the board was reset: {wrong.detail}")
        self.construct()
        left_ps = start_ps + step.duration_ps - self._clock.now_ps
        if step.action == "wait" and left_ps > 0:
            self._wait(Step("wait", duration_ps=left_ps))
        return f"the board was reset after {show_duration(bite.at_ps - start_ps)}: {bite.cause}"

    def _wrong(self, bite: Bite) -> _Wrong | None:
        """Return what a reset breaks, None if it was to come or nobody could help it.

        What comes of something that the driver was accused of already is not held against it again.
        """
        if bite.calling == "restart":
            return self._wrong_restart(bite)
        if bite.cause == "software":
            return _Wrong("fed", "nobody asked for a reset by software")
        if self._loose:
            return None
        return self._wrong_late(bite) if bite.cause == "late" else self._wrong_feed(bite)

    def _wrong_restart(self, bite: Bite) -> _Wrong | None:
        """Judge a reset in ``restart``, which may have been held up until the watchdog bit."""
        if bite.cause == "software" or (bite.cause == "late" and self._loose):
            return None
        if bite.cause == "late" and self._guarding is not None and self._wrong_late(bite) is None:
            return None
        return _Wrong("restart", f"restart made it bite, and the cause is {bite.cause}")

    def _wrong_feed(self, bite: Bite) -> _Wrong | None:
        """Judge a bite because of a key: who wrote it, and whether the window was open."""
        guarding = self._guarding
        shut = guarding is not None and bite.at_ps < guarding.opens_ps[1]
        if bite.stray:  # which may have come after a first key of the driver's
            detail = "a feed from elsewhere within the window reset the board"
            meant = shut or bite.cause == "wrong-key"
            return None if meant else _Wrong("window", detail, *self._blame)
        if self._strayed:
            return None
        rule = "wrong-key" if bite.cause == "wrong-key" else "fed-too-early"
        what = "a wrong key was written" if rule == "wrong-key" else "it was fed too early"
        place = self._accesses.fed if rule == "wrong-key" else self._accesses.look
        if bite.mixed:
            what += ", since another task fed it in between"
            return _Wrong("fed", what, "feed-torn", place)
        if rule == "fed-too-early" and not shut:
            return _Wrong("fed", f"{what}, while the window should be open", *self._blame)
        return _Wrong("fed", what, rule, place)

    def _wrong_late(self, bite: Bite) -> _Wrong | None:
        """Judge a bite because it was not fed: its moment, and whether a call took too long.

        A call that began so shortly before that a driver may be as late is not accused, and time in
        which it was held up does not count.
        """
        due_ps = [one.bites_ps[0] for one in (self._guarding, self._wanted) if one is not None]
        if not due_ps:
            leading = self._left_running("open" if self.is_open or bite.calling else "close")
            return _Wrong("fed", "it bit, and nothing was guarded", *leading)
        early_ps = min(due_ps) - bite.at_ps
        if early_ps > 0:
            return _Wrong("bite", f"it bit {show_duration(early_ps)} too early", *self._blame)
        if self._guarding is not None and self._wanted is None:
            late_ps = bite.at_ps - self._guarding.bites_ps[1]
            if late_ps > 0:
                return _Wrong("bite", f"it bit {show_duration(late_ps)} too late", *self._blame)
        left_ps = min(due_ps) - self._call_ps - self.held_up_ps(self._held)
        if bite.calling in ("feed", "guard", "restart") and left_ps > self.late_ps:
            detail = f"it bit during {bite.calling}, which began {show_duration(left_ps)} before"
            return _Wrong("fed", detail)
        return None

    def _judge_starved(self) -> None:
        """See that it has bitten when its time is over."""
        guarding = self._guarding
        if guarding is not None and self._clock.now_ps > guarding.bites_ps[1]:
            fed_ps = self._clock.now_ps - guarding.last_ps
            detail = f"it was not fed for {show_duration(fed_ps)}, and did not bite"
            self.breach("bite", detail, *self._blame)
            self._give_up()

    def _give_up(self) -> None:
        """Expect nothing of it any more, until it is opened again or guards anew."""
        self._guarding, self._loose = None, True

    # calls

    def _call_begins(self) -> None:
        """Note when a call begins, unless another task makes it in the middle of one."""
        if not self.calling:
            self._call_ps, self._held = self._clock.now_ps, self.held()

    def open(self) -> str:
        """Open the device: what it guards ends, unless it is locked.

        A fault may have set it up otherwise, or stopped it for a while: then nobody knows.
        """
        self._accesses.forget_causes()
        if self._excusing():
            self._give_up()
        self._call_begins()
        return super().open()

    def opened(self) -> None:
        """Begin anew: the causes have been taken."""
        self._loose = self._strayed = False
        self._let_go()
        if self._guarding is None and not self._locked:
            self._blame = _NOBODY
        if self._excusing() and self._locked:
            self._give_up()
        self._resets.opened(in_doubt=self.excuse("causes"))

    @property
    def _locked(self) -> bool:
        """Whether it is locked by its own word."""
        return bool(self._dog.peek("CONTROL.LOCK"))

    def _let_go(self) -> None:
        """Let nothing be guarded any more, unless it is locked."""
        if self._guarding is not None and not self._guarding.window.locked:
            self._guarding = None

    def _set(self, step: Step) -> str:
        values = step.values
        window = Window(values["guard"], values.get("opens", 0), values.get("locked", False))
        if not window.possible:
            said: str = self.refused(str(window), "guard", *window)
            if said == "taken":
                self._give_up()
            return said
        now_ps, locked, held = self._clock.now_ps, self._guarding, self._loose and self._locked
        self._accesses.forget_settings()
        self._call_begins()
        self._wanted = Guarding(window, self._dog.clock_hz, now_ps, now_ps)
        answer = self.call("guard", *window)
        wanted, self._wanted = self._wanted, None
        if answer is NO_ANSWER:
            self._let_go()
            return "a bus error"
        answer = self.truth("guard", answer)
        self._told.append(answer)
        if locked is not None and locked.window.locked:
            if answer and window != locked.window:
                detail = f"guard returned True, while a lock holds {locked.window}"
                self.breach("answer", detail)
            return "it is locked"
        if held:
            return "what holds it is not known"
        if not answer:
            self.breach("answer", "guard returned False, and no lock keeps it from guarding")
            self._give_up()
            return "refused"
        if wanted.first_ps == now_ps:  # it went on counting: from when, nobody has said
            wanted = wanted._replace(last_ps=self._clock.now_ps)
        self._guarding, self._loose, self._strayed = wanted, False, False
        self._blame = self._accesses.settings(window)
        return str(window)

    def feed(self) -> str:
        """Ask the driver to feed, and judge its answer."""
        began, start_ps, guarding = self._began, self._clock.now_ps, self._guarding
        if not self.calling:
            self._accesses.forget_look()
        self._call_begins()
        answer = self.call("feed")
        if answer is NO_ANSWER:
            return "a bus error"
        answer = self.truth("feed", answer)
        self._told.append(answer)
        fed = self._began > began
        if not (self.entered or self._strayed):
            self._judge_feed(start_ps, guarding, answer=answer, fed=fed)
        return "fed" if answer else "not now"

    def _judge_feed(
        self, start_ps: int, guarding: Guarding | None, *, answer: bool, fed: bool
    ) -> None:
        """Compare an answer with what came of the call.

        A driver that keeps its own time may take the window for shut a little longer, and so much
        longer as it was held up when it began.
        """
        if answer and not fed:
            self.breach(
                "answer", "feed returned True, and nothing was fed",
                "feed-unconfirmed", self._accesses.look,
            )  # fmt: skip
        elif fed and not answer:
            self.breach("answer", "feed returned False, and it was fed")
        elif guarding is not None and not answer:
            slack_ps = self.late_ps + self.held_up_ps(self._held_then)
            slack_ps += guarding.ticks_ps(_SLACK_TICKS)
            open_ps = start_ps - guarding.opens_ps[1]
            if open_ps > slack_ps:
                detail = f"feed returned False, {show_duration(open_ps)} after the window opened"
                self.breach("answer", detail, *self._blame)

    def _feed(self, _step: Step) -> str:
        return self.feed()

    def _causes(self, _step: Step) -> str:
        self._call_begins()
        answer = self.call("causes")
        if answer is NO_ANSWER:
            return "a bus error"
        found = self._named(answer)
        self._told.append(tuple(sorted(found)))
        resets = self._resets
        missing, more = resets.told - found, found - resets.tellable
        if missing or more:
            detail = f"causes tells of {listed(found)}, while there was {listed(resets.told)}"
            again = bool(more) and more <= resets.known
            self.breach(
                "causes", detail, *self._accesses.causes(again=again, missing=bool(missing))
            )
        return listed(found)

    def _named(self, answer: object) -> set[str]:
        """Return an answer that must be the names of causes."""
        right = isinstance(answer, (set, frozenset, tuple, list))
        names = set(answer) if right and isinstance(answer, Iterable) else set()
        if not right or not names <= set(CAUSES):
            self._bad_value("causes", answer, f"a set of {', '.join(CAUSES)}")
        return names

    def _restart(self, _step: Step) -> str:
        self._call_begins()
        self.call("restart")
        if self._bite is None:
            self.breach("restart", "restart returned, and the board was not reset")
        return "it returned"

    def _stray(self, step: Step) -> str:
        """Let another program do something to the watchdog, past the driver."""
        what: str = step.values["stray"]
        self._straying = True
        try:
            if what == "feed":
                self._stray_feed()
            else:
                self._dog.ports["CONTROL"].bare_write(_ENABLE * (what == "start"))
        finally:
            self._straying = False
        if what == "start":
            self._loose |= self._guarding is None
        elif what == "stop":
            self._judge_lock()
        return what

    def _stray_feed(self) -> None:
        guarding, blame = self._guarding, self._blame
        shut = guarding is not None and self._clock.now_ps < guarding.opens_ps[0]
        for key in (FIRST_KEY, SECOND_KEY):
            self._dog.ports["FEED"].bare_write(key)
        if shut:
            detail = "a feed from elsewhere before the window opened did no harm"
            self.breach("window", detail, *blame)

    def _judge_lock(self) -> None:
        """See that a lock has held, and what is not locked is stopped."""
        guarding = self._guarding
        self._strayed |= not self._dog.running
        if guarding is not None and guarding.window.locked and not self._dog.running:
            detail = "another program has stopped it, which was to be locked"
            self.breach("window", detail, *self._blame)
            self._give_up()
        self._let_go()

    # the end

    def _watch_silence(self, settling_ps: int) -> None:
        self._let_go()
        super()._watch_silence(settling_ps)

    def _breach(self, promise: str, detail: str) -> None:
        running = promise == "quiet" and self.stirring()
        self.breach(promise, detail, *(self._left_running("close") if running else _NOBODY))

    def _left_running(self, method: str) -> Lead:
        """Return why it runs after a call that was to stop it: the call, if it is not locked."""
        return (
            self._blame if self._blame[0] else ("watchdog-left-running", self._method_place(method))
        )

    def results(self) -> list[object]:
        """Return what the driver said."""
        return self._told

    def stirring(self) -> list[str]:
        """Say whether it counts after ``close``, though it is not locked."""
        stray = self._loose or self._guarding is not None
        return ["it still counts"] if self._dog.running and not stray else []
