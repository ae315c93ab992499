"""A virtual bench on which driver code is run, measured and broken before the hardware exists.

The one idea: the names a driver needs, and nothing else, can be had from here. Each is loaded
when it is first asked for, so that importing the package costs next to nothing. This file leaves
out all logic; every name lives in the room that its import line below shows.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from emu.devices.checksum_driver import CheckSettings, ChecksumDriver
    from emu.devices.clock_driver import ClockDriver
    from emu.devices.copy_driver import CopyDriver
    from emu.devices.deadline_driver import DeadlineDriver
    from emu.devices.dispatch_driver import DispatchDriver
    from emu.devices.pin_driver import PinDriver
    from emu.devices.serial_driver import LineErrors, SerialDriver
    from emu.devices.timer_driver import TimerDriver
    from emu.devices.watchdog_driver import WatchdogDriver
    from emu.errors import EmuError, InputError
    from emu.kernel.board import Board
    from emu.kernel.bus import BusError, Window
    from emu.kernel.cpu import Cpu
    from emu.kernel.device import Device
    from emu.kernel.register import Field, Register
    from emu.kernel.routed import routed
    from emu.units import LineSettings

__all__ = [
    "Board",
    "BusError",
    "CheckSettings",
    "ChecksumDriver",
    "ClockDriver",
    "CopyDriver",
    "Cpu",
    "DeadlineDriver",
    "Device",
    "DispatchDriver",
    "EmuError",
    "Field",
    "InputError",
    "LineErrors",
    "LineSettings",
    "PinDriver",
    "Register",
    "SerialDriver",
    "TimerDriver",
    "WatchdogDriver",
    "Window",
    "routed",
]

_HOMES = {
    "Board": "emu.kernel.board",
    "BusError": "emu.kernel.bus",
    "CheckSettings": "emu.devices.checksum_driver",
    "ChecksumDriver": "emu.devices.checksum_driver",
    "ClockDriver": "emu.devices.clock_driver",
    "CopyDriver": "emu.devices.copy_driver",
    "Cpu": "emu.kernel.cpu",
    "DeadlineDriver": "emu.devices.deadline_driver",
    "Device": "emu.kernel.device",
    "DispatchDriver": "emu.devices.dispatch_driver",
    "EmuError": "emu.errors",
    "Field": "emu.kernel.register",
    "InputError": "emu.errors",
    "LineErrors": "emu.devices.serial_driver",
    "LineSettings": "emu.units",
    "PinDriver": "emu.devices.pin_driver",
    "Register": "emu.kernel.register",
    "SerialDriver": "emu.devices.serial_driver",
    "TimerDriver": "emu.devices.timer_driver",
    "WatchdogDriver": "emu.devices.watchdog_driver",
    "Window": "emu.kernel.bus",
    "routed": "emu.kernel.routed",
}

# Hidden from type checkers, which would otherwise believe that any name can be imported.
if not TYPE_CHECKING:

    def __getattr__(name: str) -> object:
        """Load a public name from its home and keep it here."""
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        value = getattr(import_module(_HOMES[name]), name)
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted({*globals(), *__all__})
