"""One short hash for what happened: equal for equal records, and for nothing else."""

from __future__ import annotations

import enum
import subprocess
import sys

import pytest

from emu.kernel.board import Board
from emu.record.fingerprint import behaviour_hash, record_hash
from tests.unit.cpu_bench import Bench

CODE = """
from tests.unit.test_fingerprint import played, record_hash, behaviour_hash
board = played()
print(record_hash(board), behaviour_hash(board, {"b": 1}, "x"))
"""


def played(values: tuple[int, ...] = (1, 2, 2, 2), *, late_cycles: int = 0) -> Board:
    """Return a board on which some registers were written and read."""
    bench = Bench()
    for value in values:
        bench.io[0].write8(0, value)
        bench.cpu.work(late_cycles)
        bench.io[0].read8(0)
    return bench.board


def test_the_same_run_has_the_same_hashes() -> None:
    """Two runs that are the same have equal hashes of both kinds."""
    one, two = played(), played()
    assert record_hash(one) == record_hash(two)
    assert behaviour_hash(one) == behaviour_hash(two)


def test_a_later_run_that_does_the_same() -> None:
    """Times count for the record, and do not count for the behaviour."""
    one, two = played(), played(late_cycles=5)
    assert record_hash(one) != record_hash(two)
    assert behaviour_hash(one) == behaviour_hash(two)


@pytest.mark.parametrize("values", [(1, 2, 2, 3), (2, 1, 2, 2), (1, 2, 2), (1, 2, 2, 2, 2)])
def test_another_run_has_other_hashes(values: tuple[int, ...]) -> None:
    """Another value, another order, one access more or fewer: each is another record."""
    one, two = played(), played(values)
    assert record_hash(one) != record_hash(two)
    assert behaviour_hash(one) != behaviour_hash(two)


def test_a_driver_may_have_kinds_of_numbers_of_its_own() -> None:
    """Offsets and values that are enums or flags leave the record that plain numbers leave."""

    class Level(enum.IntEnum):
        LOW = 1
        HIGH = 2

    one, two = played(), played((Level.LOW, Level.HIGH, Level.HIGH, Level.HIGH))
    assert record_hash(one) == record_hash(two)
    assert behaviour_hash(one, (1, "a", 2.5)) == behaviour_hash(two, (Level.LOW, "a", 2.5))


def test_the_end_of_a_run_counts() -> None:
    """A run that went on without doing anything is another record, and the same behaviour."""
    one, two = played(), played()
    two.cpu.work(1)
    assert record_hash(one) != record_hash(two)
    assert behaviour_hash(one) == behaviour_hash(two)


def test_asking_changes_nothing() -> None:
    """A hash may be asked for again, and in between."""
    board = played()
    first = record_hash(board)
    behaviour_hash(board)
    assert record_hash(board) == first


@pytest.mark.parametrize("more", [(b"x",), ("x",), (1,), (None,), ([b"x"],), (1.5, "x"), ((),)])
def test_what_else_is_given_counts(more: tuple[object, ...]) -> None:
    """Results that are handed in tell behaviours apart, by value and by type."""
    board = played()
    others = [(b"y",), ("y",), (2,), (), ([b"y"],), ("x", 1.5), ((1,),)]
    assert behaviour_hash(board, *more) == behaviour_hash(board, *more)
    assert behaviour_hash(board, *more) not in {behaviour_hash(board, *one) for one in others}


@pytest.mark.slow
def test_the_hash_does_not_depend_on_the_process() -> None:
    """Another process with another seed of string hashes finds the same."""
    path = ":".join(sys.path)
    found = {
        subprocess.run(
            [sys.executable, "-c", CODE], env={"PYTHONHASHSEED": seed, "PYTHONPATH": path},
            capture_output=True, text=True, check=True,
        ).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    assert len(found) == 1
