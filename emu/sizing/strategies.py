"""The ways in which characters can get from a line into memory."""

from __future__ import annotations

from dataclasses import dataclass

from emu.sizing.workload import Workload

__all__ = [
    "BIT_BANGED",
    "DMA",
    "INTERRUPTS",
    "MODERATED",
    "PACED",
    "POLLED",
    "Strategy",
    "strategies_of",
]

BIT_BANGED, POLLED, PACED, INTERRUPTS, MODERATED, DMA = (
    "bit-banged", "polled", "paced", "interrupts", "moderated", "dma",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Strategy:
    """Say how characters are received.

    Args:
        kind: one of the words above.
        name: as tables show it, up to 24 characters.
        depth: characters that the FIFO holds, 1 where there is none.
        trigger: level at which an interrupt comes, 1 where it does not matter; of an engine, the
            characters in a block.
    """

    kind: str
    name: str
    depth: int = 1
    trigger: int = 1

    @property
    def interrupts(self) -> bool:
        """Whether a handler of the controller takes the characters."""
        return self.kind in (INTERRUPTS, MODERATED)

    @property
    def room(self) -> int:
        """Characters that find room before one is lost: with an engine two blocks more."""
        return self.depth + 2 * self.trigger if self.kind == DMA else self.depth


def strategies_of(workload: Workload) -> list[Strategy]:
    """Return the strategies to compare, simplest hardware first; those of FIFOs only with one."""
    depth, block = workload.fifo, workload.dma.block_bytes
    plain = [
        Strategy(BIT_BANGED, "bit-banged"),
        Strategy(POLLED, "polled byte"),
        Strategy(INTERRUPTS, "interrupt per byte"),
    ]
    if depth > 1:
        plain.insert(2, Strategy(PACED, f"polled, FIFO of {depth}", depth))
        plain += [
            Strategy(INTERRUPTS, f"interrupt at {level} of {depth}", depth, level)
            for level in workload.levels
        ]
    return [
        *plain,
        Strategy(MODERATED, "moderated interrupts", depth),
        Strategy(DMA, f"DMA, blocks of {block}", depth, block),
    ]
