"""Faults of single characters as the receiver of a device takes them: lost, or flagged.

The n-th occasion is the n-th character that arrives, so FIFO position k is character k after the
FIFO was empty. They waive nothing: the device flags what happened, and a driver must count it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from emu.devices.uart16550 import Uart16550
from emu.errors import AccessError
from emu.faults.attached import Attached
from emu.faults.kind import Complaint, FaultKind
from emu.faults.target import Target
from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR, parity_bit
from emu.line.receiver import Deliver

__all__ = ["KINDS"]

Alter = Callable[[Uart16550, int, int], tuple[int, int] | None]


def _uart(fault: Attached) -> Uart16550:
    device = fault.target.owner
    if not isinstance(device, Uart16550):
        raise AccessError(f"{device.name} receives no characters", where="fault")
    return device


def _needs_receiver(target: Target, _settings: Mapping[str, Any]) -> Iterator[Complaint]:
    if not isinstance(target.device, Uart16550):
        yield Complaint(f"{target.path} receives no characters", "a serial controller")


def _overrun(fault: Attached) -> None:
    uart = _uart(fault)

    def wrap(deliver: Deliver) -> Deliver:
        def deliver_or_lose(data: int, flags: int) -> None:
            if fault.occasion():
                fault.inject(f"character {data:#04x} lost to an overrun")
                uart.overrun(data)
            else:
                deliver(data, flags)

        return deliver_or_lose

    uart.receiver.wrap_deliver(wrap)


def _flag(fault: Attached, word: str, alter: Alter) -> None:
    """Deliver what ``alter`` makes of a character; None leaves it as it is."""
    uart = _uart(fault)

    def wrap(deliver: Deliver) -> Deliver:
        def deliver_flagged(data: int, flags: int) -> None:
            altered = alter(uart, data, flags) if fault.occasion() else None
            if altered is None or altered == (data, flags):
                deliver(data, flags)
                return
            fault.inject(f"character {data:#04x} with {word}")
            deliver(*altered)

        return deliver_flagged

    uart.receiver.wrap_deliver(wrap)


def _with_framing(_uart: Uart16550, data: int, flags: int) -> tuple[int, int]:
    return data, flags | FRAMING_ERROR


def _with_parity(uart: Uart16550, data: int, flags: int) -> tuple[int, int] | None:
    return None if uart.frame.parity == "none" else (data, flags | PARITY_ERROR)


def _with_break(uart: Uart16550, _data: int, _flags: int) -> tuple[int, int]:
    """Return the character that a line held at space makes: zero, and a wrong stop bit."""
    parity = uart.frame.parity
    wrong = parity != "none" and parity_bit(0, parity)
    return 0, BREAK | FRAMING_ERROR | (PARITY_ERROR if wrong else 0)


def _kind(name: str, meaning: str, attach: Callable[[Attached], None]) -> FaultKind:
    return FaultKind(name, meaning, ("device",), "character", attach, needs=_needs_receiver)


KINDS = (
    _kind("overrun", "a character is lost and the overrun flag rises, whatever room there is",
          _overrun),
    _kind("framing-error", "a character arrives with a framing error",
          lambda fault: _flag(fault, "a framing error", _with_framing)),
    _kind("parity-error", "a character arrives with a parity error, where the frame has parity",
          lambda fault: _flag(fault, "a parity error", _with_parity)),
    _kind("break", "a break arrives in the place of a character",
          lambda fault: _flag(fault, "a break in its place", _with_break)),
)  # fmt: skip
