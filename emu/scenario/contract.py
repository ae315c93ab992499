"""The serial contract: nine promises that any correct driver keeps, whatever the timing.

The contract watches the controller as its `SerialMonitor`, so it knows what truly arrived, was
lost, was accepted and left; the runner tells it what the driver's calls took and returned. At the
end it gives one `Promise` for each of the nine. What it demands is written beside each check; where
two readings of a promise are both good practice, both are allowed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from emu.devices.uart16550 import OE, Uart16550
from emu.kernel.clock import PS_PER_S
from emu.line.far_end import FarEnd
from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR, format_of
from emu.scenario.stream import ReceivedStream
from emu.units import LineSettings, show_duration

__all__ = ["PROMISES", "Promise", "SerialContract"]

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
        self._far_from = 0
        self._shifted_from = 0
        self.received = bytearray()
        self.accepted = bytearray()
        self.shifted = bytearray()
        self.overruns = 0
        self.lost = 0
        self.spilled_count = 0
        self.last_end_ps = 0
        self.witness: Callable[[], bool] = lambda: True
        uart.monitor = self

    # the controller's side

    def arrived(self, data: int, flags: int) -> None:
        """Take a character into the books; one in loopback did not come from the line."""
        if not self._open or self._uart.looped:
            return
        if flags or self._opening:
            self._stream.arrive(data, free=True)
            if flags:
                self._book_flags(flags)
        else:
            self._stream.arrive(data)

    def arrived_row(self, data: bytes) -> None:
        """Take several characters without errors into the books."""
        if self._opening or not self._open or self._uart.looped:
            for byte in data:
                self.arrived(byte, 0)
        else:
            self._stream.arrive_row(data)

    def overran(self, data: int) -> None:
        """Count a lost character, and a raised flag if it was down."""
        if not self._open or self._uart.looped:
            return
        self.lost += 1
        if not self._uart.peek("LSR") & OE:
            self.overruns += 1
            self._books.overrun.most += 1
            self._books.overrun.least += not self._opening
        if self._uart.peek("FCR.ENABLE") == 0:
            self._stream.forgive_last(1)

    def discarded(self, characters: list[int]) -> None:
        """Forgive what `open` clears away; later, clearing unread characters leaves a gap."""
        if self._opening:
            self._stream.forgive_last(len(characters))

    def loaded(self, data: int) -> None:
        """Nothing: what counts is what ``write`` says it accepted."""

    def spilled(self, data: int) -> None:
        """Count a character written without room."""
        if not self._uart.looped:
            self.spilled_count += 1

    def cleared(self, count: int) -> None:
        """Nothing: a character that never leaves shows at the end."""

    def shifting(self, data: int, end_ps: int) -> None:
        """Note what started on the wire."""
        if not self._uart.looped:
            self.shifted.append(data & ((1 << self._uart.frame.data_bits) - 1))
            self.last_end_ps = end_ps

    def _book_flags(self, flags: int) -> None:
        """Enter error flags: a break may count as a framing or parity error besides."""
        books = self._books
        sure = not self._opening
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
        """Note that ``close`` is being called: what was not read by now may be lost."""
        self._stream.forgive_unread()
        self._opening = True  # what arrives while closing is nobody's

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

    def read(self, data: bytes) -> None:
        """Note bytes that ``read`` returned."""
        self.received += data
        self._stream.give(data)

    def drained(self, *, answer: bool) -> None:
        """Check what ``drain`` said against the wire."""
        now_ps = self._clock.now_ps
        left = len(self.accepted) - len(self.shifted)
        if answer and (now_ps < self.last_end_ps or left > 0 or self._uart.busy):
            late = max(self.last_end_ps - now_ps, 0)
            detail = f"{left} accepted bytes had not begun" if left > 0 else (
                f"the last stop bit ended {show_duration(late)} later"
            )  # fmt: skip
            self.breach("drain", f"drain returned True while {detail}")
        elif not answer and left <= 0 and not self._uart.busy:
            idle_ps = now_ps - self.last_end_ps
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
        least, most = books.least + found.gaps, books.most + found.missing
        if overrun < least:
            parts = []
            if books.least:
                parts.append(f"the device raised its overrun flag {_times(books.least)}")
            if found.gaps:
                parts.append(f"{found.missing} characters that arrived whole were never returned")
            detail = " and ".join(parts)
            self.breach("loss", f"{detail}; errors.overrun is {overrun}, at least {least} expected")
        elif overrun > most and not self._free_errors():
            self.breach(
                "loss",
                f"errors.overrun is {overrun}, but the device raised its flag {_times(most)} "
                f"and nothing else is missing",
            )

    def _free_errors(self) -> bool:
        """Say whether characters with errors may have been lost in the driver's own buffer."""
        books = self._books
        return bool(books.parity.most or books.framing.most or books.breaks.most)

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
        self._far_from = len(self._far_end.received) if self._far_end else 0

    def _check_sent(self) -> None:
        """Compare accepted, shifted and heard; call when the driver has closed."""
        if self._uncertain_sent:
            return
        accepted, shifted = bytes(self.accepted), bytes(self.shifted)
        if shifted != accepted:
            self.breach("sent", _differ(accepted, shifted))
        elif self._far_end is not None and self._comparable:
            heard = bytes(self._far_end.received[self._far_from :])
            sent = shifted[self._shifted_from :]
            if heard[: len(sent)] != sent[: len(heard)] or len(heard) < len(sent):
                self.breach("sent", "the far end heard something else: " + _differ(sent, heard))

    @property
    def _comparable(self) -> bool:
        """Whether the far end speaks the line as asked for, well enough to be a witness."""
        far = self._far_end
        return (
            far is not None
            and self.witness()
            and self._line is not None
            and format_of(far.line) == format_of(self._line)
            and abs(far.baud_error + far.line.baud / self._line.baud - 1) <= 0.01
        )


def best_divisor(clock_hz: int, baud: int) -> int:
    """Return the divisor whose rate is nearest to `baud` (PC16550D 8.3: clock / (16 x baud))."""
    return max(1, min(65535, (2 * clock_hz + 16 * baud) // (32 * baud)))


def _within(clock_hz: int, divisor: int, baud: int) -> bool:
    """Say whether `divisor` makes `baud` within 3 %, or as well as the best divisor does."""
    if not divisor:
        return False
    return abs(clock_hz / (16 * divisor) / baud - 1) <= 0.03


def _counter(errors: object, name: str) -> int:
    value = getattr(errors, name, 0)
    return value if isinstance(value, int) else 0


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _differ(wanted: bytes, found: bytes) -> str:
    """Say how two byte streams differ, at the first place."""
    for index, (want, have) in enumerate(zip(wanted, found, strict=False)):
        if want != have:
            return f"byte {index} should be {want:#04x} and is {have:#04x}"
    if len(found) < len(wanted):
        missing = len(wanted) - len(found)
        return f"{missing} of {len(wanted)} accepted bytes are missing at the end"
    return f"{len(found) - len(wanted)} bytes more than the {len(wanted)} accepted"

