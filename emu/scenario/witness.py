"""What the far end heard, as a witness of what a driver sent.

The one idea: the far end may be held against a driver only if it speaks the same line, well enough,
and was not in the middle of something else when the port was opened.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.line.far_end import FarEnd
from emu.line.frame import format_of
from emu.scenario.baud import best_divisor
from emu.scenario.serial_view import SerialView
from emu.units import LineSettings

__all__ = ["Witness"]

_MOST_MISMATCH = 0.02  # of the rates, at which every character is sure to be heard


class Witness:
    """Compare what was sent with what the far end heard.

    Args:
        view: the controller.
        far_end: what hangs at the far end, None for another controller, which is no witness.

    Attributes:
        sound: tells whether no fault on the wire makes it a bad witness.
    """

    def __init__(self, view: SerialView, far_end: FarEnd | None) -> None:
        self._view = view
        self._far_end = far_end
        self._heard_from = 0
        self._sent_from = 0
        self._in_doubt = False
        self.sound: Callable[[], bool] = lambda: True

    def begin(self, sent: int) -> None:
        """Compare from here; `sent` characters have been shifted so far."""
        far = self._far_end
        self._sent_from = sent
        self._heard_from = len(far.received) if far else 0
        # What was under way when the port was opened may have put the far end out of step.
        self._in_doubt = far is not None and (self._view.busy or far.receiver.busy)

    def reliable(self, line: LineSettings | None) -> bool:
        """Whether it counts at all, the port being opened with `line`."""
        return self.agrees(line) and self.sound() and not self._in_doubt

    def heard_otherwise(self, shifted: bytes, others: frozenset[int]) -> tuple[bytes, bytes] | None:
        """Return what was sent and heard since `begin` if they differ, else None.

        Args:
            shifted: everything that was shifted.
            others: characters that only another task sends, which are left out.
        """
        if self._far_end is None:
            return None
        heard = bytes(self._far_end.received[self._heard_from :])
        if others:
            heard = bytes(byte for byte in heard if byte not in others)
        sent = shifted[self._sent_from :]
        same = heard[: len(sent)] == sent[: len(heard)] and len(heard) >= len(sent)
        return None if same else (sent, heard)

    def agrees(self, line: LineSettings | None) -> bool:
        """Whether the far end speaks `line` well enough."""
        far, clock_hz = self._far_end, self._view.clock_hz
        if far is None or line is None or format_of(far.line) != format_of(line):
            return False
        best_baud = clock_hz / (16 * best_divisor(clock_hz, line.baud))
        return abs(best_baud / (far.line.baud * (1 + far.baud_error)) - 1) <= _MOST_MISMATCH
