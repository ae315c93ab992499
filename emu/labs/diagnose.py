"""Which misunderstanding a failure is the sign of.

The one idea: a lab says how its bug and each wrong repair show; what fails is compared with that,
and the first that fits in everything it says is told.
"""

from __future__ import annotations

from emu.labs.lab import Lab, Repair, Sign
from emu.labs.trials import Told

__all__ = ["fits", "is_the_bug", "misunderstanding"]


def fits(sign: Sign, told: Told, source: str) -> bool:
    """Say whether a failure of a driver is what a sign describes."""
    return (
        sign.run in ("", told.run)
        and sign.rule in ("", told.rule)
        and sign.says in told.message
        and sign.line in told.code
        and sign.code in source
        and not (sign.lacks and sign.lacks in source)
    )


def misunderstanding(lab: Lab, failures: list[Told], source: str) -> Repair | None:
    """Return the first wrong repair of a lab that some failure is the sign of, None for none."""
    for repair in lab.answers.repairs:
        if any(fits(repair.when, one, source) for one in failures):
            return repair
    return None


def is_the_bug(lab: Lab, failures: list[Told], source: str) -> bool:
    """Say whether the lab's own bug is still there."""
    return any(fits(lab.fails, one, source) for one in failures)
