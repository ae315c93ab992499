"""What other people's tests use: pytest fixtures, strategies, and rules for device models.

The one idea: a test says what a driver or a device is asked for, and not how it is judged. The
fixtures `emu_board` and `emu_run` come with the package (`plugin`); `strategies` draws scenarios
and schedules for Hypothesis; `DeviceRules` tries a device model. Each name is loaded when it is
first asked for, so that pytest starts no slower than without.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from emu.scenario.from_python import board_of, scenario_of
    from emu.testing import strategies
    from emu.testing.device_rules import DeviceRules
    from emu.testing.runs import DriverFailed, GiveBoard, RunDriver

__all__ = [
    "DeviceRules",
    "DriverFailed",
    "GiveBoard",
    "RunDriver",
    "board_of",
    "scenario_of",
    "strategies",
]

_HOMES = {
    "DeviceRules": "emu.testing.device_rules",
    "DriverFailed": "emu.testing.runs",
    "GiveBoard": "emu.testing.runs",
    "RunDriver": "emu.testing.runs",
    "board_of": "emu.scenario.from_python",
    "scenario_of": "emu.scenario.from_python",
}

# Hidden from type checkers, which would otherwise believe that any name can be imported.
if not TYPE_CHECKING:

    def __getattr__(name: str) -> object:
        """Load a public name from its home and keep it here."""
        if name == "strategies":
            return import_module("emu.testing.strategies")
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        value = getattr(import_module(_HOMES[name]), name)
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted({*globals(), *__all__})
