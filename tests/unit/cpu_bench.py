"""A small board for tests of the processor: gauges that raise and drop their interrupt lines."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar

from emu.kernel.board import Board, BusSettings, CpuSettings, LineRules
from emu.kernel.device import Device
from emu.kernel.interrupts import Handler
from emu.kernel.register import Field, Register
from emu.kernel.signal import Signal

ACCESS_PS, ENTRY_PS, EXIT_PS, TIME_PS = 200_000, 400_000, 300_000, 200_000
CYCLE_PS = 20_000
US = 10**6  # ps


class Gauge(Device):
    """A level, a register whose bit 0 is the interrupt line, and one more."""

    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("LEVEL", 0, (Field("MM", 0, 8),)),
        Register("IRQ", 1, (Field("ON", 0),)),
        Register("MORE", 2, (Field("X", 0, 8),)),
    )

    def after_write_IRQ(self, _old: int, new: int) -> None:
        """Drive the line."""
        self.irq.set(new & 1)


class Bench:
    """A board with some gauges, each on an interrupt line of its own unless told otherwise."""

    def __init__(
        self,
        *,
        lines: dict[int, LineRules] | None = None,
        gauges: tuple[int, ...] = (4,),
        nesting: bool = False,
        **settings: int,
    ) -> None:
        self.board = Board(cpu=CpuSettings(nesting=nesting, **settings), bus=BusSettings())
        self.io = [
            self.board.attach(Gauge, f"gauge{number}", 0x10 * number, irq=irq)
            for number, irq in enumerate(gauges)
        ]
        for irq, rules in (lines or {}).items():
            self.board.interrupt(irq, rules)
        self.board.power_on()
        self.cpu, self.clock = self.board.cpu, self.board.clock
        self.log: list[Any] = []

    def wire(self, number: int = 0) -> Signal:
        """Return the interrupt wire of a gauge."""
        return self.board.device(f"gauge{number}").irq

    def pulse(self, at_ps: int, number: int = 0) -> None:
        """Let a gauge raise its line at some time."""
        self.clock.schedule(at_ps, lambda: self.wire(number).set(1))

    def handler(self, number: int = 0, then: Callable[[], object] = lambda: None) -> Handler:
        """Return a handler that notes when it came, makes its line quiet and does `then`."""

        def handle() -> None:
            self.log.append((number, self.clock.now_ps))
            self.io[number].write8(1, 0)
            then()

        return handle

    def serve(self, number: int = 0, then: Callable[[], object] = lambda: None) -> None:
        """Connect such a handler."""
        self.cpu.connect(self.io[number].irq, self.handler(number, then))

    @property
    def served(self) -> list[int]:
        """Which gauges were served, in order."""
        return [number for number, _ in self.log]

    def split(self) -> dict[str, int]:
        """Return where time went, in ps."""
        self.board.journal.settle()
        cpu = self.cpu
        return {"main": cpu.main_ps, "polled": cpu.polled_ps, "handler": cpu.handler_ps,
                "idle": cpu.idle_ps, "stalled": self.clock.stalled_ps}  # fmt: skip
