"""Verify a lab: it teaches what it says, or somebody will learn the wrong thing from it.

The one idea: the broken driver, the solution and each wrong repair are graded as submissions are.
The first must fail for the reason taught, the second pass, the others fail and be understood.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from emu.labs.grade import FAILED, Grade, Grader
from emu.labs.keeper import Hold
from emu.labs.lab import Lab

__all__ = ["Verified", "verify", "verify_all"]


@dataclass(frozen=True, slots=True)
class Verified:
    """Say how one driver of a lab fared, and what is wrong with that.

    Args:
        what: ``original``, ``solution`` or the title of a wrong repair.
        grade: how it was graded.
        wrong: what should be otherwise, "" if all is well.
    """

    what: str
    grade: Grade
    wrong: str


def verify(lab: Lab, limits: Hold | None = None) -> Iterator[Verified]:
    """Yield how each driver of a lab fares, one after the other.

    Args:
        lab: the lab.
        limits: bounds for each.
    """
    grader = Grader(lab, limits)
    solution = grader.grade(lab.solution)
    yield Verified("solution", solution, "" if solution.passed else _why(solution, "passes"))
    broken = grader.grade(lab.broken)
    yield Verified("original", broken, _original(broken))
    for repair in lab.answers.repairs:
        found = grader.grade(lab.repaired(repair))
        yield Verified(repair.title, found, _repair(found, repair.tells))


def verify_all(labs: list[Lab], *, workers: int = 1) -> Iterator[tuple[Lab, Verified]]:
    """Verify several labs at once and yield what came of them, lab by lab in their order."""
    with ThreadPoolExecutor(workers) as pool:
        for lab, found in zip(labs, pool.map(lambda one: list(verify(one)), labs), strict=True):
            yield from ((lab, one) for one in found)


def _original(found: Grade) -> str:
    if found.verdict != FAILED:
        return _why(found, "fails")
    return "" if found.same_bug else _why(found, "fails for the reason taught")


def _repair(found: Grade, tells: str) -> str:
    if found.verdict != FAILED:
        return _why(found, "fails")
    return "" if found.misunderstood == tells else _why(found, "fails as its sign says")


def _why(found: Grade, wanted: str) -> str:
    failures = "; ".join(
        f"{one.run!r}: {one.rule} at line {one.line} ({one.code}): {one.message}"
        for one in found.failures
    )
    return f"it should be so that it {wanted}: {found.verdict} {failures or found.reason}".rstrip()
