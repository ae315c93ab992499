"""The bench that driver snippets run on: a tide gauge's board, with rules attached.

The one idea: a snippet is a few lines of driver code, called as the runner calls a driver; what it
leaves out of a driver is here, done right.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from emu.devices.serial_driver import LineErrors
from emu.devices.serial_monitor import Nobody
from emu.devices.uart16550 import Uart16550
from emu.errors import RunEnded
from emu.kernel.board import Board, LineRules
from emu.kernel.device import Device
from emu.kernel.register import Field, Register
from emu.line.far_end import FarEnd
from emu.line.plan import FarEndPlan
from emu.rules.attach import attach_rules
from emu.rules.finding import Finding, Findings
from emu.scenario.stream import ReceivedStream
from emu.units import LineSettings

__all__ = ["Bench", "Books", "TideGauge"]

RBR = THR = DLL = 0
IER = DLM = 1
IIR = FCR = 2
LCR, MCR, LSR, MSR = 3, 4, 5, 6
LINE = LineSettings(115_200)


class TideGauge(Device):
    """A float sensor: a level to read, a command to give, events to acknowledge."""

    KIND = "tide-gauge"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("LEVEL", 0, (Field("MM", 0, 8, sw="r"),)),
        Register("COMMAND", 1, (Field("GO", 0, 1, sw="w"),)),
        Register(
            "EVENTS",
            2,
            (Field("HIGH", 0, onwrite="woclr"), Field("LOW", 1, onwrite="woclr"),
             Field("TURN", 2, onwrite="woclr")),
        ),
        Register("MODE", 3, (Field("FAST", 0, 2),)),
    )  # fmt: skip


class Books(Nobody):
    """Count what begins to leave, and keep what comes.

    Attributes:
        begun: characters that have begun.
        idle_ps: when the last of them ends.
        overruns: characters that were lost for want of room.
        stream: what came, against what ``read`` returned.
    """

    begun = idle_ps = overruns = 0

    def __init__(self) -> None:
        self.stream = ReceivedStream()

    def arrived(self, data: int, flags: int) -> None:
        """Keep a character."""
        self.stream.arrive(data, free=bool(flags))

    def arrived_row(self, data: bytes) -> None:
        """Keep several."""
        self.stream.arrive_row(data)

    @property
    def lost(self) -> int:
        """The same as `overruns`."""
        return self.overruns

    @property
    def arrived_count(self) -> int:
        """How many came into the receiver."""
        return self.stream.arrived

    @property
    def unread(self) -> int:
        """How many of them were not returned."""
        return self.stream.unread

    @property
    def first_unread(self) -> int | None:
        """Number of the first of those."""
        return self.stream.first_unread

    def shifting(self, data: int, end_ps: int) -> None:
        """Count a character."""
        self.begun += 1
        self.idle_ps = end_ps

    def overran(self, data: int) -> None:
        """Count a lost character."""
        self.overruns += 1


class Bench:
    """Hold a board with a serial controller and a float sensor, and call driver code on it.

    Args:
        fifo: bytes of FIFO of the serial controller.
        before_rules: puts faults in place.

    Attributes:
        io, cpu: what a driver is given.
        gauge: the window of the float sensor, `sensor` the device.
        errors: the driver's counters.
        calm: whether no fault has acted, as far as the rules are told.
        received: what the ready-made `receive` took.
        accepted: bytes that `write` calls returned as accepted.
        books: what began to leave.
    """

    def __init__(self, fifo: int = 16, before_rules: Callable[[Bench], None] | None = None) -> None:
        self.board = Board()
        self.io = self.board.attach(Uart16550, "telemetry", 0x1000, settings={"fifo": fifo}, irq=4)
        self.gauge = self.board.attach(TideGauge, "float", 0x2000, irq=5)
        self.board.interrupt(5, LineRules())
        self.board.power_on()
        self.cpu = self.board.cpu
        self.sensor = self.board.device("float")
        uart = self.board.device("telemetry")
        assert isinstance(uart, Uart16550)
        self.uart = uart
        self.far = FarEnd(FarEndPlan(), self.board.clock, uart.signals, LINE)
        if before_rules is not None:
            before_rules(self)
        self.findings = Findings(self.board.clock)
        self.rules = attach_rules(self.board, self.findings)
        self.port = self.rules.port("telemetry")
        self.errors = LineErrors()
        self.port.counters(lambda: self.errors)
        self.received = bytearray()
        self.accepted = 0
        self.books = Books()
        self.calm = True
        self.port.books(
            owed=lambda: self.owed, calm=lambda: self.calm, idle_ps=lambda: self.books.idle_ps
        )
        uart.monitor = self.books
        self.ended = ""

    # calling driver code

    def call(self, name: str, code: Callable[[], object]) -> object:
        """Run driver code as the call `name`."""
        self.port.call_begins(name)
        try:
            result = code()
        except RunEnded as ended:
            self.ended = ended.rule
            return None
        if name == "write" and isinstance(result, int):
            self.accepted += result
        if name == "read" and isinstance(result, bytes):
            self.books.stream.give(result)
        self.port.call_ends(name, result)
        return result

    @property
    def owed(self) -> int:
        """Accepted bytes that have not begun to leave."""
        return max(0, self.accepted - self.books.begun)

    def open(
        self, handler: Callable[[], object] | None = None, ier: int = 0, fcr: int = 0x87
    ) -> None:
        """Open the port as a correct driver does."""

        def code() -> None:
            io = self.io
            io.write8(LCR, 0x83)
            io.write8(DLL, 1)
            io.write8(DLM, 0)
            io.write8(LCR, 0x03)
            io.write8(FCR, fcr)
            io.write8(MCR, 0x0B)
            if handler is not None:
                self.cpu.connect(io.irq, handler)
            io.write8(IER, ier)

        self.call("open", code)
        self.port.line_opened(LINE)

    def open_with(self, code: Callable[[], None], line: LineSettings = LINE) -> None:
        """Open the port with the snippet's own code."""
        self.call("open", code)
        self.port.line_opened(line)

    def close(self) -> None:
        """Close the port as a correct driver does."""

        def code() -> None:
            while not self.io.read8(LSR) & 0x40:
                self.cpu.sleep(LINE.character_s / 4)
            self.io.write8(IER, 0)
            if self.cpu.interrupts.line(self.io.irq).handlers:
                self.cpu.disconnect(self.io.irq)

        self.call("close", code)

    def receive(self) -> None:
        """Serve the receiver as a correct handler does."""
        while (status := self.io.read8(LSR)) & 0x01:
            self.errors.overrun += bool(status & 0x02)
            self.received.append(self.io.read8(RBR))

    # the world outside

    def heed_rts(self, plan: FarEndPlan) -> None:
        """Hang a far end on the line that heeds RTS, and let it begin when RTS rises."""
        self.far = FarEnd(plan, self.board.clock, self.uart.signals, LINE)
        self.port.far_end(self.far, self.books, calm=lambda: self.calm)
        self.far.attend()

    def arrive(self, data: bytes, *, and_wait: bool = True) -> None:
        """Let the far end send `data`, and time pass until it is there."""
        self.far.say(data)
        if and_wait:
            self.wait(len(data) + 1)

    def wait(self, characters: float) -> None:
        """Let character times pass outside every driver call."""
        try:
            self.cpu.sleep(characters * LINE.character_s)
        except RunEnded as ended:
            self.ended = ended.rule

    def finish(self) -> list[Finding]:
        """End the run and return what was found."""
        self.rules.finish()
        return self.findings.all()
