"""Which driver receives in which way, and where its file is.

The one idea: what is simulated are the example drivers, as anybody can read and run them. A wheel
has those that are needed in a folder beside this file, the source tree where they belong.
"""

from __future__ import annotations

from pathlib import Path

from emu.scenario.driver_source import DriverName, load_driver
from emu.sizing.bench import Setting
from emu.sizing.strategies import BIT_BANGED, DMA, MODERATED, PACED, POLLED, Strategy
from emu.units import LineSettings

__all__ = ["FILES", "driver_for", "why_not_simulated"]

FILES = {
    "BitBanged": "bit_banged.py",
    "PacedDriver": "paced_driver.py",
    "LevelDriver": "level_driver.py",
}
_HERE = Path(__file__).parent
_PLACES = (_HERE / "drivers_example", _HERE.parents[1] / "drivers_example")
_LEVELS = {1: (1,), 16: (1, 4, 8, 14), 64: (1, 16, 32, 56)}


def why_not_simulated(strategy: Strategy, line: LineSettings) -> str:
    """Return why a strategy is computed only, ``""`` where it can be simulated."""
    if strategy.kind == DMA:
        return "no engine on the bench yet"
    if strategy.kind == BIT_BANGED:
        return "" if str(line).endswith(" 8N1") else "the bit-banging driver knows 8N1 only"
    if strategy.trigger not in _LEVELS.get(strategy.depth, ()):
        return "the 16550 of the bench has 1, 16 or 64 bytes, and four trigger levels"
    return ""


def driver_for(strategy: Strategy) -> tuple[type, Setting]:
    """Return the driver class of a strategy, and what to put it in front of.

    Raises:
        InputError: the drivers' files are not there.
    """
    if strategy.kind == BIT_BANGED:
        return _load("BitBanged"), Setting("gpio")
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
