"""The serial contract: nine promises that any correct driver keeps, whatever the timing.

The contract watches the controller as its `SerialMonitor`, so it knows what truly arrived, was
lost, was accepted and left; the runner tells it what the driver's calls took and returned. At the
end it gives one `Promise` for each of the nine. What it demands is written beside each check; where
two readings of a promise are both good practice, both are allowed.
"""

from __future__ import annotations

import operator
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from emu.devices.uart16550 import OE, Uart16550
from emu.kernel.clock import PS_PER_S
from emu.line.far_end import FarEnd
from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR, format_of
from emu.scenario.stream import ReceivedStream
from emu.units import LineSettings, show_duration

__all__ = ["PROMISES", "Promise", "SerialContract", "counter"]

_DEEPEST = 64  # characters, the deepest FIFO
_LOOK_CHARACTERS = 5  # a read that waits so long in vain has seen all that a FIFO holds back
_TOLD_CHARACTERS = 5  # after which the character time-out has come, with time to serve it
_ERRORS = PARITY_ERROR | FRAMING_ERROR | BREAK
_RECEIVE_BITS = 0x1F  # of LSR: data ready and everything that can be wrong

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


@dataclass(frozen=True, slots=True)
class Promise:
    """Say how one promise fared.

    Args:
        promise: its name, one of `PROMISES`.
        kept: False when it was broken.
        detail: what broke it, or why it was waived; empty when it was simply kept.
        waived: whether a fault made it impossible to keep, so that it was not judged.
    """

    promise: str
    kept: bool
    detail: str = ""
    waived: bool = False


@dataclass(slots=True)
class _Bounds:
    """The least and the most that a counter may show."""

    least: int = 0
    most: int = 0

    def lower(self, count: int) -> None:
        """Ask for `count` less."""
        self.least = max(0, self.least - count)


class _Seen(NamedTuple):
    """What had come at some moment, in time in which the processor was not frozen."""

    at_ps: int = 0
    stalled_ps: int = 0
    arrived: int = 0
    overruns: int = 0


@dataclass(slots=True)
class _Books:
    """What is known about counters."""

    overrun: _Bounds = field(default_factory=_Bounds)
    parity: _Bounds = field(default_factory=_Bounds)
    framing: _Bounds = field(default_factory=_Bounds)
    breaks: _Bounds = field(default_factory=_Bounds)
    both: int = 0  # characters with parity and framing error, of which one may go uncounted


class SerialContract:
    """Watch one port and judge its driver.

    Args:
        uart: the controller.
        far_end: what hangs at the far end, None for another controller.

    Attributes:
        received: what the driver's ``read`` calls returned, in order.
        accepted: what its ``write`` calls accepted.
        shifted: what started on the wire.
        witness: tells whether what the far end heard may be held against the driver; a fault on
            the wire makes it a bad witness.
        calm: tells whether no fault has done anything yet.
    """

    def __init__(self, uart: Uart16550, far_end: FarEnd | None) -> None:
        self._uart = uart
        self._far_end = far_end
        self._clock = uart.clock
        self._stream = ReceivedStream()
        self._books = _Books()
        self._breaches: dict[str, str] = {}
        self._line: LineSettings | None = None
        self._opening = False
        self._open = False
        self._uncertain_sent = False
        self._foreign = 0  # characters in the transmitter that were there before open
        self._recent: deque[int] = deque(maxlen=_DEEPEST)  # flags of the last characters
        self._row: _Seen | None = None  # when a row of reads began that returned nothing so far
        self._seen = _Seen()  # when a row of reads began that waited long in vain
        self._overran_at = -1
        self._tainted = False
        self._far_from = 0
        self._far_in_doubt = False
        self._shifted_from = 0
        self.received = bytearray()
        self.accepted = bytearray()
        self.shifted = bytearray()
        self.overruns = 0
        self.lost = 0
        self.last_end_ps = 0
        self.witness: Callable[[], bool] = lambda: True
        self.calm: Callable[[], bool] = lambda: True
        self._last_arrival_ps = 0
        uart.monitor = self

    # the controller's side

    def arrived(self, data: int, flags: int) -> None:
        """Take a character into the books; one in loopback did not come from the line."""
        if flags:
            self._book_flags(flags)
        if not self._open or self._uart.looped:
            return
        self._last_arrival_ps = self._clock.now_ps
        self._recent.append(flags)
        self._stream.arrive(data, free=bool(flags or self._opening or self._tainted))
        self._tainted = False

    def arrived_row(self, data: bytes) -> None:
        """Take several characters without errors into the books."""
        if self._tainted or not self._sure:
            for byte in data:
                self.arrived(byte, 0)
        else:
            self._last_arrival_ps = self._clock.now_ps
            self._recent.extend(bytes(len(data)))
            self._stream.arrive_row(data)

    def overran(self, data: int) -> None:  # noqa: ARG002 - as the monitor is called
        """Count a lost character, and a raised flag if it was down."""
        rises = not self._uart.peek("LSR") & OE
        self._books.overrun.most += rises
        if not self._open or self._uart.looped:
            return
        self.lost += 1
        self._overran_at = self._stream.arrived
        self.overruns += rises
        self._books.overrun.least += rises and self._sure
        if self._uart.peek("FCR.ENABLE") == 0:
            # The unread character is lost, and its flags seem to be those of the new one.
            flags = self._recent[-1] if self._recent else 0
            self._tainted = bool(flags or self._uart.peek("LSR") & _ERRORS)
            self._stream.forgive_last(1)
            self._unbook(1)

    def discarded(self, characters: list[int]) -> None:
        """Forgive what `open` clears away, and what lay before a character that overran.

        Any other clearing of unread characters leaves a gap.
        """
        count = len(characters)
        if self._opening or self._overran_at >= self._stream.arrived - count:
            self._stream.forgive_last(count)
            self._unbook(count)

    def loaded(self, data: int) -> None:  # noqa: ARG002 - as the monitor is called
        """Note a character that waited before ``open``; else what ``write`` accepted counts."""
        self._foreign += not self._open

    def spilled(self, data: int) -> None:  # noqa: ARG002 - as the monitor is called
        """Note that without FIFO a character that waited before ``open`` was overwritten."""
        if self._foreign and self._open and self._uart.peek("FCR.ENABLE") == 0:
            self._foreign -= 1

    def cleared(self, count: int) -> None:
        """Forget what waited before ``open``; any other that never leaves shows at the end."""
        self._foreign = max(0, self._foreign - count)

    def shifting(self, data: int, end_ps: int) -> None:
        """Note what started on the wire."""
        if self._foreign:
            self._foreign -= 1
        elif not self._uart.looped:
            self.shifted.append(data & ((1 << self._uart.frame.data_bits) - 1))
            self.last_end_ps = end_ps

    def _book_flags(self, flags: int) -> None:
        """Enter error flags: a break may count as a framing or parity error besides."""
        books = self._books
        sure = self._sure
        if flags & BREAK:
            books.breaks.most += 1
            books.breaks.least += sure
            books.framing.most += 1
            books.parity.most += bool(flags & PARITY_ERROR)
            return
        parity, framing = bool(flags & PARITY_ERROR), bool(flags & FRAMING_ERROR)
        books.parity.most += parity
        books.framing.most += framing
        if parity and framing:
            books.both += sure
        else:
            books.parity.least += parity and sure
            books.framing.least += framing and sure

    @property
    def _sure(self) -> bool:
        """Whether what happens now must be counted, and not just may be."""
        return self._open and not self._opening and not self._uart.looped

    def _unbook(self, count: int) -> None:
        """Let the flags of the last `count` characters go uncounted."""
        books = self._books
        for _ in range(min(count, len(self._recent))):
            flags = self._recent.pop()
            parity, framing = bool(flags & PARITY_ERROR), bool(flags & FRAMING_ERROR)
            if flags & BREAK:
                books.breaks.lower(1)
            elif parity and framing:
                books.both -= books.both > 0
            else:
                books.parity.lower(parity)
                books.framing.lower(framing)

    # the runner's side

    def opens(self, line: LineSettings) -> None:
        """Note that ``open`` is being called; what lies in the device belongs to nobody."""
        self._line = line
        self._open = self._opening = True
        if self._uart.peek("LSR") & OE:
            self._books.overrun.most += 1

    def opened(self) -> None:
        """Check what ``open`` left behind."""
        self._opening = False
        if not self._uart.busy:
            self._foreign = 0
        self._mark_far_end()
        assert self._line is not None
        uart, line = self._uart, self._line
        wrong = []
        if uart.frame != format_of(line):
            wrong.append(f"LCR is {uart.peek('LCR'):#04x}, which is not {line}")
        best = best_divisor(uart.clock_hz, line.baud)
        if uart.divisor != best and not _within(uart.clock_hz, uart.divisor, line.baud):
            wrong.append(f"the divisor is {uart.divisor}, {line.baud} baud needs {best}")
        for path, meaning in (
            ("LCR.DLAB", "the divisor latch is still selected"),
            ("LCR.BREAK", "the output is held at break"),
            ("MCR.LOOP", "loopback is still on"),
        ):
            if uart.peek(path):
                wrong.append(f"{meaning} ({path} = 1)")
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
        fresh = self._stream.arrived - self._seen.arrived
        self._stream.forgive_from(self._seen.arrived)
        self._unbook(min(fresh, self._uart.receive_level))
        if self._uart.peek("LSR") & OE and self.overruns > self._seen.overruns:
            self._books.overrun.lower(1)

    def closed(self) -> None:
        """Check that the device is silent, and that what was accepted has left."""
        self._open = self._opening = False
        self._check_sent()

    def wrote(self, data: bytes) -> None:
        """Note bytes that ``write`` accepted."""
        mask = (1 << self._line.data_bits) - 1 if self._line else 0xFF
        self.accepted += bytes(byte & mask for byte in data) if mask != 0xFF else data

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
        return self._stream.arrived - (self._uart.receive_level if recent else 0)

    def waited(self, *, start_ps: int, timeout_ps: int, stalled_ps: int) -> None:
        """Judge a ``read`` that returned all it was asked for, but only when its time was over.

        If the last character came long before, the driver slept through it: a lost wake-up. Only
        judged while no fault did anything; half the wait, and 24 character times, are forgiven.
        """
        now_ps = self._clock.now_ps
        took_ps = now_ps - start_ps
        idle_ps = now_ps - max(self._last_arrival_ps, start_ps)
        if (
            took_ps >= timeout_ps - self.character_ps
            and idle_ps > max(24 * self.character_ps, took_ps // 2)
            and self._clock.stalled_ps == stalled_ps
            and self.calm()
        ):
            self.breach(
                "time",
                f"read returned only when its time-out of {show_duration(timeout_ps)} was over, "
                f"though all it was asked for had been there for {show_duration(idle_ps)}",
            )

    def read_failed(self) -> None:
        """Note that a ``read`` ended in a bus error, which may have taken characters with it."""
        self._row = None
        self._stream.forgive_from(self._stream.returned)

    @property
    def surplus(self) -> int:
        """How many more bytes were returned than ever arrived."""
        return max(0, self._stream.returned - self._stream.arrived)

    def drained(self, *, answer: bool, stalled_ps: int = 0) -> None:
        """Check what ``drain`` said against the wire.

        Args:
            answer: what it returned.
            stalled_ps: how long the processor was frozen meanwhile.
        """
        now_ps = self._clock.now_ps
        left = len(self.accepted) - len(self.shifted)
        if answer and (now_ps < self.last_end_ps or left > 0 or self._uart.busy):
            late = max(self.last_end_ps - now_ps, 0)
            detail = f"{left} accepted bytes had not begun" if left > 0 else (
                f"the last stop bit ended {show_duration(late)} later"
            )  # fmt: skip
            self.breach("drain", f"drain returned True while {detail}")
        elif not answer and left <= 0 and not self._uart.busy and not self._uncertain_sent:
            idle_ps = now_ps - self.last_end_ps - stalled_ps
            if idle_ps > 4 * self.character_ps:
                self.breach(
                    "drain",
                    f"drain returned False although the line had been idle for "
                    f"{show_duration(idle_ps)}",
                )

    def breach(self, promise: str, detail: str) -> None:
        """Note that a promise was broken; the first detail is kept."""
        self._breaches.setdefault(promise, detail)

    @property
    def character_ps(self) -> int:
        """Character time of the line as it was asked for."""
        return self._line.character_ps if self._line else PS_PER_S // 1000

    @property
    def pending_bytes(self) -> int:
        """Accepted bytes that have not started on the wire."""
        return max(0, len(self.accepted) - len(self.shifted))

    @property
    def unread(self) -> int:
        """Characters that arrived whole and were not returned yet."""
        return self._stream.unread

    @property
    def settled(self) -> bool:
        """Whether everything that arrived was returned and the device holds nothing back."""
        return not self._stream.unread and not self._uart.peek("LSR") & _RECEIVE_BITS

    @property
    def arrived_count(self) -> int:
        """Characters that arrived from the line while the port was open."""
        return self._stream.arrived

    def judge(self, errors: object, waived: dict[str, str]) -> list[Promise]:
        """Return how each promise fared.

        Args:
            errors: the driver's ``errors`` attribute.
            waived: promise name and reason for each that faults made impossible.
        """
        self._judge_received(errors)
        self._judge_errors(errors)
        return [
            Promise(name, True, waived[name], waived=True)
            if name in waived
            else Promise(name, name not in self._breaches, self._breaches.get(name, ""))
            for name in PROMISES
        ]

    # judging

    def _judge_received(self, errors: object) -> None:
        found = self._stream.result()
        if found.invented_at is not None:
            at = found.invented_at
            near = bytes(self.received[max(0, at - 4) : at + 4])
            self.breach(
                "order",
                f"byte {at} that read returned did not arrive there (around it: {near!r})",
            )
            return
        overrun = _counter(errors, "overrun")
        books = self._books.overrun
        least = books.least + found.gaps
        most = books.most + self._stream.arrived - self._stream.returned
        if overrun < least:
            parts = []
            if books.least:
                parts.append(f"the device raised its overrun flag {_times(books.least)}")
            if found.gaps:
                parts.append(f"{_characters(found.missing)} never returned though whole")
            detail = " and ".join(parts)
            self.breach("loss", f"{detail}; errors.overrun is {overrun}, at least {least} expected")
        elif overrun > most:
            self.breach(
                "loss",
                f"errors.overrun is {overrun}, but the device raised its flag {_times(books.most)} "
                f"and {_characters(most - books.most)} missing",
            )

    def _judge_errors(self, errors: object) -> None:
        books = self._books
        for name, bounds in (
            ("parity", books.parity), ("framing", books.framing), ("breaks", books.breaks)
        ):  # fmt: skip
            count = _counter(errors, name)
            if not bounds.least <= count <= bounds.most:
                wanted = (
                    str(bounds.least)
                    if bounds.least == bounds.most
                    else f"{bounds.least} to {bounds.most}"
                )
                self.breach("errors", f"errors.{name} is {count}, the device flagged {wanted}")
        both = _counter(errors, "parity") + _counter(errors, "framing")
        least = books.parity.least + books.framing.least + books.both
        if both < least:
            self.breach(
                "errors", f"parity and framing errors counted: {both}, flagged: at least {least}"
            )

    def _mark_far_end(self) -> None:
        """Begin to compare what the far end hears from here."""
        self._check_sent()
        self._shifted_from = len(self.shifted)
        far = self._far_end
        self._far_from = len(far.received) if far else 0
        # What was under way when the port was opened may have put the far end out of step.
        self._far_in_doubt = far is not None and (self._uart.busy or far.receiver.busy)

    def _check_sent(self) -> None:
        """Compare accepted, shifted and heard; call when the driver has closed."""
        if self._uncertain_sent:
            return
        accepted, shifted = bytes(self.accepted), bytes(self.shifted)
        if shifted != accepted:
            self.breach("sent", _differ(accepted, shifted))
        elif self._far_end is not None and self._is_witness:
            heard = bytes(self._far_end.received[self._far_from :])
            sent = shifted[self._shifted_from :]
            if heard[: len(sent)] != sent[: len(heard)] or len(heard) < len(sent):
                self.breach("sent", "the far end heard something else: " + _differ(sent, heard))

    @property
    def _is_witness(self) -> bool:
        """Whether what the far end heard may be held against the driver."""
        return self.agrees and self.witness() and not self._far_in_doubt

    @property
    def agrees(self) -> bool:
        """Whether the far end speaks the line as asked for, well enough to be a witness."""
        far = self._far_end
        return (
            far is not None
            and self._line is not None
            and format_of(far.line) == format_of(self._line)
            and abs(self._best_baud / (far.line.baud * (1 + far.baud_error)) - 1) <= 0.02
        )

    @property
    def _best_baud(self) -> float:
        """The rate nearest to the one asked for that the controller can make."""
        assert self._line is not None
        clock_hz = self._uart.clock_hz
        return clock_hz / (16 * best_divisor(clock_hz, self._line.baud))


def best_divisor(clock_hz: int, baud: int) -> int:
    """Return the divisor whose rate is nearest to `baud` (PC16550D 8.3: clock / (16 x baud))."""
    return max(1, min(65535, (2 * clock_hz + 16 * baud) // (32 * baud)))


def _within(clock_hz: int, divisor: int, baud: int) -> bool:
    """Say whether `divisor` makes `baud` within 3 %, or as well as the best divisor does."""
    if not divisor:
        return False
    return abs(clock_hz / (16 * divisor) / baud - 1) <= 0.03


def counter(errors: object, name: str) -> int | None:
    """Return one of a driver's counters, None when it is no number."""
    try:
        return operator.index(getattr(errors, name, None))  # type: ignore[arg-type]
    except Exception:  # noqa: BLE001 - it is the driver's object and may do anything
        return None


def _counter(errors: object, name: str) -> int:
    value = counter(errors, name)
    return 0 if value is None else value


def _times(count: int) -> str:
    return {0: "never", 1: "once"}.get(count, f"{count} times")


def _characters(count: int) -> str:
    return {0: "no character was", 1: "1 character was"}.get(count, f"{count} characters were")


def _differ(wanted: bytes, found: bytes) -> str:
    """Say how two byte streams differ, at the first place."""
    for index, (want, have) in enumerate(zip(wanted, found, strict=False)):
        if want != have:
            return f"byte {index} should be {want:#04x} and is {have:#04x}"
    if len(found) < len(wanted):
        missing = len(wanted) - len(found)
        return f"{missing} of {len(wanted)} accepted bytes are missing at the end"
    return f"{len(found) - len(wanted)} bytes more than the {len(wanted)} accepted"
