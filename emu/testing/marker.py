"""The marker ``@pytest.mark.emu(seed=3, step="line")``: what it may say, and what it says.

The one idea: a marker that would do nothing, or not what was meant, is refused before anything is
run, all of them at once. The marker that is nearest to the test wins, key by key.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import pytest

from emu.errors import EmuError, nearest
from emu.search.schedule import MANNERS

__all__ = ["LARGEST_SEED", "Marked", "check_markers", "marked"]

LARGEST_SEED = 2**63 - 1


class Marked(NamedTuple):
    """What the markers of a test say.

    Args:
        seed: of everything random, None for the scenario's.
        step: one of `emu.search.schedule.MANNERS`.
    """

    seed: int | None = None
    step: str = "line"


def marked(item: pytest.Item) -> Marked:
    """Return what the markers of a test say, the nearest first."""
    said: dict[str, object] = {}
    for mark in item.iter_markers("emu"):
        said = {**mark.kwargs, **said}
    return Marked(**said)  # type: ignore[arg-type]


def check_markers(items: list[pytest.Item]) -> None:
    """Refuse what markers must not say.

    Raises:
        UsageError: with everything that is wrong.
    """
    flaws = dict.fromkeys(str(flaw) for item in items for flaw in _flaws(item))
    if flaws:
        raise pytest.UsageError("\n".join(flaws))


def _flaws(item: pytest.Item) -> Iterator[EmuError]:
    """Yield what is wrong with the markers of one test."""
    path, line, _ = item.location
    place = f"{path}:{(line or 0) + 1}"
    for mark in item.iter_markers("emu"):
        shown = [*(repr(one) for one in mark.args), *(f"{k}={v!r}" for k, v in mark.kwargs.items())]
        where = f"{place}: @pytest.mark.emu({', '.join(shown)})"
        for one in mark.args:
            fix = "name it, as in seed=3"
            yield EmuError(f"{one!r} has no name", where=where, allowed=_ALLOWED, fix=fix)
        for key, value in mark.kwargs.items():
            yield from _about(key, value, where)
    own = any(mark.name == "emu" for mark in item.own_markers)
    if own and "emu_run" not in getattr(item, "fixturenames", ("emu_run",)):
        yield EmuError(
            "does nothing", where=f"{place}: @pytest.mark.emu",
            allowed="a test that takes the fixture emu_run",
        )  # fmt: skip


_ALLOWED = ", ".join(Marked._fields)


def _about(key: str, value: object, where: str) -> Iterator[EmuError]:
    """Yield what is wrong with one argument."""
    kind = type(value).__name__
    if key == "seed":
        if type(value) is not int or not 0 <= value <= LARGEST_SEED:
            allowed = f"whole numbers 0 to {LARGEST_SEED}"
            yield EmuError(f"seed is {value!r} ({kind})", where=where, allowed=allowed)
    elif key == "step":
        if value not in MANNERS:
            fix = nearest(str(value), MANNERS)
            fix = fix if fix.startswith("did") else ""
            what = f"step is {value!r} ({kind})"
            yield EmuError(what, where=where, allowed=", ".join(MANNERS), fix=fix)
    else:
        fix = nearest(key, Marked._fields)
        fix = fix if fix.startswith("did") else ""
        yield EmuError(f"unknown argument {key!r}", where=where, allowed=_ALLOWED, fix=fix)
