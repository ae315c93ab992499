"""How long a good driver takes, and how busy it keeps the processor: what repairs are held to.

The one idea: the solution goes the way of a submission, into a process of its own, so that several
labs can be got ready at once and nothing of one is ever seen by another.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from emu.errors import Flaw, InputError
from emu.labs.keeper import Hold, hold
from emu.labs.lab import Lab

__all__ = ["Usual", "usual_of"]


class Usual(NamedTuple):
    """Say how long a run takes, and for how much of it the processor is busy."""

    time_ps: int = 0
    busy_ps: int = 0


def usual_of(lab: Lab, limits: Hold) -> dict[str, Usual]:
    """Return how each run of a lab goes with its solution, undisturbed.

    Args:
        lab: the lab.
        limits: bounds.

    Raises:
        InputError: the solution cannot be used at all.

    Side effects: starts a process and ends it.
    """
    held = hold(
        lab.solution, lab.driver, [replace(one, hunt="") for one in lab.runs], limits=limits
    )
    if held.tried is None:
        raise _unusable(lab, held.stopped, held.line)
    unloaded = [one for one in held.tried.failures if not one.run]
    if unloaded:
        raise _unusable(lab, unloaded[0].message, unloaded[0].line)
    times, busy = held.tried.time_ps, held.tried.busy_ps
    titles = [one.scenario.title for one in lab.runs]
    return {one: Usual(times.get(one, 0), busy.get(one, 0)) for one in titles}


def _unusable(lab: Lab, why: str, line: int) -> InputError:
    what = f"the solution cannot be used: {why}"
    return InputError([Flaw(str(lab.folder / "driver.py"), line, 1 if line else 0, what)])
