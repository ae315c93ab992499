"""Faults that take the processor away: frozen as a whole, or its interrupts masked elsewhere.

They waive nothing: a frozen processor's time does not count against a call, and being late is what
a driver must live with.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from emu.faults.attached import Attached
from emu.faults.kind import DURATION, EVERY, Complaint, FaultKind
from emu.faults.target import Target
from emu.units import format_duration

__all__ = ["KINDS"]


def _stall(fault: Attached) -> None:
    clock = fault.clock
    duration_ps: int = fault.settings["duration"]

    def stall() -> None:
        fault.inject(f"processor frozen for {format_duration(duration_ps)}")
        fault.hold_until(clock.now_ps + duration_ps)
        clock.hold(clock.now_ps + duration_ps)

    fault.at_moments(stall)


def _mask(fault: Attached) -> None:
    duration_ps: int = fault.settings["duration"]

    def mask() -> None:
        until_ps = fault.clock.now_ps + duration_ps
        fault.inject(f"interrupts masked for {format_duration(duration_ps)}")
        fault.hold_until(until_ps)
        fault.board.cpu.hold_interrupts(until_ps)

    fault.at_moments(mask)


def _needs_a_pause(_target: Target, settings: Mapping[str, Any]) -> Iterator[Complaint]:
    every_ps, duration_ps = settings["every"], settings["duration"]
    if not duration_ps:
        yield Complaint("duration=0 does nothing", "1 ps or more")
    if every_ps and every_ps <= duration_ps:
        yield Complaint(
            f"every={format_duration(every_ps)} leaves the processor no time",
            f"more than duration, {format_duration(duration_ps)}",
        )


KINDS = (
    FaultKind(
        "cpu-stalled", "the whole processor stands still while hardware goes on",
        ("cpu",), "time", _stall, (DURATION, EVERY), needs=_needs_a_pause,
    ),
    FaultKind(
        "cpu-masked", "interrupts are held masked by other code while the driver goes on",
        ("cpu",), "time", _mask, (DURATION, EVERY), needs=_needs_a_pause,
    ),
)  # fmt: skip
