"""A serial contract on the test's table: the test is the driver, and calls go to the books by hand.

The one idea: what the tests of the contract share. Each method does what a correct driver and the
runner do together, so that a test only spells out what goes wrong.
"""

from __future__ import annotations

from emu.devices.serial_driver import LineErrors
from emu.line.far_end import FarEnd
from emu.line.plan import FarEndPlan
from emu.scenario.contract import SerialContract
from emu.scenario.promise import Promise
from emu.scenario.serial_view import Uart16550View
from emu.units import LineSettings
from tests.serial_port import SerialPort

__all__ = ["LINE", "OVERRUN", "Table"]

LINE = LineSettings(6250)  # what divisor 16 makes of 1.6 MHz
OVERRUN, PARITY, FRAMING, BREAK = 0x02, 0x04, 0x08, 0x10
_FLAGS = {"overrun": OVERRUN, "parity": PARITY, "framing": FRAMING, "breaks": BREAK}


class Table:
    """Hold a controller, its contract and the counters of the driver that the test plays.

    Args:
        fifo: bytes of FIFO of the part.
        far_end: whether something listens at the far end.
    """

    def __init__(self, *, fifo: int = 16, far_end: bool = False) -> None:
        self.port = SerialPort(fifo=fifo)
        self.uart = self.port.uart
        self.far_end = (
            FarEnd(FarEndPlan(), self.port.clock, self.uart.signals, LINE) if far_end else None
        )
        self.contract = SerialContract(Uart16550View(self.uart), self.far_end)
        self.errors = LineErrors()
        self.fifo = fifo

    def open(self) -> None:
        """Open as a correct driver does: settings, FIFO on and empty."""
        self.contract.opens(LINE)
        self.set_up()
        self.contract.opened()

    def set_up(self) -> None:
        """Write the settings of `LINE`."""
        port = self.port
        port.write("LCR", 0x83)
        port.set_divisor(16)
        port.write("LCR", 0x03)
        port.write("FCR", 0x07)
        port.write("MCR", 0x0B)

    def come(self, data: bytes, flags: int = 0) -> None:
        """Let characters come in."""
        for byte in data:
            self.uart.receive(byte, flags)

    def look(self) -> int:
        """Read LSR and count what it shows: a break is no framing or parity error besides."""
        status = self.port.read("LSR")
        for name, bit in _FLAGS.items():
            if status & bit and not (status & BREAK and bit in {PARITY, FRAMING}):
                setattr(self.errors, name, getattr(self.errors, name) + 1)
        return status

    def take(self, *, keep_bad: bool = True) -> bytes:
        """Empty the receiver with a look before each character."""
        taken = bytearray()
        while (status := self.look()) & 1:
            byte = self.port.read("RBR")
            if keep_bad or not status & (PARITY | FRAMING | BREAK):
                taken.append(byte)
        return bytes(taken)

    def give(self, data: bytes) -> None:
        """Return `data` from a ``read`` call."""
        self.contract.reads()
        self.contract.read(data)

    def wait_in_vain(self) -> None:
        """Return nothing from a ``read`` call that waited for six characters."""
        self.contract.reads()
        self.port.wait(6 * self.port.character_ps)
        self.contract.read(b"")

    def send(self, data: bytes) -> None:
        """Accept `data` in a ``write`` call and hand it to the device, waiting for room."""
        for byte in data:
            while not self.port.read("LSR") & 0x20:
                self.port.wait_bits(1)
            self.port.write("THR", byte)
        self.contract.wrote(data)

    def drain(self) -> None:
        """Wait until the device has nothing more to send."""
        while not self.port.read("LSR") & 0x40:
            self.port.wait_bits(1)

    def close(self) -> None:
        """Close at once, and let the silence pass that the runner waits for."""
        self.contract.closes()
        self.port.write("IER", 0)
        self.port.wait(4 * self.port.character_ps)
        self.contract.closed()

    def verdict(self, waived: dict[str, str] | None = None) -> dict[str, Promise]:
        """Return the promises by name."""
        return {one.promise: one for one in self.contract.judge(self.errors, waived or {})}

    def broken(self) -> dict[str, str]:
        """Return what was broken, with the details."""
        return {name: one.detail for name, one in self.verdict().items() if not one.kept}
