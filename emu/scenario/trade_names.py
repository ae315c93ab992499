"""Which trade drives which kind of device, by name."""

from __future__ import annotations

from emu.devices.shelf import find_device

__all__ = ["BY_KIND", "CALLERS", "SERIAL", "SERIALS", "TRADES", "trade_of_kind"]

SERIAL = "serial"
SERIALS = (SERIAL, "basic")
"""The trades whose drivers have a line."""

BY_KIND = {
    "uart16550": SERIAL,
    "serial_basic": "basic",
    "timer": "timer",
    "checksum_engine": "checksum",
    "interrupt_controller": "dispatch",
    "gpio": "pins",
    "dma": "copy",
    "watchdog": "watchdog",
    "mtimer": "deadlines",
    "clock_gate": "clocks",
}
TRADES = tuple(dict.fromkeys(BY_KIND.values()))
CALLERS: dict[str, tuple[str, ...]] = {
    SERIAL: ("close", "write"),
    "basic": ("close", "write"),
    "pins": ("set", "output"),
    "watchdog": ("feed",),
    "clocks": ("enable", "disable"),
}
"""The calls that another task may make in the middle of one, by trade."""


def trade_of_kind(kind: str) -> str:
    """Return the name of the trade of those who drive a kind of device, ``""`` if nobody does."""
    for one in find_device(kind).__mro__:
        name = BY_KIND.get(getattr(one, "KIND", ""))
        if name:
            return name
    return ""
