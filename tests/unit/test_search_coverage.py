"""What of a device a driver used, over one run and over many."""

from __future__ import annotations

import pickle

from emu.search.coverage import Coverage
from emu.search.trial import Trying
from tests.search_bench import SteadySender, scenario


def covered(do: str, far_end: str = "echo") -> Coverage:
    """Return what a driver used in a scenario."""
    found = Trying(scenario(do, far_end=far_end), SteadySender).run(cover=True).coverage
    assert found is not None
    return found


def test_accesses_are_counted_by_register() -> None:
    """Reads and writes are counted, with what the fields showed and were given."""
    found = covered("[open, {send: a}]", "sink")
    assert found.writes["THR"] == 1
    assert found.writes["DLL"] == 1
    assert found.reads["LSR"] > 0
    assert found.reads["RBR"] == 0
    assert found.written_values["LCR.DLAB"] == {0, 1}
    assert found.read_values["LSR.THRE"] <= {0, 1}


def test_what_was_never_used() -> None:
    """Registers without an access, conditions that never came and settings never made are told."""
    found = covered("[open, {send: a}]", "sink")
    assert "SCR" in found.untouched()
    assert "THR" not in found.untouched()
    assert "LSR.OE" in found.never_seen()
    assert "LSR.TEMT" not in found.never_seen()
    assert "LCR.DLAB" not in found.never_set()
    assert "LCR.BREAK" in found.never_set()
    assert not any(name.startswith("SCR") for name in found.never_set() + found.never_seen())


def test_runs_add_up() -> None:
    """What one of two runs showed, both together show."""
    out, back = covered("[open, {send: a}]", "sink"), covered("[open, {send: ab}, {receive: 2}]")
    both = Coverage()
    both.add(out)
    assert both == out
    both.add(back)
    assert both.writes["THR"] == out.writes["THR"] + back.writes["THR"] == 3
    assert both.reads["RBR"] == back.reads["RBR"] == 2
    assert set(both.never_seen()) == set(out.never_seen()) & set(back.never_seen())


def test_adding_changes_only_the_sum() -> None:
    """What is added stays as it was."""
    one, two = covered("[open]"), covered("[open, {send: a}, {receive: 1}]")
    before = pickle.dumps((one.reads, one.read_values, two.reads, two.read_values))
    total = Coverage()
    total.add(one)
    total.add(two)
    assert pickle.dumps((one.reads, one.read_values, two.reads, two.read_values)) == before


def test_counting_changes_nothing() -> None:
    """A run that is counted has the record of one that is not."""
    trying = Trying(scenario(), SteadySender)
    assert trying.run(cover=True, records=True).record == trying.run(records=True).record


def test_nothing_was_used() -> None:
    """Without a run nothing is known, and nothing is missing."""
    empty = Coverage()
    assert (empty.untouched(), empty.never_seen(), empty.never_set()) == ([], [], [])
