"""The smallest serial controller that teaches: data, status, control, divisor, and no FIFO.

The one idea: one shift register and one place to wait, each way. Whoever comes late loses a
character; on the way in a flag says so, on the way out nothing does. A variant moves up to four
bytes an access, with a count of them, which is what a wide bus is good for. The register map is our
own.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from emu.devices.serial_monitor import Nobody, SerialMonitor
from emu.kernel.clock import PS_PER_S, Clock
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Field, Register
from emu.kernel.signal import Signal
from emu.line.frame import FRAMING_ERROR, BitRate, FrameFormat
from emu.line.receiver import Receiver
from emu.line.transmitter import Transmitter
from emu.units import parse_frequency

__all__ = ["SerialBasic"]

_READY, _ROOM, _IDLE, _LOST, _BAD = 0x01, 0x02, 0x04, 0x08, 0x10
_ENABLE, _READY_IRQ, _ROOM_IRQ = 0x01, 0x10, 0x20
_FRAME = FrameFormat(8, "none", 2)


class SerialBasic(Device):
    """Send and receive characters of 8 bits without parity, one or four in a place.

    A character takes ten bits of 16 times DIVISOR cycles each; DIVISOR 0 stops the line, and
    forgets what waits to be sent and the character under way. What arrives while the place is
    taken is lost and sets LOST; the unread one stays. What is written without room takes the
    place of what waits. A character without its stop bit is kept and sets BAD. With ``bytes`` 4,
    DATA holds the first byte in bits 7 to 0: READY says that there is one at least, COUNT.WAITING
    how many, and a read takes them all; COUNT.SEND says how many of the next word written to DATA
    are sent.

    Attributes:
        monitor: who is told what happens to characters.
        places: how many characters DATA holds.
    """

    KIND = "serial_basic"
    MEANING = "serial controller without FIFO, one byte or four an access"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("DATA", 0x00, (
            Field("BYTES", 0, 32, "received; written, to be sent", reset=None, onread="ruser",
                  onwrite="wuser"),
        ), width=32, meaning="data"),
        Register("STATUS", 0x04, (
            Field("READY", 0, 1, "something was received", sw="r"),
            Field("ROOM", 1, 1, "DATA may be written", sw="r", reset=1),
            Field("IDLE", 2, 1, "nothing waits and nothing is being sent", sw="r", reset=1),
            Field("LOST", 3, 1, "a character came and found no room", onwrite="woclr", hwset=True),
            Field("BAD", 4, 1, "a character came without its stop bit", onwrite="woclr",
                  hwset=True),
        ), width=32, meaning="state"),
        Register("CONTROL", 0x08, (
            Field("ENABLE", 0, 1, "lets characters in"),
            Field("READY_IRQ", 4, 1, "READY interrupts"),
            Field("ROOM_IRQ", 5, 1, "ROOM interrupts"),
        ), width=32, meaning="control"),
        Register("DIVISOR", 0x0C, (Field("CYCLES", 0, 16, "cycles of a sixteenth of a bit"),),
                 width=32, meaning="baud rate"),
        Register("COUNT", 0x10, (
            Field("SEND", 0, 3, "bytes of the next word to send, 1 to as many as DATA holds",
                  reset=1, onwrite="wuser"),
            Field("WAITING", 8, 3, "bytes that the next read of DATA takes", sw="r"),
        ), width=32, meaning="bytes an access"),
    )  # fmt: skip
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 1_843_200, "input clock, 16 times divisor times baud"),
        Parameter("bytes", int, 1, "bytes that DATA holds", (1, 4), ("integer",)),
    )
    NOTES: ClassVar[tuple[str, ...]] = (
        "Baud rate = clock / (16 x DIVISOR).",
        "A DIVISOR of 0 stops the line at once, and what was to be sent is forgotten.",
        "COUNT.SEND takes no more than DATA holds: write 4 and read it back to know how many.",
        "ROOM is up as soon as the place is free; IDLE only once the last stop bit has left.",
        "LOST and BAD stay until a 1 is written to them.",
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self.places: int = self.settings["bytes"]
        self.sout, self.sin = (Signal(clock, f"{name}.{one}", level=1) for one in ("sout", "sin"))
        self.signals |= {"sout": self.sout, "sin": self.sin}
        self.transmitter = Transmitter(clock, self.sout)
        self.receiver = Receiver(clock, self.receive)
        self.receiver.deliver_singly()
        self.receiver.listen(self.sin)
        self._status, self._control = self.registers["STATUS"], self.registers["CONTROL"]
        self._divisor, self._count = self.registers["DIVISOR"], self.registers["COUNT"]
        self._received, self._last = bytearray(), 0
        self._waiting = bytearray()
        self._shifting = False
        self._serial = 0
        self._irq_level = 0
        self.monitor: SerialMonitor = Nobody()
        self._configure()

    def on_reset(self) -> None:
        """Forget what waits, and what is being sent."""
        self._received.clear()
        self._forget()
        self._configure()
        self._show()

    def on_halt(self) -> None:
        """Stand still after the character that is being sent."""
        self._configure()
        self._show()

    @property
    def rate(self) -> BitRate | None:
        """The bit rate that divisor and clock make, None while the baud clock stands still."""
        divisor = self._divisor.value
        if not divisor or self.halted:
            return None
        return BitRate.of(8 * divisor * PS_PER_S, self.clock_hz)

    @property
    def waiting(self) -> int:
        """How many characters wait for the shift register."""
        return len(self._waiting)

    def _configure(self) -> None:
        rate = self.rate
        self.receiver.configure(_FRAME, rate)
        if rate is not None:
            self.transmitter.configure(_FRAME, rate)
            self._shift()

    def _show(self) -> None:
        """Show the state in STATUS and COUNT, and drive the interrupt line."""
        status, room = self._status, not self._waiting
        status.put("READY", int(bool(self._received)))
        status.put("ROOM", int(room))
        status.put("IDLE", int(room and not self._shifting))
        self._count.put("WAITING", len(self._received))
        control = self._control.value
        asks = (control & _READY_IRQ and self._received) or (control & _ROOM_IRQ and room)
        level = int(bool(asks) and not self.halted)
        if level != self._irq_level:
            self._irq_level = level
            self.irq.set(level)

    # receiver

    def receive(self, data: int, flags: int) -> None:
        """Take a character from the receive shift register, with its error flags."""
        if not self._control.value & _ENABLE:
            return
        if len(self._received) >= self.places:
            self.monitor.overran(data)
            self._status.hw_set(_LOST)
        else:
            bad = flags and not self._status.value & _BAD
            self.monitor.arrived(data, FRAMING_ERROR if bad else 0)
            self._received.append(data)
            if flags:
                self._status.hw_set(_BAD)
        self._show()

    def read_DATA(self) -> int:
        """Take what was received; without anything, give the last again."""
        if self._received:
            self._last = self.peek_DATA()
            self._received.clear()
            self._show()
        return self._last

    def peek_DATA(self) -> int:
        """Return what was received and leave it where it is."""
        return int.from_bytes(self._received, "little") if self._received else self._last

    # transmitter

    def write_DATA(self, data: int) -> None:
        """Take characters for sending; what still waits is overwritten."""
        size = self._count.get("SEND")
        for byte in self._waiting:
            self.monitor.spilled(byte)
        self._waiting[:] = data.to_bytes(4, "little")[:size]
        for byte in self._waiting:
            self.monitor.loaded(byte)
        self._shift()
        self._show()

    def write_COUNT(self, data: int) -> None:
        """Say how many bytes the next word has; more than DATA holds are as many as it holds."""
        self._count.put("SEND", min(max(data & 7, 1), self.places))

    def _shift(self) -> None:
        """Begin the next character if there is one, the shift register is free and time goes on."""
        if self._shifting or not self._waiting or self.rate is None:
            return
        self._shifting = True
        self._serial += 1
        serial = self._serial
        byte = self._waiting.pop(0)
        end_ps = self.transmitter.send(byte, self.clock.now_ps)
        self.monitor.shifting(byte, end_ps)
        self.clock.schedule(end_ps, lambda: self._shifted(serial))

    def _shifted(self, serial: int) -> None:
        if serial == self._serial:
            self._shifting = False
            self._shift()
            self._show()

    # settings

    def after_write_CONTROL(self, _old: int, _new: int) -> None:
        """Let the interrupt line follow."""
        self._show()

    def after_write_DIVISOR(self, old: int, new: int) -> None:
        """Take the rate over with the next character."""
        if not new:
            self._forget()
        if old != new:
            self._configure()
            self._show()

    def _forget(self) -> None:
        """Drop what waits to be sent, and the character under way."""
        self.monitor.cleared(len(self._waiting))
        self._waiting.clear()
        self._shifting = False
        self._serial += 1
        self.transmitter.stop()
