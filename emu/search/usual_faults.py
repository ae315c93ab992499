"""The faults that drivers of all trades are tried with: of interrupts, the processor, the bus.

The one idea: what can happen to any device stands here; a suite says when it happens, and adds what
only its own device can do wrong.
"""

from __future__ import annotations

from typing import Any, NamedTuple

__all__ = ["Moments", "usual_faults"]

Named = tuple[str, dict[str, Any]]


class Moments(NamedTuple):
    """Say when faults act, counted from the first ``open``, as a file has it.

    Args:
        line: window of those on the interrupt line, ``from`` and ``until``.
        every: time between two interrupts for nothing.
        held: window in which the processor or its interrupts are held up, ``from``, ``duration``.
        away: window in which the device does not answer.
        reset: moment of a reset.
    """

    line: dict[str, str]
    every: str
    held: dict[str, str]
    away: dict[str, str]
    reset: str


def usual_faults(port: str, when: Moments) -> list[Named]:
    """Return title and fault of each, as they would stand in a file.

    Args:
        port: the device.
        when: the moments.
    """
    line = f"{port}.irq"
    return [
        ("interrupts for nothing",
         {"kind": "spurious-interrupt", "target": line, "every": when.every, **when.line}),
        ("causes that vanish", {"kind": "withdrawn-interrupt", "target": line, **when.line}),
        ("interrupts that are lost", {"kind": "lost-interrupt", "target": line, **when.line}),
        ("interrupts that are late",
         {"kind": "delayed-interrupt", "target": line, "duration": "200 us", **when.line}),
        ("interrupts held back", {"kind": "cpu-masked", "target": "cpu", **when.held}),
        ("the processor stands still", {"kind": "cpu-stalled", "target": "cpu", **when.held}),
        ("the device does not answer", {"kind": "all-ones", "target": port, **when.away}),
        ("a reset in flight", {"kind": "reset-in-flight", "target": port, "from": when.reset}),
        ("bus errors", {"kind": "bus-error", "target": port, **when.away}),
    ]  # fmt: skip
