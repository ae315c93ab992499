"""What is measured in front of a driver: how late it is, and what is lost."""

from __future__ import annotations

from dataclasses import dataclass

from emu.devices.serial_monitor import Nobody
from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.device import Device, ReadPort, WritePort

__all__ = ["Arrivals", "Latencies", "Measured", "watch_engine", "watch_pin", "watch_uart"]


@dataclass(frozen=True, slots=True)
class Measured:
    """Hold what a run showed.

    Args:
        load: share of the processor that receiving took, 0 to 1.
        interrupts_hz: interrupts of the device a second.
        accesses_per_byte: register accesses for each character that came.
        worst_latency_s, mean_latency_s: from a request to the access that takes its first data, or
            by which an engine can go on with another block.
        loss: share of the characters that the driver did not get.
        characters: how many came.
        bytes_per_interrupt: characters taken for each interrupt, 0 without interrupts.
        processor_s: time that receiving took.
    """

    load: float
    interrupts_hz: float
    accesses_per_byte: float
    worst_latency_s: float
    mean_latency_s: float
    loss: float
    characters: int
    bytes_per_interrupt: float
    processor_s: float


class Latencies:
    """Measure from a request to its answer; a request on top of another is the same one."""

    def __init__(self) -> None:
        self.worst_ps = self.sum_ps = self.count = 0
        self._since_ps = -1

    def ask(self, now_ps: int) -> None:
        """Note a request."""
        if self._since_ps < 0:
            self._since_ps = now_ps

    def answer(self, now_ps: int) -> None:
        """Note an answer, if something was asked."""
        if self._since_ps >= 0:
            wait_ps = now_ps - self._since_ps
            self.worst_ps = max(self.worst_ps, wait_ps)
            self.sum_ps += wait_ps
            self.count += 1
            self._since_ps = -1


class Arrivals(Nobody):
    """Take a character that comes to an empty FIFO for a request, and count what is lost."""

    def __init__(self, uart: Uart16550, latencies: Latencies) -> None:
        self._uart = uart
        self._latencies = latencies
        self.lost = 0
        self.ask = False
        uart.monitor = self

    def arrived(self, data: int, flags: int) -> None:  # noqa: ARG002 - the monitor's signature
        """Note a character."""
        if self.ask and self._uart.receive_level == 1:
            self._latencies.ask(self._uart.clock.now_ps)

    def overran(self, data: int) -> None:  # noqa: ARG002 - the monitor's signature
        """Count a character that found no room."""
        self.lost += 1


def watch_pin(board: Board, latencies: Latencies) -> None:
    """Take a handler's first look at the time for an answer; who sends says what it asks."""
    clock, cpu = board.clock, board.cpu
    cpu.on_time.append(lambda: latencies.answer(clock.now_ps) if cpu.depth else None)


def watch_uart(uart: Uart16550, latencies: Latencies) -> Arrivals:
    """Measure from an interrupt to the read of its first character; return what counts losses."""
    clock = uart.clock
    uart.irq.watch(lambda level: latencies.ask(clock.now_ps) if level else None)

    def answering(read: ReadPort) -> ReadPort:
        def answer() -> int:
            latencies.answer(clock.now_ps)
            return read()

        return answer

    uart.ports["RBR"].wrap_read(answering)
    return Arrivals(uart, latencies)


def watch_engine(engine: Device, latencies: Latencies) -> None:
    """Measure from an engine's interrupt to the ring by which it can go on with another block."""
    clock = engine.clock
    engine.irq.watch(lambda level: latencies.ask(clock.now_ps) if level else None)

    def answering(write: WritePort) -> WritePort:
        def answer(data: int) -> None:
            latencies.answer(clock.now_ps)
            write(data)

        return answer

    engine.ports["DOORBELL0"].wrap_write(answering)
