"""What a driver of each trade is tried with: the bouts of `emu check`."""

from __future__ import annotations

from emu.scenario.trade_names import SERIAL
from emu.search.basic_suite import basic_suite
from emu.search.bout import Bout
from emu.search.checksum_suite import checksum_suite
from emu.search.clock_suite import clock_suite
from emu.search.copy_suite import copy_suite
from emu.search.deadline_suite import deadline_suite
from emu.search.dispatch_suite import dispatch_suite
from emu.search.pin_suite import pin_suite
from emu.search.serial_suite import serial_suite
from emu.search.timer_suite import timer_suite
from emu.search.watchdog_suite import watchdog_suite

__all__ = ["Bout", "suite"]

_SUITES = {
    SERIAL: serial_suite,
    "basic": basic_suite,
    "timer": timer_suite,
    "checksum": checksum_suite,
    "dispatch": dispatch_suite,
    "pins": pin_suite,
    "copy": copy_suite,
    "watchdog": watchdog_suite,
    "deadlines": deadline_suite,
    "clocks": clock_suite,
}


def suite(trade: str = SERIAL) -> list[Bout]:
    """Return all bouts for a driver of a trade, in the order in which they are tried."""
    return _SUITES[trade]()
