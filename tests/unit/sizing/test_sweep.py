"""Sweeps are read, run in order, and come out the same from several processes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from emu.errors import UnitError
from emu.sizing.sweep import Sweep, parse_sweep, run_sweep
from emu.sizing.workload import Masked, Workload


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("baud=1200..9600", (1200, 2400, 4800, 9600)),
        ("baud=1000..2500", (1000, 1200, 2400, 2500)),
        ("baud=115200", (115_200,)),
        ("fifo=1,4,16,64,128", (1, 4, 16, 64, 128)),
        ("fifo=1..8, 16", (1, 2, 4, 8, 16)),
        ("fifo=16,16,4", (4, 16)),
    ],
)
def test_values_of_a_sweep(text: str, values: tuple[int, ...]) -> None:
    """Numbers stand for themselves, a range for its ends and the usual values between."""
    assert parse_sweep(text) == Sweep(text.partition("=")[0], values)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("bud=1200", "did you mean 'baud'?"),
        ("baud", "allowed: baud=... or fifo=..."),
        ("baud=", "not a value"),
        ("baud=fast", "not a value"),
        ("baud=9600..1200", "no values"),
        ("baud=1", "allowed: 50 to"),
        ("fifo=0", "allowed: 1 to"),
        ("fifo=" + ",".join(map(str, range(1, 100))), "too many"),
    ],
)
def test_what_is_no_sweep_is_refused(text: str, words: str) -> None:
    """A sweep of nothing, of too much or of what cannot be is told with what is allowed."""
    with pytest.raises(UnitError) as caught:
        parse_sweep(text)
    assert words in str(caught.value)


def test_a_sweep_changes_one_thing() -> None:
    """Only the rate, or only the FIFO with the levels that still fit, differs."""
    workload = Workload(triggers=(1, 8, 14))

    assert Sweep("baud", ()).apply(workload, 9600).line.baud == 9600
    assert Sweep("fifo", ()).apply(workload, 8) == replace(workload, fifo=8, triggers=(1, 8))


@pytest.mark.slow
def test_workers_change_nothing_but_the_time() -> None:
    """Two processes give the same studies in the same order as one, and progress comes in order."""
    quiet = Workload(others=(), masked=Masked(0))
    sweep = Sweep("baud", (57_600, 115_200, 460_800))
    told: list[tuple[int, float]] = []
    alone = run_sweep(quiet, sweep, told=lambda value, share: told.append((value, share)))

    assert run_sweep(quiet, sweep, workers=2) == alone
    assert [one.workload.line.baud for one in alone] == list(sweep.values)
    assert told == [(57_600, pytest.approx(1 / 3)), (115_200, pytest.approx(2 / 3)), (460_800, 1)]
