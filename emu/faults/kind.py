"""What a kind of fault is: a declaration, and a function that puts one fault of the kind in place.

From the declaration a file loader takes the keys, an editor's schema the types, and a report the
words. Nothing here runs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from emu.errors import UnitError
from emu.faults.target import Target
from emu.faults.waiver import Waiver
from emu.kernel.parameter import Parameter
from emu.units import parse_duration

if TYPE_CHECKING:
    from emu.faults.attached import Attached

__all__ = ["DURATION", "EVERY", "OCCASIONS", "Complaint", "FaultKind", "needs_registers",
           "parse_path", "parse_whole"]  # fmt: skip

OCCASIONS = {
    "access": "an access by software to what the fault is on",
    "character": "a character that arrives in the device",
    "delivery": "a change of the interrupt line that would be delivered",
    "time": "a moment of simulated time",
    "power-on": "once, before the driver is first opened",
}


class Complaint(NamedTuple):
    """Say what is wrong with one fault of a plan: what, what is allowed, nearest fix."""

    what: str
    allowed: str = ""
    fix: str = ""


Needs = Callable[[Target, Mapping[str, Any]], Iterator[Complaint]]


def _no_needs(_target: Target, _settings: Mapping[str, Any]) -> Iterator[Complaint]:
    return iter(())


@dataclass(frozen=True, slots=True)
class FaultKind:
    """Declare a kind of fault.

    Args:
        name: what plans call it.
        meaning: what goes wrong, in one line.
        targets: what it may act on, keys of `emu.faults.target.TARGETS`.
        occasion: what is counted and drawn for, a key of `OCCASIONS`.
        attach: puts one such fault in place.
        parameters: its own settings.
        waives: what it makes impossible for any driver.
        unsettles: marks of what takes the device's settings away until the port is opened again,
            empty for anything it does, None if nothing does.
        stubborn: whether one occasion outlasts any number of tries.
        needs: yields what is wrong with a target of the right sort or with the settings.
        spoils_far_end: whether the far end may hear something else than the device sent.
    """

    name: str
    meaning: str
    targets: tuple[str, ...]
    occasion: str
    attach: Callable[[Attached], None]
    parameters: tuple[Parameter, ...] = ()
    waives: tuple[Waiver, ...] = ()
    unsettles: tuple[str, ...] | None = None
    stubborn: bool = False
    needs: Needs = _no_needs
    spoils_far_end: bool = False


def parse_whole(value: object) -> int:
    """Read a whole number of 0 or more, in any notation of Python's.

    Raises:
        UnitError: `value` is none.
    """
    try:
        number = int(value, 0) if isinstance(value, str) else value
    except ValueError:
        number = None
    if type(number) is not int or number < 0:
        raise UnitError(
            f"{value!r} ({type(value).__name__}) is not a whole number",
            allowed="0 or more, decimal or 0x for hexadecimal",
        )
    return number


def needs_registers(target: Target, _settings: Mapping[str, Any]) -> Iterator[Complaint]:
    """Yield a complaint about a device that is plain memory."""
    if not target.owner.REGISTERS:
        yield Complaint(f"{target.path} has no registers", "a device with registers")


def parse_path(value: object) -> str:
    """Read the name of a field, such as ``LSR.TEMT``.

    Raises:
        UnitError: `value` is not text.
    """
    if not isinstance(value, str):
        raise UnitError(
            f"{value!r} ({type(value).__name__}) is not the name of a field", allowed="REG.FIELD"
        )
    return value


EVERY = Parameter(
    "every", parse_duration, 0, "time from one moment to the next, 0 for a single one"
)
DURATION = Parameter("duration", parse_duration, 10**9, "how long it lasts")
