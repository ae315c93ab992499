"""A telemetry port on a board, for the tests of faults: registers, line, interrupt and records."""

from __future__ import annotations

from contextlib import suppress

from emu.devices.ram import Ram
from emu.devices.uart16550 import Uart16550
from emu.faults.arm import Armed, arm
from emu.faults.plan import FaultPlan, FaultSpec
from emu.kernel.board import Board, LineRules
from emu.kernel.bus import BusError
from emu.line.far_end import FarEnd
from emu.line.plan import FarEndPlan
from emu.units import LineSettings

RBR, IER, IIR, LCR, MCR, LSR, SCR = 0, 1, 2, 3, 4, 5, 7
MS_PS = 10**9
US_PS = 10**6
LINE = LineSettings(115200)


class Bench:
    """Hold a board with one armed plan, and a far end that only speaks when told to.

    Args:
        faults: the plan.
        seed: seed of the faults.
        edge: whether the interrupt line latches edges.
        parity: parity of both ends.
        stride: bytes between registers, which are then accessed in 32 bits if it is 4.
        start: whether the windows begin to count at once.
    """

    def __init__(
        self,
        *faults: FaultSpec,
        seed: int = 1,
        edge: bool = False,
        parity: str = "none",
        stride: int = 1,
        start: bool = True,
    ) -> None:
        self.board = board = Board("harbour", events=None)
        widths = (32,) if stride == 4 else None
        self.io = board.attach(Uart16550, "telemetry", 0x1000, irq=5, stride=stride, widths=widths)
        board.attach(Ram, "log", 0x10000, settings={"size": 64})
        board.interrupt(5, LineRules(edge=edge))
        board.power_on()
        self.uart = board.devices["telemetry"]
        line = LineSettings(115200, parity=parity)
        self.far = FarEnd(FarEndPlan(), board.clock, self.uart.signals, line)
        self.armed: Armed = arm(
            FaultPlan.of(faults), board, far_ends={"telemetry": self.far}, seed=seed
        )
        if start:
            self.armed.start()

    def set_up(self, interrupts: int = 0) -> None:
        """Set the port up as a driver would, by its own register writes."""
        parity = {"none": 0x03, "odd": 0x0B, "even": 0x1B}[self.far.line.parity]
        for offset, value in (
            (LCR, 0x83), (0, 1), (1, 0), (LCR, parity), (2, 0x07), (IER, interrupts)
        ):  # fmt: skip
            self.io.write8(offset, value)

    def set_up_quietly(self) -> None:
        """Set the port up as far as faults let it be."""
        with suppress(BusError):
            self.set_up(interrupts=0x0F)

    def wait(self, ps: int) -> None:
        """Let time pass."""
        self.board.cpu.sleep(ps / 10**12)

    def receive(self) -> list[tuple[int, int]]:
        """Read everything that is there: status and character."""
        found = []
        while (status := self.io.read8(LSR)) & 1:
            found.append((status & 0x1E, self.io.read8(RBR)))
        return found

    @property
    def counts(self) -> tuple[int, ...]:
        """How often each fault did something."""
        return self.armed.counts

    def tape(self) -> list[tuple[int, ...]]:
        """Return the entries that faults left on the board's tape."""
        journal = self.board.journal
        journal.settle()
        kinds = [source.kind for source in journal.sources]
        return [entry for entry in journal.entries if kinds[entry[1]] == "fault"]
