"""A serial controller as the contract and the port see it, whatever its registers are.

The one idea: what is promised of a serial driver is the same for every controller; how one shows
that a character was lost, or how it must lie after ``close``, is told here, once for each kind.
"""

from __future__ import annotations

from typing import Protocol

from emu.devices.serial_monitor import SerialMonitor
from emu.devices.uart16550 import OE, Uart16550
from emu.errors import RunEnded
from emu.kernel.clock import Clock
from emu.kernel.device import Device
from emu.kernel.signal import Signal
from emu.kernel.where import Place
from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR, format_of
from emu.scenario.baud import best_divisor, within
from emu.scenario.leftovers import leave
from emu.scenario.model import Leftovers
from emu.scenario.silence import why_asking, why_silent
from emu.units import LineSettings

__all__ = ["SerialView", "Uart16550View"]

_ERRORS = PARITY_ERROR | FRAMING_ERROR | BREAK
_RECEIVE_BITS = 0x1F  # of LSR: data ready and everything that can be wrong


class SerialView(Protocol):
    """What contract and port ask of a controller."""

    @property
    def device(self) -> Device:
        """The controller."""

    @property
    def clock(self) -> Clock:
        """The clock of the board."""

    @property
    def clock_hz(self) -> int:
        """The controller's input clock, 16 times divisor times baud."""

    @property
    def sout(self) -> Signal:
        """The wire on which it sends."""

    @property
    def looped(self) -> bool:
        """Whether it hears itself instead of the line."""

    @property
    def busy(self) -> bool:
        """Whether a character is being sent or waits to be."""

    @property
    def data_bits(self) -> int:
        """Bits of a character as it is set up."""

    @property
    def receive_level(self) -> int:
        """How many received characters wait to be read."""

    @property
    def transmit_level(self) -> int:
        """How many characters wait for the shift register."""

    @property
    def single(self) -> bool:
        """Whether it holds one character each way, and a new one takes the place of an old."""

    @property
    def overwrites(self) -> bool:
        """Whether a character that finds no room takes the place of the unread one."""

    @property
    def overrun_shown(self) -> bool:
        """Whether its status shows that a character was lost."""

    @property
    def errors_shown(self) -> int:
        """The errors of the next character that its status shows."""

    @property
    def at_rest(self) -> bool:
        """Whether nothing was received that software has not seen."""

    def watch(self, monitor: SerialMonitor) -> None:
        """Let a monitor be told what happens to characters."""

    def wrong_for(self, line: LineSettings) -> list[str]:
        """Return what is not set up as a line needs it."""

    def untold(self) -> str:
        """Return the end of a sentence that says why received data does not interrupt, or ""."""

    def stirring(self) -> list[str]:
        """Return what is not silent as it must be after ``close``."""

    def why(self, ended: RunEnded, name: str) -> str:
        """Return what to add to the message of a call that ended the run."""

    def leave(self, left: Leftovers) -> None:
        """Bring it into the state in which somebody else might leave it."""

    def broken(self, promise: str, detail: str) -> None:
        """Note that a promise has just been found broken."""

    def blame(self, promise: str) -> tuple[str, Place]:
        """Return rule and line that a broken promise leads to, if that is known."""


class Uart16550View:
    """Look at a 16550.

    Args:
        uart: the controller.
    """

    def __init__(self, uart: Uart16550) -> None:
        self.device = self.uart = uart
        self.clock = uart.clock
        self.clock_hz = uart.clock_hz
        self.sout = uart.sout

    @property
    def looped(self) -> bool:
        """Whether loopback is on."""
        return self.uart.looped

    @property
    def busy(self) -> bool:
        """Whether a character is being sent or waits to be."""
        return self.uart.busy

    @property
    def data_bits(self) -> int:
        """Bits of a character by LCR."""
        return self.uart.frame.data_bits

    @property
    def receive_level(self) -> int:
        """How many received characters wait to be read."""
        return self.uart.receive_level

    @property
    def transmit_level(self) -> int:
        """How many characters wait for the shift register."""
        return self.uart.transmit_level

    @property
    def single(self) -> bool:
        """Whether the FIFOs are off or not there."""
        return self.uart.peek("FCR.ENABLE") == 0

    @property
    def overwrites(self) -> bool:
        """Whether the FIFOs are off or not there: then an unread character is overwritten."""
        return self.single

    @property
    def overrun_shown(self) -> bool:
        """Whether OE is up."""
        return bool(self.uart.peek("LSR") & OE)

    @property
    def errors_shown(self) -> int:
        """PE, FE and BI."""
        return self.uart.peek("LSR") & _ERRORS

    @property
    def at_rest(self) -> bool:
        """Whether LSR shows nothing received, and nothing wrong."""
        return not self.uart.peek("LSR") & _RECEIVE_BITS

    def watch(self, monitor: SerialMonitor) -> None:
        """Take the place of the monitor."""
        self.uart.monitor = monitor

    def wrong_for(self, line: LineSettings) -> list[str]:
        """Compare LCR, the divisor and what must be off."""
        uart, wrong = self.uart, []
        if uart.frame != format_of(line):
            wrong.append(f"LCR is {uart.peek('LCR'):#04x}, which is not {line}")
        best = best_divisor(uart.clock_hz, line.baud)
        if uart.divisor != best and not within(uart.clock_hz, uart.divisor, line.baud):
            wrong.append(f"the divisor is {uart.divisor}, {line.baud} baud needs {best}")
        for path, meaning in (
            ("LCR.DLAB", "the divisor latch is still selected"),
            ("LCR.BREAK", "the output is held at break"),
            ("MCR.LOOP", "loopback is still on"),
        ):
            if uart.peek(path):
                wrong.append(f"{meaning} ({path} = 1)")
        return wrong

    def untold(self) -> str:
        """Say so if IER.ERBFI is 0."""
        ier = self.uart.peek("IER")
        return "" if ier & 1 else f"; IER is {ier:#04x}, so received data does not interrupt"

    def stirring(self) -> list[str]:
        """Say so if IER is not 0."""
        ier = self.uart.peek("IER")
        return [f"IER is {ier:#04x}"] if ier else []

    def why(self, ended: RunEnded, name: str) -> str:
        """Say what it does not interrupt for, or goes on interrupting for."""
        if ended.rule == "asleep-for-ever":
            return why_silent(self.uart, name)
        return why_asking(self.uart) if ended.rule == "interrupt-storm" else ""

    def leave(self, left: Leftovers) -> None:
        """Write registers, and put characters in the buffers."""
        leave(self.uart, left)

    def broken(self, promise: str, detail: str) -> None:
        """Leave it to the rules that know a 16550."""

    def blame(self, promise: str) -> tuple[str, Place]:  # noqa: ARG002 - others know more
        """Leave it to the rules that know a 16550."""
        return "", ("", 0)
