"""What is to be sized: the processor, the line, what comes on it, and what else goes on.

The one idea: everything has a default, so that any one thing can be changed and the rest stays. The
defaults are a tide gauge's: 50 MHz, 115200 8N1 without a pause, a tick every millisecond, and 20 us
in which interrupts are masked for the sake of something else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from emu.kernel.board import CpuSettings
from emu.kernel.clock import PS_PER_S
from emu.sizing.response import Task
from emu.units import LineSettings

__all__ = ["PATTERNS", "Dma", "Masked", "Neighbour", "Traffic", "Workload", "triggers_of"]

PATTERNS = ("steady", "bursty", "random")
_USE = {"steady": 1.0, "bursty": 0.5, "random": 0.5}


@dataclass(frozen=True, slots=True)
class Traffic:
    """Say how characters come.

    Args:
        pattern: ``steady``, evenly; ``bursty``, in bursts back to back; ``random``, with pauses of
            random length (exponential), of which nothing is known but the mean.
        use: share of what the line could carry, above 0 to 1; None for 1 of a steady stream, else
            one half.
        burst_bytes: characters in a burst, 1 or more.
    """

    pattern: str = "steady"
    use: float | None = None
    burst_bytes: int = 64

    @property
    def share(self) -> float:
        """Share of what the line could carry."""
        return _USE[self.pattern] if self.use is None else self.use

    @property
    def shape(self) -> str:
        """The pattern that comes of it: what fills the line is steady, and bursts of one are."""
        alone = self.pattern == "bursty" and self.burst_bytes == 1
        return "steady" if self.share >= 1 or alone else self.pattern


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Say what else interrupts.

    Args:
        period_ps: time between two interrupts, above 0.
        handler_cycles: cycles of the processor that its handler takes, entry and exit left out.
        above: whether it is served before the device, or after it.
        jitter_ps: how much later than its period says one may come, 0 or more.
    """

    period_ps: int = PS_PER_S // 1000
    handler_cycles: int = 200
    above: bool = True
    jitter_ps: int = 0


@dataclass(frozen=True, slots=True)
class Masked:
    """Say for how long main code keeps interrupts masked at worst, and how often it does so.

    Args:
        length_ps: the longest masked section, 0 for none.
        period_ps: time between the beginnings of two of them, longer than `length_ps`.
    """

    length_ps: int = 20 * 10**6
    period_ps: int = PS_PER_S // 100


@dataclass(frozen=True, slots=True)
class Dma:
    """Say what an engine that moves data by itself costs.

    Args:
        block_bytes: characters it moves before it interrupts; it has two buffers of that size.
        accesses: accesses for each block, to acknowledge one and to set up the next; the default is
            what ``drivers_example/block_driver.py`` makes.
    """

    block_bytes: int = 64
    accesses: int = 6


@dataclass(frozen=True, slots=True)
class Workload:
    """Hold everything that a sizing depends on.

    Args:
        cpu: the processor's clock, and what entering and leaving a handler cost.
        access_cycles: cycles of the processor that a register access takes.
        line: rate and format.
        traffic: how characters come.
        fifo: characters that the receive FIFO holds, 1 for none, up to 65536.
        triggers: levels at which it may interrupt; empty for those that such parts usually have.
        others: what else interrupts.
        masked: masked sections.
        moderation_ps: least time between two interrupts of the device where they are moderated.
        dma: what the engine costs.
        compute_cycles: cycles that the program computes for each character, besides receiving it.
    """

    cpu: CpuSettings = field(default_factory=CpuSettings)
    access_cycles: int = 10
    line: LineSettings = field(default_factory=lambda: LineSettings(115_200))
    traffic: Traffic = field(default_factory=Traffic)
    fifo: int = 16
    triggers: tuple[int, ...] = ()
    others: tuple[Neighbour, ...] = (Neighbour(),)
    masked: Masked = field(default_factory=Masked)
    moderation_ps: int = 500 * 10**6
    dma: Dma = field(default_factory=Dma)
    compute_cycles: int = 1000

    @property
    def levels(self) -> tuple[int, ...]:
        """The levels to look at, lowest first."""
        return self.triggers or triggers_of(self.fifo)

    @property
    def rate_hz(self) -> float:
        """Characters a second, on average."""
        return self.traffic.share / self.line.character_s

    @property
    def access_ps(self) -> int:
        """Time of a register access."""
        return self.cycles_ps(self.access_cycles)

    @property
    def engine_hz(self) -> int:
        """How many characters a second an engine moves: one in the time of an access."""
        return max(self.cpu.clock_hz // max(self.access_cycles, 1), 1)

    @property
    def frame_cycles(self) -> int:
        """Cycles that entering and leaving a handler take."""
        return self.cpu.entry_cycles + self.cpu.exit_cycles

    def cycles_ps(self, cycles: int) -> int:
        """Return the time of so many cycles of the processor, rounded up: bounds lean on it."""
        return -(-cycles * PS_PER_S // self.cpu.clock_hz)

    def tasks(self, *, above: bool | None = None) -> list[Task]:
        """Return what else interrupts: all, only what is served before the device, or after it."""
        return [
            Task(
                self.cycles_ps(one.handler_cycles + self.frame_cycles),
                one.period_ps,
                one.jitter_ps,
            )
            for one in self.others
            if above is None or one.above == above
        ]


def triggers_of(fifo: int) -> tuple[int, ...]:
    """Return the levels that a FIFO usually has: one, a quarter, a half, nearly full.

    Source: PC16550D, June 1995, 8.5: 1, 4, 8, 14 of 16; TL16C750: 1, 16, 32, 56 of 64, as in the
    header linux/serial_reg.h. For other depths the same shares are taken.
    """
    return tuple(sorted({max(one, 1) for one in (1, fifo // 4, fifo // 2, fifo * 7 // 8)}))
