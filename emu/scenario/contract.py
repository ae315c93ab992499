"""The serial contract: nine promises that any correct driver keeps, whatever the timing.

The contract watches the controller as its `SerialMonitor`, so it knows what truly arrived, was
lost, was accepted and left; the runner tells it what the driver's calls took and returned. At the
end it gives one `Promise` for each of the nine. What it demands is written beside each check; where
two readings of a promise are both good practice, both are allowed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from typing import NamedTuple

from emu.kernel.clock import PS_PER_S
from emu.line.far_end import FarEnd
from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR
from emu.scenario.books import ErrorBooks, count_of, counter
from emu.scenario.difference import characters, differ, times
from emu.scenario.excuses import Excuses, settle_books
from emu.scenario.promise import Breaches, Promise
from emu.scenario.serial_view import SerialView
from emu.scenario.stream import Alignment, ReceivedStream
from emu.scenario.witness import Witness
from emu.units import LineSettings, show_duration

__all__ = ["PROMISES", "SerialContract", "counter"]

_DEEPEST = 64  # characters, the deepest FIFO
_LOOK_CHARACTERS = 5  # a read that waits so long in vain has seen all that a FIFO holds back
_TOLD_CHARACTERS = 5  # after which the character time-out has come, with time to serve it
_ERRORS = PARITY_ERROR | FRAMING_ERROR | BREAK
_SURE = 0x100  # marks flags that must be counted, and not just may be

PROMISES = {
    "order": "what read returns is what arrived, in order, nothing invented or doubled",
    "loss": "no character is lost in silence: overruns are counted, gaps too",
    "errors": "every framing error, parity error and break is counted once",
    "sent": "what appears on the wire is what write accepted, in order, once",
    "time": "every call returns within its time-out plus two character times",
    "drain": "drain is true only after the last stop bit has left",
    "quiet": "after close the device and its interrupts are silent",
    "recovery": "while no fault acts, traffic flows both ways",
    "start": "open works from whatever state it finds",
}


class _Seen(NamedTuple):
    """What had come at some moment, in time in which the processor was not frozen."""

    at_ps: int = 0
    stalled_ps: int = 0
    arrived: int = 0
    overruns: int = 0


class SerialContract:
    """Watch one port and judge its driver.

    Args:
        view: the controller.
        far_end: what hangs at the far end, None for another controller.

    Attributes:
        received: what the driver's ``read`` calls returned, in order.
        accepted: what its ``write`` calls accepted.
        shifted: what started on the wire.
        witness: what the far end heard.
        calm: tells whether no fault has done anything yet.
        excuses: what faults excuse.
        errors: returns the driver's ``errors`` attribute.
    """

    def __init__(self, view: SerialView, far_end: FarEnd | None) -> None:
        self._view = view
        self._clock = view.clock
        self._stream = ReceivedStream()
        self._books = ErrorBooks()
        self._line: LineSettings | None = None
        self._opening = False
        self._open = False
        self._uncertain_sent = False
        self._sent_from = (0, 0)  # from where what was accepted and what was shifted is compared
        self._foreign = 0  # characters in the transmitter that were there before open
        self._recent: deque[int] = deque(maxlen=_DEEPEST)  # flags of the last characters
        self._early: deque[int] = deque(maxlen=_DEEPEST)  # characters that came while closed
        self._stale = b""  # what lay in the receiver before open
        self._opened_at = 0  # how many characters had arrived when the port was opened
        self._row: _Seen | None = None  # when a row of reads began that returned nothing so far
        self._seen = _Seen()  # when a row of reads began that waited long in vain
        self._overran_at = -1
        self._tainted = False
        self.received = bytearray()
        self.accepted = bytearray()
        self.shifted = bytearray()
        self._between: frozenset[int] = frozenset()  # what only another task sends
        self._between_accepted = bytearray()
        self._between_shifted = bytearray()
        self.overruns = 0
        self.lost = 0
        self.last_end_ps = 0
        self.witness = Witness(view, far_end)
        self.calm: Callable[[], bool] = lambda: True
        self.excuses = Excuses(view.clock)
        self._breaches = Breaches(PROMISES, self.excuses, view.clock)
        self.errors: Callable[[], object] = lambda: None
        self._last_arrival_ps = 0
        view.watch(self)

    # the controller's side

    def arrived(self, data: int, flags: int) -> None:
        """Take a character into the books; one in loopback did not come from the line."""
        if flags:
            self._books.enter(flags, sure=self._sure)
        if not self._open or self._view.looped:
            self._early.append(data)
            return
        self._last_arrival_ps = self._clock.now_ps
        self._recent.append(flags if self._opening else flags | _SURE)
        self._stream.arrive(data, free=bool(flags or self._opening or self._tainted))
        self._tainted = False

    def arrived_row(self, data: bytes) -> None:
        """Take several characters without errors into the books."""
        if self._tainted or self._opening or not self._open or self._view.looped:
            for byte in data:
                self.arrived(byte, 0)
        else:
            self._last_arrival_ps = self._clock.now_ps
            self._recent.extend(bytes(len(data)))
            self._stream.arrive_row(data)

    def overran(self, data: int) -> None:  # noqa: ARG002 - as the monitor is called
        """Count a lost character, and a raised flag if it was down."""
        rises = not self._view.overrun_shown
        self._books.overrun.most += rises
        if not self._open or self._view.looped:
            return
        self.lost += 1
        self._overran_at = self._stream.arrived
        self.overruns += rises
        self._books.overrun.least += rises and self._sure
        if self._view.overwrites:
            # The unread character is lost, and its flags seem to be those of the new one; they may
            # go uncounted unless they have been read.
            flags = self._recent.pop() if self._recent else 0
            shown = self._view.errors_shown
            self._tainted = bool(flags & _ERRORS or shown)
            self._stream.forgive_last(1)
            if flags & shown and flags & _SURE:
                self._books.let_go(flags)

    def discarded(self, characters: list[int]) -> None:
        """Forgive what `open` clears away, and what lay before a character that overran.

        Any other clearing of unread characters leaves a gap.
        """
        count = min(len(characters), self._since_open)
        if self._opening or self._overran_at >= self._stream.arrived - count:
            self._stream.forgive_last(count)
            self._unbook(count)

    def loaded(self, data: int) -> None:  # noqa: ARG002 - as the monitor is called
        """Note a character that waited before ``open``; else what ``write`` accepted counts."""
        self._foreign += not self._open

    def spilled(self, data: int) -> None:  # noqa: ARG002 - as the monitor is called
        """Note that without FIFO a character that waited before ``open`` was overwritten."""
        if self._foreign and self._open and self._view.single:
            self._foreign -= 1

    def cleared(self, count: int) -> None:
        """Forget what waited before ``open``; any other that never leaves shows at the end."""
        self._foreign = max(0, self._foreign - count)

    def shifting(self, data: int, end_ps: int) -> None:
        """Note what started on the wire."""
        if self._foreign:
            self._foreign -= 1
        elif not self._view.looped:
            data &= (1 << self._view.data_bits) - 1
            (self._between_shifted if data in self._between else self.shifted).append(data)
            self.last_end_ps = end_ps

    @property
    def _sure(self) -> bool:
        """Whether what happens now must be counted, and not just may be."""
        return self._open and not self._opening and not self._view.looped

    @property
    def _since_open(self) -> int:
        """How many characters arrived since the port was opened; any more in a FIFO are older."""
        return self._stream.arrived - self._opened_at

    def _unbook(self, count: int) -> None:
        """Let the flags of the last `count` characters, all still in the device, go uncounted.

        Those of the oldest character there stand in LSR, unless the driver has been shown them.
        """
        level, shown = self._view.receive_level, self._view.errors_shown
        for number in range(1, min(count, len(self._recent)) + 1):
            flags = self._recent.pop()
            if flags & _SURE and (number < level or flags & shown):
                self._books.let_go(flags)

    # the runner's side

    def opens(self, line: LineSettings) -> None:
        """Note that ``open`` is being called; what lies in the device belongs to nobody.

        A port that is open already is as good as closed first: what was not read may go.
        """
        if self._open:
            self._let_go()
        else:
            self.excuses.session_begins()
            self._opened_at = self._stream.arrived
            level = self._view.receive_level
            self._stale += bytes(self._early)[-level:] if level else b""
        self._line = line
        self._open = self._opening = True
        if self._view.overrun_shown:
            self._books.overrun.most += 1

    def opened(self) -> None:
        """Check what ``open`` left behind."""
        self._opening = False
        if not self._view.busy:
            self._foreign = 0
        self._check_sent()
        self.witness.begin(len(self.shifted))
        assert self._line is not None
        wrong = self._view.wrong_for(self._line)
        if wrong:
            self.breach("start", "after open " + "; ".join(wrong))

    def closes(self) -> None:
        """Note that ``close`` is being called: what came since the last full look may be lost."""
        self._let_go()
        self._opening = True  # what arrives while closing is nobody's

    def cut(self) -> None:
        """Note that the run ends in the middle: what there was no time for is not asked for."""
        if self._open:
            self._let_go()

    def _let_go(self) -> None:
        """Forgive what came since a read last waited in vain, and flags that are still unread."""
        fresh = min(self._stream.arrived - self._seen.arrived, self._since_open)
        self._stream.forgive_from(self._seen.arrived)
        self._unbook(min(fresh, self._view.receive_level))
        if self._view.overrun_shown and self.overruns > self._seen.overruns:
            self._books.overrun.lower(1)

    def released(self) -> None:
        """Note that ``close`` has returned: what arrives from now on is nobody's."""
        self._open = self._opening = False

    def closed(self) -> None:
        """Check that the device is silent, and that what was accepted has left."""
        self._open = self._opening = False
        self._check_sent()
        if self.excuses.find is not None:
            self.settle()

    def settle(self) -> None:
        """Judge what was received up to now; what is excused is forgotten, and excuses no more.

        While the port is open, what is missing may still come.
        """
        excused = False
        errors = self.errors()
        for promise, detail in list(self._complaints(errors)):
            if self._open and promise != "order":
                excused |= self.excuses.excuse(promise)
            else:
                excused |= self.breach(promise, detail)
        if excused:
            self._stream.settle()
            settle_books(self._books, lambda name: count_of(errors, name))
        self.excuses.settled()

    def wrote(self, data: bytes) -> None:
        """Note bytes that ``write`` accepted."""
        mask = (1 << self._line.data_bits) - 1 if self._line else 0xFF
        self.accepted += bytes(byte & mask for byte in data) if mask != 0xFF else data

    def writes_between(self, data: bytes) -> None:
        """Note that another task is going to write characters that nobody else sends."""
        self._between |= frozenset(data)

    def wrote_between(self, data: bytes) -> None:
        """Note what ``write`` accepted of them."""
        self._between_accepted += data

    def write_failed(self) -> None:
        """Note that a ``write`` ended in a bus error, so that what it accepted is unknown."""
        self._uncertain_sent = True

    def reads(self) -> None:
        """Note that ``read`` is being called."""
        if self._row is None:
            clock = self._clock
            self._row = _Seen(
                clock.now_ps - clock.stalled_ps,
                clock.stalled_ps,
                self._stream.arrived,
                self.overruns,
            )

    def read(self, data: bytes) -> None:
        """Note bytes that ``read`` returned.

        One that returns nothing, or several in a row, for longer than a FIFO holds characters back
        shows that the driver has nothing more of what came before. A driver whose processor was
        frozen may not have looked, so that does not count.
        """
        self.received += data
        self._stream.give(data)
        row, clock = self._row, self._clock
        if data or row is None or clock.stalled_ps != row.stalled_ps:
            self._row = None
        elif clock.now_ps - clock.stalled_ps - row.at_ps >= _LOOK_CHARACTERS * self.character_ps:
            self._seen = row._replace(arrived=min(row.arrived, self._announced))
            self._row = None

    @property
    def _announced(self) -> int:
        """How many characters the device has told of by now.

        Those below the trigger level are only told of by the character time-out, which every
        further character puts off by four character times (PC16550D 8.11).
        """
        recent = self._clock.now_ps - self._last_arrival_ps < _TOLD_CHARACTERS * self.character_ps
        return self._stream.arrived - (self._view.receive_level if recent else 0)

    def waited(self, *, start_ps: int, timeout_ps: int, stalled_ps: int) -> None:
        """Judge a ``read`` that returned all it was asked for, but only when its time was over.

        If the last character came long before, the driver slept through it: a lost wake-up. Only
        judged while no fault did anything; half the wait, 24 character times, and the time for
        which the processor was held up, are forgiven.
        """
        now_ps = self._clock.now_ps
        took_ps = now_ps - start_ps
        held_up_ps = self._clock.stalled_ps - stalled_ps
        idle_ps = now_ps - max(self._last_arrival_ps, start_ps) - held_up_ps
        if (
            took_ps >= timeout_ps - self.character_ps
            and idle_ps > max(24 * self.character_ps, took_ps // 2)
            and self.calm()
        ):
            self.breach(
                "time",
                f"read returned only when its time-out of {show_duration(timeout_ps)} was over, "
                f"though all it was asked for had been there for {show_duration(idle_ps)}"
                f"{self._view.untold()}",
            )

    def read_failed(self) -> None:
        """Note that a ``read`` ended in a bus error, which may have taken characters with it."""
        self._row = None
        self._stream.forgive_from(self._stream.returned)

    @property
    def surplus(self) -> int:
        """How many more bytes were returned than ever arrived."""
        return max(0, -self._stream.behind)

    def drained(self, *, answer: bool, stalled_ps: int = 0) -> None:
        """Check what ``drain`` said against the wire.

        Args:
            answer: what it returned.
            stalled_ps: how long the processor was taken from the driver meanwhile.
        """
        now_ps = self._clock.now_ps
        left = self._left
        if answer and (now_ps < self.last_end_ps or left > 0 or self._view.busy):
            late = max(self.last_end_ps - now_ps, 0)
            detail = f"{left} accepted bytes had not begun" if left > 0 else (
                f"the last stop bit ended {show_duration(late)} later"
            )  # fmt: skip
            self.breach("drain", f"drain returned True while {detail}")
        elif not answer and left <= 0 and not self._view.busy and not self._uncertain_sent:
            idle_ps = now_ps - self.last_end_ps - stalled_ps
            if idle_ps > 4 * self.character_ps:
                self.breach(
                    "drain",
                    f"drain returned False although the line had been idle for "
                    f"{show_duration(idle_ps)}",
                )

    def breach(self, promise: str, detail: str) -> bool:
        """Note that a promise was broken; return whether a fault excuses it."""
        excused = self._breaches.enter(promise, detail)
        if not excused:
            self._view.broken(promise, detail)
        return excused

    @property
    def agrees(self) -> bool:
        """Whether the far end speaks the line as asked for, well enough to be a witness."""
        return self.witness.agrees(self._line)

    @property
    def character_ps(self) -> int:
        """Character time of the line as it was asked for."""
        return self._line.character_ps if self._line else PS_PER_S // 1000

    @property
    def pending_bytes(self) -> int:
        """Accepted bytes that have not started on the wire."""
        return max(0, self._left)

    @property
    def _left(self) -> int:
        accepted_from, shifted_from = self._sent_from
        left = len(self.accepted) - accepted_from - (len(self.shifted) - shifted_from)
        return left + len(self._between_accepted) - len(self._between_shifted)

    @property
    def between(self) -> bytes:
        """What another task had sent, as far as it has begun to leave."""
        return bytes(self._between_shifted)

    @property
    def unread(self) -> int:
        """Characters that arrived whole and were not returned yet."""
        return self._stream.unread

    def holds(self, size: int, errors: object) -> bool:
        """Whether a driver that was asked for `size` bytes has been given them.

        What its own buffer dropped, by its own count, it no longer has.
        """
        return self._stream.unread >= size and count_of(errors, "overrun") <= self.overruns

    @property
    def progress(self) -> tuple[int, int]:
        """How much has moved each way so far."""
        return self._stream.arrived, len(self.shifted)

    @property
    def settled(self) -> bool:
        """Whether everything that arrived was returned and the device holds nothing back."""
        return not self._stream.unread and self._view.at_rest

    @property
    def arrived_count(self) -> int:
        """Characters that arrived from the line while the port was open."""
        return self._stream.arrived

    @property
    def first_unread(self) -> int | None:
        """Number of the first character that arrived whole and was not returned, from 0."""
        return self._stream.first_unread

    @property
    def flagged(self) -> dict[str, tuple[int, int]]:
        """For each counter how many errors of its kind must be counted, and how many there were."""
        books = self._books
        return {
            name: (bounds.least, bounds.most)
            for name, bounds in (
                ("overrun", books.overrun), ("parity", books.parity),
                ("framing", books.framing), ("breaks", books.breaks),
            )
        }  # fmt: skip

    def judge(self, errors: object, waived: dict[str, str]) -> list[Promise]:
        """Return how each promise fared.

        Args:
            errors: the driver's ``errors`` attribute.
            waived: promise name and reason for each that faults made impossible at some time; it
                counts as broken where it was broken at another.
        """
        for promise, detail in self._complaints(errors):
            self.breach(promise, detail)
        return self._breaches.told(waived)

    # judging

    def _complaints(self, errors: object) -> Iterator[tuple[str, str]]:
        """Yield promises that what was received so far breaks, and how."""
        found = self._stream.result()
        if found.invented_at is not None:
            yield "order", self._told_invented(found.invented_at)
        else:
            for detail in self._lost(found, count_of(errors, "overrun")):
                yield "loss", detail
        for detail in self._books.complaints(lambda name: count_of(errors, name)):
            yield "errors", detail

    def _told_invented(self, at: int) -> str:
        near = bytes(self.received[max(0, at - 4) : at + 4])
        detail = f"byte {at} that read returned did not arrive there (around it: {near!r})"
        if self.received[at : at + 1] in self._stale:
            detail += f"; {self._stale[-_DEEPEST:]!r} lay in the receiver before open"
        return detail

    def _lost(self, found: Alignment, overrun: int) -> Iterator[str]:
        books = self._books.overrun
        least = books.least + found.gaps
        most = books.most + self._stream.behind
        if overrun < least:
            parts = []
            if books.least:
                parts.append(f"the device raised its overrun flag {times(books.least)}")
            if found.gaps:
                parts.append(f"{characters(found.missing)} never returned though whole")
            detail = " and ".join(parts)
            yield f"{detail}; errors.overrun is {overrun}, at least {least} expected"
        elif overrun > most:
            yield (
                f"errors.overrun is {overrun}, but the device raised its flag {times(books.most)} "
                f"and {characters(most - books.most)} missing"
            )

    def _check_sent(self) -> None:
        """Compare accepted, shifted and heard; call when the driver has closed."""
        accepted_from, shifted_from = self._sent_from
        accepted, shifted = bytes(self.accepted[accepted_from:]), bytes(self.shifted[shifted_from:])
        if self._uncertain_sent:
            excused = True
        elif shifted != accepted:
            excused = self.breach("sent", differ(accepted, shifted))
        elif self._between_shifted != self._between_accepted:
            detail = differ(bytes(self._between_accepted), bytes(self._between_shifted))
            excused = self.breach("sent", f"of what another task wrote: {detail}")
        else:
            excused = self.witness.reliable(self._line) and self._heard_otherwise()
        if excused:
            self._forget_sent()

    def _heard_otherwise(self) -> bool:
        """Compare what was shifted with what the far end heard; return whether it is excused."""
        found = self.witness.heard_otherwise(bytes(self.shifted), self._between)
        if found is None:
            return False
        return self.breach("sent", "the far end heard something else: " + differ(*found))

    def _forget_sent(self) -> None:
        """Compare anew from here; what the transmitter still holds is nobody's."""
        self._foreign = self._view.transmit_level
        self._uncertain_sent = False
        self._sent_from = len(self.accepted), len(self.shifted)
        self._between_accepted.clear()
        self._between_shifted.clear()
        self.witness.begin(len(self.shifted))
