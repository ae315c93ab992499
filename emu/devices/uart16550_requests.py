"""Request wires of a 16550 for an engine that moves its data: something to read, room to write.

The one idea: the wires are made when somebody asks for one, and only then does the controller pay
for them. ``rx_request`` is up while a sound character is the next to be read; one with an error is
left to software, which has to count it. ``tx_request`` is up while there is room for one more,
``tx_idle`` while nothing is left to send, shift register included.

Source: PC16550D datasheet (TL/C/8652, June 1995), pins RXRDY and TXRDY: from memory. Up is
asserted here, which is low at the pin. Our own: one behaviour for both modes of FCR bit 3, errors
left to software; room for one character suffices and one that waits does, as single transfers
need it.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.devices.uart16550 import Uart16550
from emu.kernel.clock import Clock, Timer
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.signal import Signal
from emu.line.frame import BitRate
from emu.line.transmitter import Transmitter

__all__ = ["REQUESTS", "add_requests"]

_BYTE = 0xFF  # beyond it stand the flags of a character in the buffer
REQUESTS = ("rx_request", "tx_request", "tx_idle")


def add_requests(uart: Uart16550) -> None:
    """Give a controller its request wires, unless it has them; call before it is in use."""
    if REQUESTS[0] not in uart.signals:
        _Requests(uart)


class _Requests:
    """Keep the wires in step with the buffers.

    Args:
        uart: the controller, before anything is sent or received.
    """

    def __init__(self, uart: Uart16550) -> None:
        self._uart = uart
        for name in REQUESTS:
            uart.signals[name] = Signal(uart.clock, f"{uart.name}.{name}")
        uart.transmitter = _ToldTransmitter(uart.clock, uart.sout, self._update)
        uart.receiver.wrap_deliver(self._after_delivery)
        uart.ports["RBR"].wrap_read(self._after_read)
        for name in ("THR", "FCR"):
            uart.ports[name].wrap_write(self._after_write)
        self._update()

    def _after_delivery(self, deliver: Callable[[int, int], None]) -> Callable[[int, int], None]:
        def deliver_and_ask(data: int, flags: int) -> None:
            deliver(data, flags)
            self._update()

        return deliver_and_ask

    def _after_read(self, read: ReadPort) -> ReadPort:
        def read_and_ask() -> int:
            value = read()
            self._update()
            return value

        return read_and_ask

    def _after_write(self, write: WritePort) -> WritePort:
        def write_and_ask(data: int) -> None:
            write(data)
            self._update()

        return write_and_ask

    def _update(self) -> None:
        uart = self._uart
        waiting, room = _buffers(uart)
        levels = (waiting, room, room and not uart.transmitter.shifting and _is_empty(uart))
        for name, level in zip(REQUESTS, levels, strict=True):
            uart.signals[name].set(int(level))


def _buffers(uart: Uart16550) -> tuple[bool, bool]:
    """Return whether the next character to be read is sound, and whether there is room for one."""
    depth = uart._depth if uart._fifo_on else 1  # noqa: SLF001 - one device in two files
    sound = bool(uart._rx) and uart._rx[0] <= _BYTE  # noqa: SLF001
    return sound, len(uart._tx) < depth  # noqa: SLF001


def _is_empty(uart: Uart16550) -> bool:
    return not uart._tx  # noqa: SLF001


class _ToldTransmitter(Transmitter):
    """A transmitter that tells when it takes a character and when it has done with one."""

    __slots__ = ("_rest", "_tell")

    def __init__(self, clock: Clock, wire: Signal, tell: Callable[[], None]) -> None:
        super().__init__(clock, wire)
        self._tell = tell
        self._rest = Timer(clock, tell)

    def send(self, byte: int, start_ps: int) -> int:
        """Play a frame."""
        end_ps = super().send(byte, start_ps)
        self._rest.start(end_ps)
        self._tell()
        return end_ps

    def retime(self, rate: BitRate) -> int:
        """Let the rest of the frame go at another rate."""
        end_ps = super().retime(rate)
        if self._rest.running:
            self._rest.start(end_ps)
        return end_ps

    def stop(self) -> None:
        """Drop the frame under way."""
        super().stop()
        self._rest.stop()
        self._tell()
