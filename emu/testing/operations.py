"""What software can do to a device, as plain data: read a register, write one, let time pass.

The one idea: a list of such operations is a program that can be drawn, printed, kept and played on
any device with those registers. Registers are named, so banks and strides do not matter.
"""

from __future__ import annotations

from typing import NamedTuple

from emu.kernel.device import Device

__all__ = ["Operation", "Read", "Wait", "Write", "play"]


class Read(NamedTuple):
    """Read a register."""

    register: str


class Write(NamedTuple):
    """Write a value to a register."""

    register: str
    value: int


class Wait(NamedTuple):
    """Let simulated time pass, in ps."""

    duration_ps: int


Operation = Read | Write | Wait


def play(device: Device, operation: Operation) -> int | None:
    """Do one thing to a device whose ports are connected; return what was read, if anything.

    Args:
        device: on a board that is switched on.
        operation: what to do.

    Raises:
        AccessError: the device has no such register.

    Side effects: those of the register; `Wait` moves the clock of the board.
    """
    match operation:
        case Read(name):
            device.register(name)
            return device.ports[name].read()
        case Write(name, value):
            device.register(name)
            device.ports[name].write(value)
        case Wait(duration_ps):
            device.clock.run_until(device.clock.now_ps + duration_ps)
    return None
