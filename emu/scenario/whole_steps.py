"""The steps of a run as they are played: ``open`` and ``close`` added where they are left out."""

from __future__ import annotations

from itertools import takewhile

from emu.scenario.model import Scenario, Step

__all__ = ["last_close", "whole_steps"]

_NEUTRAL = ("wait", "work")  # let time pass, whatever the port is


def whole_steps(scenario: Scenario, ports: tuple[str, ...]) -> list[Step]:
    """Return the steps with ``open`` in front and ``close`` at the end of each port where missing.

    A port at the far end of a cable is opened first, so that it is there when the driver speaks.
    What is done to a closed port first comes before ``open``.
    """
    steps = list(scenario.steps)
    for name in ports:
        own = [step for step in steps if (step.by or scenario.port) == name]
        by = "" if name == scenario.port else name
        if not _opens(own):
            places = [at for at, step in enumerate(steps) if (step.by or scenario.port) == name]
            early = _early(own)
            steps.insert(places[early - 1] + 1 if early else 0, Step("open", by=by))
        if not own or own[-1].action != "close":
            steps.append(Step("close", by=by))
    return steps


def _opens(own: list[Step]) -> bool:
    """Whether the first step that asks something of an open port is ``open``."""
    asking = [step for step in own if not (_needs_no_open(step) or step.action in _NEUTRAL)]
    return bool(asking) and asking[0].action == "open"


def _early(own: list[Step]) -> int:
    """Return how many of a port's steps, from the first, come before it is opened."""
    first = list(takewhile(lambda step: _needs_no_open(step) or step.action in _NEUTRAL, own))
    return max((at for at, step in enumerate(first, 1) if _needs_no_open(step)), default=0)


def last_close(steps: list[Step], port: str) -> int:
    """Return the number of the step that closes `port` for good."""
    last, is_open = len(steps) - 1, False
    for number, step in enumerate(steps):
        if (step.by or port) != port or step.action in _NEUTRAL:
            continue
        if step.action == "close" and is_open:
            last = number
        is_open = step.action not in ("close", "leftovers")
    return last


def _needs_no_open(step: Step) -> bool:
    """Whether a step is meant for a closed port."""
    return step.action == "leftovers" or (step.action == "close" and step.how == "again")
