"""What stands on the sizing bench: a device, perhaps an engine, and what else interrupts."""

from __future__ import annotations

from dataclasses import dataclass

from emu.devices.dma import Dma
from emu.devices.gpio import Gpio
from emu.devices.ram import Ram
from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board, BusSettings, LineRules
from emu.sizing.workload import Workload

__all__ = ["ENGINE", "ENGINE_IRQ", "FIRST_OTHER_IRQ", "IRQ", "NAME", "Setting", "bench_board"]

NAME, ENGINE, _MEMORY = "telemetry", "mover", "log"
IRQ, ENGINE_IRQ, FIRST_OTHER_IRQ = 5, 6, 10
_PRIORITY = 1000


@dataclass(frozen=True, slots=True)
class Setting:
    """Say what a driver is put in front of.

    Args:
        device: ``uart16550`` or ``gpio``.
        fifo: characters that the controller's FIFO holds: 1, 16 or 64.
        moderated: whether its interrupts are moderated.
        memory_bytes: memory beside it that an engine moves its characters to, 0 for no engine.
    """

    device: str = "uart16550"
    fifo: int = 16
    moderated: bool = False
    memory_bytes: int = 0


def bench_board(workload: Workload, setting: Setting) -> Board:
    """Build the board and switch it on; the clock of the device makes the rate exactly."""
    board = Board(cpu=workload.cpu, bus=BusSettings(access_cycles=workload.access_cycles), events=0)
    moderation_ps = workload.moderation_ps if setting.moderated else 0
    board.interrupt(IRQ, LineRules(priority=_PRIORITY, moderation_ps=moderation_ps))
    if setting.device == "gpio":
        board.attach(Gpio, NAME, 0x4000_0000, irq=IRQ)
    else:
        fifo = 0 if setting.fifo == 1 else setting.fifo  # without a FIFO it holds one
        settings = {"clock": 16 * workload.line.baud, "fifo": fifo}
        board.attach(Uart16550, NAME, 0x4000_0000, settings=settings, stride=4, irq=IRQ)
    if setting.memory_bytes:
        _add_engine(board, workload, setting.memory_bytes)
    for number, one in enumerate(workload.others, 1):
        priority = _PRIORITY + number if one.above else _PRIORITY - number
        board.interrupt(FIRST_OTHER_IRQ + number, LineRules(priority=priority, software=True))
    board.power_on()
    return board


def _add_engine(board: Board, workload: Workload, memory_bytes: int) -> None:
    """Put an engine and memory beside the device; it moves a character in the time of an access."""
    settings = {"clock": workload.engine_hz, "requests": (f"{NAME}.rx_request",)}
    board.attach(Dma, ENGINE, 0x4000_1000, settings=settings, irq=ENGINE_IRQ)
    board.attach(Ram, _MEMORY, 0x2000_0000, settings={"size": -(-memory_bytes // 8) * 8})
    board.interrupt(ENGINE_IRQ, LineRules(priority=_PRIORITY))
    board.put_beside(NAME, (ENGINE, _MEMORY))
