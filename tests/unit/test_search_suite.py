"""The bouts of a check: all can be read, each is its own, and good drivers are clean in them."""

from __future__ import annotations

import pytest

from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.polled import PolledDriver
from emu.faults.kinds import FAULT_KINDS
from emu.search.case import scenario_hash
from emu.search.suite import Bout, suite
from emu.search.trial import Trying

BOUTS = suite()
PLAIN = [one for one in BOUTS if not one.hunted]
HUNTED = [one for one in BOUTS if one.hunted]
NOT_ON_A_PORT: set[str] = set()


def title(bout: Bout) -> str:
    """Return the title of a bout."""
    return str(bout.body["scenario"])


@pytest.mark.parametrize("bout", BOUTS, ids=title)
def test_a_bout_is_a_scenario(bout: Bout) -> None:
    """Each bout can be read as a scenario file, with its title and without expectations."""
    found = bout.scenario()
    assert found.title == title(bout)
    assert found.expect.received is None
    assert found.driver == ""
    assert scenario_hash(found) == scenario_hash(bout.scenario())


def test_titles_tell_bouts_apart() -> None:
    """No two bouts have the same title, since cases are found by it."""
    titles = [title(one) for one in BOUTS]
    assert len(set(titles)) == len(titles)


def test_no_two_bouts_are_the_same() -> None:
    """No bout asks for what another one asks for."""
    bodies = [repr({**one.body, "scenario": ""}) for one in BOUTS]
    assert len(set(bodies)) == len(bodies)


def test_plain_bouts_stand_first() -> None:
    """What is run once stands before what is tried at every timing."""
    assert [*PLAIN, *HUNTED] == BOUTS
    assert len(PLAIN) >= 60
    assert len(HUNTED) >= 5


def test_every_kind_of_fault_is_tried() -> None:
    """Each kind of fault that can act on a serial port is in some bout."""
    kinds = {
        fault["kind"] for one in BOUTS for fault in one.body.get("faults", [])
    }  # fmt: skip
    assert set(FAULT_KINDS) - kinds <= NOT_ON_A_PORT


@pytest.mark.slow
@pytest.mark.parametrize("driver", [PolledDriver, InterruptDriver])
@pytest.mark.parametrize("bout", BOUTS, ids=title)
def test_a_good_driver_is_clean(bout: Bout, driver: type) -> None:
    """Neither example driver fails in any bout as it stands."""
    assert Trying(bout.scenario(), driver).run().failures == ()
