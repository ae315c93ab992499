"""Which driver receives in which way, and where its file is.

The one idea: what is simulated are the example drivers, as anybody can read and run them. A wheel
has those that are needed in a folder beside this file, the source tree where they belong.
"""

from __future__ import annotations

from pathlib import Path

from emu.scenario.driver_source import DriverName, load_driver
from emu.sizing.bench_board import Setting
from emu.sizing.strategies import BIT_BANGED, DMA, MODERATED, PACED, POLLED, Strategy
from emu.sizing.workload import Dma, Workload

__all__ = ["FILES", "driver_for", "why_not_simulated"]

FILES = {
    "BitBanged": "bit_banged.py",
    "BlockDriver": "block_driver.py",
    "LevelDriver": "level_driver.py",
    "PacedDriver": "paced_driver.py",
}
_LONGEST_BLOCK = 65_535
_BLOCKS, _DESCRIPTORS_BYTES = 8, 32  # of the ring in memory, and what stands before it
_HERE = Path(__file__).parent
_PLACES = (_HERE / "drivers_example", _HERE.parents[1] / "drivers_example")
_LEVELS = {1: (1,), 16: (1, 4, 8, 14), 64: (1, 16, 32, 56)}


def why_not_simulated(strategy: Strategy, workload: Workload) -> str:
    """Return why a strategy is computed only, ``""`` where it can be simulated."""
    if strategy.kind == BIT_BANGED:
        is_8n1 = str(workload.line).endswith(" 8N1")
        return "" if is_8n1 else "the bit-banging driver knows 8N1 only"
    if strategy.depth not in _LEVELS:
        return "the 16550 of the bench has 1, 16 or 64 bytes"
    if strategy.kind == DMA:
        return _why_no_engine(workload.dma)
    if strategy.trigger not in _LEVELS[strategy.depth]:
        levels = ", ".join(map(str, _LEVELS[strategy.depth]))
        return f"the 16550 of the bench with {strategy.depth} bytes has levels {levels}"
    return ""


def _why_no_engine(dma: Dma) -> str:
    if dma.block_bytes > _LONGEST_BLOCK:
        return f"the engine of the bench moves up to {_LONGEST_BLOCK} at a time"
    usual = Dma().accesses
    if dma.accesses != usual:
        return f"the driver of the bench makes {usual} accesses for a block"
    return ""


def driver_for(strategy: Strategy) -> tuple[type, Setting]:
    """Return the driver class of a strategy, and what to put it in front of.

    Raises:
        InputError: the drivers' files are not there.
    """
    if strategy.kind == BIT_BANGED:
        return _load("BitBanged"), Setting("gpio")
    if strategy.kind == DMA:
        block = strategy.trigger
        memory_bytes = _DESCRIPTORS_BYTES + _BLOCKS * block
        settings = {"depth": strategy.depth, "block": block, "blocks": _BLOCKS}
        base = _load("BlockDriver")
        return type("Block", (base,), settings), Setting(
            fifo=strategy.depth, memory_bytes=memory_bytes
        )
    setting = Setting(fifo=strategy.depth, moderated=strategy.kind == MODERATED)
    if strategy.kind in (POLLED, PACED):
        rest = strategy.depth / 2 if strategy.kind == PACED else 0.0
        base = _load("PacedDriver")
        return type("Paced", (base,), {"depth": strategy.depth, "rest_characters": rest}), setting
    base = _load("LevelDriver")
    return type("Level", (base,), {"depth": strategy.depth, "level": strategy.trigger}), setting


def _load(name: str) -> type:
    """Return one of the example drivers."""
    folder = next((one for one in _PLACES if (one / FILES[name]).exists()), _PLACES[-1])
    return load_driver(DriverName.parse(f"{FILES[name]}:{name}", base=folder))
