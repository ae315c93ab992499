"""The smallest serial controller as contract and port see it; see `emu.scenario.serial_view`."""

from __future__ import annotations

from emu.devices.serial_basic import SerialBasic
from emu.devices.serial_monitor import SerialMonitor
from emu.errors import RunEnded
from emu.kernel.callers import Stack, asking_place, driver_stack
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.where import Place
from emu.line.frame import FRAMING_ERROR, format_of
from emu.scenario.baud import best_divisor, within
from emu.scenario.model import Leftovers
from emu.units import LineSettings

__all__ = ["SerialBasicView"]

_ENABLE, _READY_IRQ, _ROOM_IRQ = 0x01, 0x10, 0x20
_LOST, _BAD = 0x08, 0x10
_NOWHERE: Place = ("", 0)


class SerialBasicView:
    """Look at a controller of kind ``serial_basic``.

    Args:
        device: the controller.
    """

    looped = False
    data_bits = 8
    overwrites = False  # what finds no room is lost, and the unread one stays

    def __init__(self, device: SerialBasic) -> None:
        self.device = self._basic = device
        self.clock = device.clock
        self.clock_hz = device.clock_hz
        self.sout = device.sout
        self._looked: Stack = ()
        self._cleared = self._overwrote = _NOWHERE
        self._blamed: dict[str, tuple[str, Place]] = {}
        device.ports["DATA"].wrap_write(self._noting_data)
        device.ports["STATUS"].wrap_read(self._noting_look)
        device.ports["STATUS"].wrap_write(self._noting_clear)

    # the accesses that a broken promise may lead to

    def _noting_look(self, read: ReadPort) -> ReadPort:
        def reading() -> int:
            self._looked = driver_stack()
            return read()

        return reading

    def _noting_clear(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            if value & self._basic.peek("STATUS") & (_LOST | _BAD):
                self._cleared = asking_place()
            write(value)

        return writing

    def _noting_data(self, write: WritePort) -> WritePort:
        def writing(value: int) -> None:
            if self._basic.waiting and not self._overwrote[1]:
                self._overwrote = asking_place()
            write(value)

        return writing

    def broken(self, promise: str, detail: str) -> None:
        """Remember the access that decides a promise, as it is now."""
        if promise == "drain" and "returned True" in detail:
            self._blamed.setdefault(promise, ("idle-mistaken", _deciding(self._looked)))
        elif promise in ("loss", "errors"):
            self._blamed.setdefault(promise, ("flag-cleared-uncounted", self._cleared))
        elif promise == "sent":
            self._blamed.setdefault(promise, ("written-without-room", self._overwrote))

    def blame(self, promise: str) -> tuple[str, Place]:
        """Return rule and line of the access that decided a promise when it was broken."""
        return self._blamed.get(promise, ("", _NOWHERE))

    @property
    def busy(self) -> bool:
        """Whether IDLE is down."""
        return not self._basic.peek("STATUS.IDLE")

    @property
    def receive_level(self) -> int:
        """How many received characters wait to be read."""
        return self._basic.peek("COUNT.WAITING")

    @property
    def transmit_level(self) -> int:
        """How many characters wait for the shift register."""
        return self._basic.waiting

    @property
    def single(self) -> bool:
        """Whether DATA holds one character."""
        return self._basic.places == 1

    @property
    def overrun_shown(self) -> bool:
        """Whether LOST is up."""
        return bool(self._basic.peek("STATUS.LOST"))

    @property
    def errors_shown(self) -> int:
        """A framing error if BAD is up."""
        return FRAMING_ERROR if self._basic.peek("STATUS.BAD") else 0

    @property
    def at_rest(self) -> bool:
        """Whether STATUS shows nothing received, and nothing wrong."""
        return not (self.receive_level or self.overrun_shown or self.errors_shown)

    def watch(self, monitor: SerialMonitor) -> None:
        """Take the place of the monitor."""
        self._basic.monitor = monitor

    def wrong_for(self, line: LineSettings) -> list[str]:
        """Compare the divisor, and the format, which is fixed."""
        basic, wrong = self._basic, []
        if format_of(line) != format_of(LineSettings(line.baud)):
            wrong.append(f"{line} was taken, and only 8N1 can be made")
        divisor, best = basic.peek("DIVISOR"), best_divisor(basic.clock_hz, line.baud)
        if divisor != best and not within(basic.clock_hz, divisor, line.baud):
            wrong.append(f"DIVISOR is {divisor}, {line.baud} baud needs {best}")
        if not basic.peek("CONTROL") & _ENABLE:
            wrong.append("nothing is let in (CONTROL.ENABLE = 0)")
        return wrong

    def untold(self) -> str:
        """Say so if CONTROL.READY_IRQ is 0."""
        control = self._basic.peek("CONTROL")
        if control & _READY_IRQ:
            return ""
        return f"; CONTROL is {control:#x}, so received data does not interrupt"

    def stirring(self) -> list[str]:
        """Say so if CONTROL lets interrupts or characters through."""
        control = self._basic.peek("CONTROL")
        return [f"CONTROL is {control:#x}"] if control else []

    def why(self, ended: RunEnded, name: str) -> str:
        """Say what it is ready for and does not interrupt for."""
        if ended.rule != "asleep-for-ever":
            return ""
        control = self._basic.peek("CONTROL")
        if name == "read" and self.receive_level and not control & _READY_IRQ:
            return "; characters are there, but CONTROL.READY_IRQ is 0, so that none is told of"
        if name != "read" and not self.transmit_level and not control & _ROOM_IRQ:
            return "; there is room, but CONTROL.ROOM_IRQ is 0, so that it never interrupts"
        return ""

    def leave(self, left: Leftovers) -> None:
        """Put characters in its places; registers are those of another kind."""
        for byte in left.received:
            self._basic.receive(byte, 0)


def _deciding(look: Stack) -> Place:
    """Return the line of ``drain`` that a look at the status came from, or the innermost."""
    lines = [one for one in look if one[0].co_name == "drain"] or list(look)
    return (lines[-1][0].co_filename, lines[-1][1]) if lines else _NOWHERE
