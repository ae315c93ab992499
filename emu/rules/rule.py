"""What there is to say of one rule."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FAMILIES", "Rule"]

FAMILIES = {
    "generic": "follow from the declaration of registers and bus",
    "device": "know the serial controller",
    "processor": "know interrupts and calls",
    "trade": "say what made a promise of another trade than serial break",
    "run": "name how a run ended",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """Explain one rule.

    Args:
        name: what findings call it.
        family: one of `FAMILIES`.
        watches: what it sees, one line.
        why: what happens on real hardware, one or two sentences.
        instead: what to do.
    """

    name: str
    family: str
    watches: str
    why: str
    instead: str
