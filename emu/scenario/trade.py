"""Trades: what a driver does for its living, such as serial traffic or keeping time.

The one idea: the kind of the device that is driven says which trade its driver has, and the trade
says all the rest: which methods a driver must have, what it can be asked for, what it promises. A
device of another package has the trade of the kind that it is derived from.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module

from emu.errors import AccessError, nearest
from emu.scenario.model import BoardModel
from emu.scenario.stage import Bench, Stage
from emu.scenario.trade_names import BY_KIND, TRADES, trade_of_kind

__all__ = ["Trade", "find_trade", "trade_of", "trade_of_methods"]


@dataclass(frozen=True, slots=True)
class Trade:
    """Say what is asked of the drivers of one kind of device.

    Args:
        name: of the trade, one of `TRADES`.
        driver: what such a driver is called in a message.
        kind: the device kind that is driven.
        methods: what a driver must have.
        promises: the contract, each promise with its meaning.
        stage: makes what the driver plays on.
    """

    name: str
    driver: str
    kind: str
    methods: tuple[str, ...]
    promises: Mapping[str, str]
    stage: Callable[[Bench], Stage]


def find_trade(name: str) -> Trade:
    """Return the trade of a name, and import nothing that another would need."""
    found: Trade = import_module(f"emu.scenario.{name}_trade").TRADE
    return found


def trade_of(board: BoardModel, device: str) -> Trade:
    """Return the trade of whoever drives a device of a board.

    Raises:
        AccessError: there is no such device, or nobody drives one of its kind.
    """
    kinds = {one.name: one.kind for one in board.devices}
    kind = kinds.get(device, "")
    if not kind:
        raise AccessError(f"no device {device!r} on the board", fix=nearest(device, kinds))
    name = trade_of_kind(kind)
    if not name:
        allowed = ", ".join(BY_KIND)
        raise AccessError(f"no driver is tried on a {kind}", where=device, allowed=allowed)
    return find_trade(name)


def trade_of_methods(driver: type) -> str:
    """Return the trade whose methods a driver has, that with the most of them; ``""`` for none."""

    def had(name: str) -> int:
        methods = find_trade(name).methods
        return all(callable(getattr(driver, one, None)) for one in methods) * len(methods)

    best = max(TRADES, key=had)
    return best if had(best) else ""
