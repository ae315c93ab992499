"""A serial controller on the test's table: no processor, registers by name, time moved by hand.

The one idea: what the tests of the controller share, and nothing that says what is right. A far
end plays frames on the input wire, a recorder notes the edges of a wire.
"""

from __future__ import annotations

from fractions import Fraction

from emu.devices.uart16550 import Uart16550
from emu.kernel.clock import Clock
from emu.kernel.signal import Signal
from emu.line.frame import BitRate, FrameFormat
from emu.line.transmitter import Transmitter

__all__ = ["SerialPort", "edges_of"]

CLOCK_HZ = 1_600_000  # a cycle of the 16x clock takes 10 us at divisor 16, a bit 160 us


class SerialPort:
    """Hold a controller after reset, with its line set up, and a far end.

    Args:
        fifo: bytes of FIFO of the part.
        clock_hz: its input clock.
        divisor: what is written to the divisor latch.
        lcr: what is written to LCR, DLAB left out.
        fcr: what is written to FCR, None for nothing.
    """

    def __init__(
        self,
        *,
        fifo: int = 16,
        clock_hz: int = CLOCK_HZ,
        divisor: int = 16,
        lcr: int = 0x03,
        fcr: int | None = None,
    ) -> None:
        self.clock = Clock()
        self.uart = Uart16550("gauge", self.clock, {"clock": clock_hz, "fifo": fifo})
        self.uart.connect_ports()
        self.uart.reset()
        self.set_divisor(divisor)
        self.write("LCR", lcr)
        if fcr is not None:
            self.write("FCR", fcr)
        self.far = Transmitter(self.clock, self.uart.sin)
        self._speak_alike()

    def read(self, register: str) -> int:
        """Read a register as a driver does, side effects and all; takes no time."""
        return self.uart.ports[register].read()

    def write(self, register: str, value: int) -> None:
        """Write a register as a driver does; takes no time."""
        self.uart.ports[register].write(value)

    def set_divisor(self, divisor: int) -> None:
        """Write both halves of the divisor latch."""
        self.write("DLL", divisor & 0xFF)
        self.write("DLM", divisor >> 8)

    @property
    def irq(self) -> int:
        """The level of the interrupt line."""
        return self.uart.irq.level

    @property
    def now_ps(self) -> int:
        """The time."""
        return self.clock.now_ps

    @property
    def rate(self) -> BitRate:
        """The bit rate, which must not be stopped."""
        rate = self.uart.rate
        assert rate is not None
        return rate

    @property
    def bit_ps(self) -> int:
        """One bit time."""
        return self.rate.half_bits_ps(2)

    @property
    def tick_ps(self) -> int:
        """One cycle of the 16x clock."""
        return self.rate.ticks_ps(1)

    @property
    def character_ps(self) -> int:
        """One character time: start, data, parity and all stop bits."""
        return self.rate.half_bits_ps(self.uart.frame.half_bits)

    def wait(self, duration_ps: int) -> None:
        """Let time pass."""
        self.clock.run_until(self.clock.now_ps + duration_ps)

    def wait_bits(self, bits: float) -> None:
        """Let some bit times pass."""
        self.wait(round(bits * self.bit_ps))

    def wait_irq(self, limit_ps: int) -> int:
        """Let time pass, event by event, until the interrupt line is up; return the time.

        Raises:
            AssertionError: it did not rise within `limit_ps`.
        """
        end_ps = self.clock.now_ps + limit_ps
        while not self.irq:
            assert self.clock.next_event_ps <= end_ps, "no interrupt came"
            self.clock.run_until(self.clock.next_event_ps)
        return self.clock.now_ps

    def arrive(self, *characters: int) -> None:
        """Let the far end send characters back to back; returns when the last bit has ended."""
        self._speak_alike()
        for character in characters:
            self.clock.run_until(self.far.send(character, self.clock.now_ps))

    def arrive_with(self, flags: int, data: int = 0x5A) -> None:
        """Put a character with error flags into the buffer, past the wire."""
        self.uart.receive(data, flags)

    def empty(self) -> None:
        """Read every received character."""
        while self.read("LSR") & 1:
            self.read("RBR")

    def _speak_alike(self) -> None:
        if self.uart.rate is not None:
            self.far.configure(self.uart.frame, self.uart.rate)


def edges_of(wire: Signal, clock: Clock) -> list[tuple[int, int]]:
    """Return a list that fills with (time in ps, new level) as the wire changes."""
    edges: list[tuple[int, int]] = []
    wire.watch(lambda level: edges.append((clock.now_ps, level)))
    return edges


def far_rate(baud: Fraction | int) -> BitRate:
    """Return the rate of a far end at exactly `baud` bits a second."""
    ratio = Fraction(10**12, 2) / baud
    return BitRate(ratio.numerator, ratio.denominator)


EIGHT_N_1 = FrameFormat()
