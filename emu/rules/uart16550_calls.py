"""Rules about what a call of a serial driver leaves behind when it returns.

The one idea: at the end of ``open``, ``close`` and every other call, what the driver last tried to
write is compared with what it was asked for. Where the device is in that state too, and nothing
that came back gave the driver a reason to leave it so, a finding names the line that last wrote it.
"""

from __future__ import annotations

from math import ceil, floor

from emu.devices.uart16550 import Uart16550
from emu.kernel.interrupts import InterruptLine
from emu.line.frame import format_of
from emu.rules.context import Activation
from emu.rules.lost_errors import LostErrors
from emu.rules.uart16550_access import UartAccess
from emu.rules.uart16550_settings import SettingsWatch
from emu.rules.uart16550_state import DLAB, ERROR_BITS, LOOP, NEVER, THRE
from emu.units import LineSettings

__all__ = ["UartCalls"]

_BREAK = 0x40
_IN_OPEN = 0x400  # bit of `Known.seen` that reading RBR clears
_FORMAT = 0x3F
_PARITY_ON = 0x08
_TOLERANCE = 0.03


class UartCalls:
    """Watch the calls of one driver.

    Args:
        access: what is noted of any access.
        settings: follows what is written to its settings.
        lost: errors it was shown.
        line: the interrupt line of its controller, None without one.
    """

    def __init__(
        self,
        access: UartAccess,
        settings: SettingsWatch,
        lost: LostErrors,
        line: InterruptLine | None,
    ) -> None:
        self._access = access
        self._settings = settings
        self._known = access.known
        self._uart: Uart16550 = access.uart
        self._context = access.context
        self._lost = lost
        self._line = line
        self._settled = False

    def begins(self, name: str) -> None:
        """Follow the beginning of a call."""
        known = self._known
        known.opening = name == "open"
        known.finishing = name in ("close", "drain")
        known.notable = ERROR_BITS | (THRE if known.finishing or known.opening else 0)
        known.idle_place = None
        known.waited, known.closing = (), None
        if name == "close":
            self._settings.follow_close(True)
        if name == "open":
            known.stale = 0 if known.is_open else self._uart.receive_level
            known.seen |= _IN_OPEN
            known.is_open = True
            known.odd = False
            known.forget_settings()
            self._settled = False

    def ends(self, name: str, ended: Activation, result: object) -> None:
        """Check what a call left behind."""
        known = self._known
        known.opening = known.finishing = False
        if name == "close":
            self._settings.follow_close(False)
        known.notable = ERROR_BITS
        if name == "open":
            self._check_opened(ended)
            self._lost.begin()
            self._settled = not ended.disturbed
        elif name == "close":
            self._check_closed(ended)
        elif name == "drain" and result is True:
            self._check_idle("drain returned True")
        if name in ("open", "read", "write", "drain", "close"):
            self._check_bank(ended)

    def asked(self, line: LineSettings) -> None:
        """Compare the settings that ``open`` made with `line`; call once it has returned."""
        known = self._known
        known.line = line
        if self._settled and not known.misled and not self._left_out(line):
            self._check_divisor(line)
            self._check_format(line)

    # findings

    def _report(self, rule: str, message: str, register: str, place: tuple[str, int]) -> None:
        path = f"{self._uart.name}.{register}"
        self._context.findings.report(rule, message, register=path, place=place)

    def _check_bank(self, ended: Activation) -> None:
        """Report the divisor latch left selected (``bank-left-selected``).

        No false alarm: the last write that the driver tried selected it and the device took it; a
        driver whose LCR read back wrongly, or that met a bus error, may have given up half-way.
        """
        known = self._known
        by = known.lcr_by
        if by is None or by.disturbed or ended.disturbed or not known.lcr & DLAB:
            return
        if self._uart.peek("LCR") & DLAB:
            self._report(
                "bank-left-selected",
                f"LCR = {known.lcr:#04x} is still in force when {ended.name} returns",
                "LCR",
                known.lcr_place,
            )

    def _check_opened(self, ended: Activation) -> None:
        """Report ``break-left-on`` and ``loopback-left-on``.

        No false alarm: the driver itself wrote the bit last, in this ``open``, and nothing had come
        back that could have made it give up.
        """
        known, uart = self._known, self._uart
        if ended.disturbed:
            return
        if known.lcr_set and known.lcr & _BREAK and uart.peek("LCR") & _BREAK:
            text = f"LCR = {known.lcr:#04x} holds the output at space when open returns"
            self._report("break-left-on", text, "LCR", known.lcr_place)
        if known.mcr_set and known.mcr & LOOP and uart.peek("MCR") & LOOP:
            text = f"MCR = {known.mcr:#04x} is still in force when open returns"
            self._report("loopback-left-on", text, "MCR", known.mcr_place)
        if known.stale and known.lcr_set:
            self._check_stale()

    def _check_stale(self) -> None:
        """Report what a predecessor did not read, left where it is (``stale-data-kept``).

        No false alarm: the characters are still there, ``open`` set the device up, met no trouble,
        did not read RBR at all, did not try to clear a receive FIFO that the part has, and was not
        told by LSR that nothing was there.
        """
        known, uart = self._known, self._uart
        tried = known.cleared and uart.settings["fifo"]
        if tried or not known.seen & _IN_OPEN or uart.receive_level < known.stale:
            return
        text = f"{known.stale} characters from before are still in the receiver when open returns"
        place = known.lcr_place if known.fcr_place is None else known.fcr_place
        self._report("stale-data-kept", text, "RBR", place)

    def _left_out(self, line: LineSettings) -> bool:
        """Report an ``open`` that sets no divisor though the one in force is wrong (`divisor-off`).

        No false alarm: nothing came back that differed from what was written, and the device holds
        what makes another rate. Named is where ``open`` had another setting written last.
        """
        known, divisor = self._known, self._uart.divisor
        exact = self._uart.clock_hz / (16 * line.baud)
        if (known.dll, known.dlm) != (NEVER, NEVER) or known.set_up_place is None:
            return False
        best = min(max(round(exact), 1), 0xFFFF)
        if (divisor and _error(exact, divisor) <= _TOLERANCE) or _error(exact, best) > _TOLERANCE:
            return False
        text = f"open wrote no divisor: {divisor} is still in force from before, and {line.baud} "
        self._report("divisor-off", text + f"baud needs {best}", "DLL", known.set_up_place)
        return True

    def _check_divisor(self, line: LineSettings) -> None:
        """Report ``divisor-zero`` and ``divisor-off``.

        No false alarm: what the driver tried to write counts, and for a half it left alone what the
        device holds. A rate that no divisor makes within 3 % is not judged.
        """
        known, uart = self._known, self._uart
        if known.dll == known.dlm == NEVER:
            return
        low = uart.peek("DLL") if known.dll == NEVER else known.dll
        high = uart.peek("DLM") if known.dlm == NEVER else known.dlm
        divisor = high << 8 | low
        exact = uart.clock_hz / (16 * line.baud)
        best = min(max(round(exact), 1), 0xFFFF)
        if not divisor:
            text = "the divisor is 0, which stops the baud clock"
            self._report("divisor-zero", text, "DLL", known.divisor_place)
        elif _error(exact, divisor) > _TOLERANCE >= _error(exact, best):
            text = f"{_rounded(exact, divisor)} is {_error(exact, divisor):.1%} off {line.baud} "
            text += f"baud; {best} is {_error(exact, best):.1%} off"
            alone = self._left_alone(divisor ^ best)
            low_wrong = known.dll != NEVER and (divisor ^ best) & 0xFF
            register = "DLL" if low_wrong or known.dlm == NEVER else "DLM"
            place = known.dll_place if register == "DLL" else known.dlm_place
            if known.clock_place and not alone:
                place = known.clock_place
                text += f"; written to the divisor latch in line {known.divisor_place[1]}"
            self._report("divisor-off", text + alone, register, place)

    def _left_alone(self, wrong: int) -> str:
        """Say which half of the divisor latch was never written although it had to be."""
        known, uart = self._known, self._uart
        for name, written, bits in (("DLL", known.dll, 0x00FF), ("DLM", known.dlm, 0xFF00)):
            if written == NEVER and wrong & bits:
                other = "DLM" if name == "DLL" else "DLL"
                held = uart.peek(name)
                return f"; open wrote {other} only, and {name} still holds {held:#04x} from before"
        return ""

    def _check_format(self, line: LineSettings) -> None:
        """Report ``line-format-wrong``.

        No false alarm: the driver wrote LCR in this ``open``, read nothing back that differed, and
        what it wrote last has another meaning; bits that do not count without parity are ignored.
        """
        known = self._known
        if not known.lcr_set:
            return
        wanted = _line_control(line)
        written = known.lcr & _FORMAT
        mask = _FORMAT if written & _PARITY_ON else 0x0F
        if (written ^ wanted) & mask:
            text = f"LCR = {known.lcr:#04x} is not {line}, which is {wanted:#04x}"
            place = known.lcr_place
            if known.dll == known.dlm == NEVER and known.set_up_place:
                text += "; open wrote no divisor either"
                place = known.set_up_place
            self._report("line-format-wrong", text, "LCR", place)

    def _check_idle(self, when: str) -> None:
        """Report THRE taken for an idle line (``thre-taken-for-idle``).

        No false alarm: the driver wrote characters and saw THRE, never TEMT, since; less time has
        passed than they take on the line; and the last is still leaving.
        """
        known = self._known
        if self._access.still_sending and known.seen & THRE and known.idle_place is not None:
            text = f"{when}, but LSR showed THRE here and never TEMT: the last character is leaving"
            self._report("thre-taken-for-idle", text, "LSR", known.idle_place)

    def _check_closed(self, ended: Activation) -> None:
        """Report what ``close`` leaves on, then expect no access.

        (``interrupts-on-after-close``, ``handler-connected-after-close``; named is where ``close``
        wrote a setting last, next to what it left out.) No false alarm: IER
        counts as the driver last tried to write it. Where a bus error or all ones came in between,
        ``close`` may have given up, and the port counts as open.
        """
        known, line = self._known, self._line
        if ended.disturbed:
            return
        self._check_idle("close returned")
        if known.ier not in (NEVER, 0) and self._uart.peek("IER"):
            text = f"IER = {known.ier:#04x}, set in line {known.ier_place[1]}, is still in force "
            place = known.closing or known.ier_place
            self._report("interrupts-on-after-close", text + "when close returns", "IER", place)
        if line is not None and line.handlers and not line.shared:
            text = f"the handler, connected in line {known.connect_place[1]} to interrupt "
            text += f"{line.number}, is still so when close returns"
            place = known.closing or known.connect_place
            self._report("handler-connected-after-close", text, "", place)
        self._lost.end()
        known.is_open = False
        known.odd = True
        known.closed_serial = self._context.serial
        known.seen = known.promised = 0


def _rounded(exact: float, divisor: int) -> str:
    """Name a divisor, and say how it came from the exact quotient if that is plain to see."""
    for rounding, words in ((floor, "down"), (ceil, "up")):
        if divisor == rounding(exact) != round(exact):
            return f"divisor {divisor}, rounded {words} from {exact:.2f},"
    return f"divisor {divisor}"


def _error(exact: float, divisor: int) -> float:
    """Return how far `divisor` is off the baud rate for which `exact` would be right."""
    return abs(exact / divisor - 1)


def _line_control(line: LineSettings) -> int:
    """Return the LCR value for `line` (PC16550D, section 8.1)."""
    frame = format_of(line)
    parity = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}[frame.parity]
    return (frame.data_bits - 5) | (4 if frame.stop_half_bits > 2 else 0) | parity
