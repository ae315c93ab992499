"""Each seeded bug is one: its edits fit a good driver, and what it says of itself is true.

The one idea: the seeds are read by whoever measures how many bugs are found and how well a finding
leads to them, so a seed must not be wrong about its own lines, or claim to show where it does not.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.rules.catalogue import RULES
from emu.scenario.contract import PROMISES
from emu.scenario.load import load_scenario
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario
from tests.quality.seeded_drivers import ROOT, Edit, Seeded, class_of, seeds

ALL = {one.name: one for one in seeds()}
SEEDS = {name: one for name, one in ALL.items() if one.trade == "serial" and not one.board}
SHOWN = [name for name, one in SEEDS.items() if one.scenario is not None]
NOT_SHOWN = {  # what it takes stands in `shown_by` of each
    "shared-state-rmw-race",
    "timeout-verdict-without-final-look",
}
BUGS = {
    "ack-after-service", "ack-or-arm-after-restart", "all-ones-read", "assume-reset-values",
    "bank-or-index-clobbered", "bytes-below-threshold", "cancel-versus-complete",
    "check-then-enable-gap", "clear-more-than-serviced", "config-while-busy",
    "context-lost-on-resume", "destructive-status-read", "divisor-rounding", "double-start",
    "enable-before-configure", "error-flag-wrong-byte", "error-leaves-device-busy",
    "error-reported-as-success", "flow-control-late", "irq-after-teardown", "irq-before-ready",
    "irq-source-left-enabled", "isr-livelock", "isr-lock-deadlock", "mask-register-rmw-race",
    "one-event-per-isr", "overrun-unreported", "poll-ignores-error-bit", "poll-no-timeout",
    "poll-wrong-idle-bit", "read-empty-or-write-full", "ready-test-disagrees",
    "rx-not-rearmed-after-error", "rx-ring-full-leaves-level-irq", "shared-state-rmw-race",
    "sleep-lost-wakeup", "sleep-with-tx-pending", "spurious-irq-not-tolerated",
    "stale-state-at-start", "timeout-fixed-for-fast-rate", "timeout-verdict-without-final-look",
    "tx-start-needs-kick", "unchecked-device-value", "unhandled-source-storm",
    "wrong-bit-mapping",
}  # fmt: skip


OTHER_BUGS = {
    "buffer-reused-while-dma-active", "clock-before-access", "compare-in-the-past",
    "controller-completion-order", "direction-before-value", "dma-done-not-wire-done",
    "dma-error-ignored", "dma-unit-mismatch", "doorbell-before-descriptor", "idle-tail-miscount",
    "period-off-by-one", "port-rmw-race", "posted-ack-reentry", "rmw-on-w1c",
    "running-flag-out-of-step", "suspend-with-irq-live", "torn-counter-read",
}  # fmt: skip


def run(seed: Seeded, driver: str, folder: Path) -> Outcome:
    """Run a driver in the scenario of a seed."""
    return run_scenario(load_scenario(seed.write_scenario(folder)), driver, base=ROOT)


def told(outcome: Outcome) -> set[str]:
    """Return the rules and promises that an outcome brings up, ``unmet`` for an expectation."""
    names = {one.rule for one in outcome.findings}
    names |= {one.promise for one in outcome.promises if not one.kept}
    return names | {"unmet"} if outcome.unmet else names


def test_every_bug_has_a_seed() -> None:
    """Every bug that a driver can have on this bench is there."""
    assert {one.bug for one in SEEDS.values()} == BUGS
    assert {one.bug for one in ALL.values()} - BUGS == OTHER_BUGS
    assert all(
        name.startswith(one.bug) or one.bug.startswith("timeout") for name, one in ALL.items()
    )


@pytest.mark.parametrize("name", ALL)
def test_the_edits_make_another_driver(name: str) -> None:
    """All edits fit, the result compiles, is another text and has the same one class."""
    seed = ALL[name]
    assert seed.source != seed.base_source
    compile(seed.source, name, "exec")
    assert class_of(seed.source) == class_of(seed.base_source)


@pytest.mark.parametrize("name", ALL)
def test_the_place_of_the_bug_is_one_line(name: str) -> None:
    """Each text of `at` stands in one line; one of these lines is in or beside an edit."""
    seed = ALL[name]
    lines = seed.source.splitlines()
    places = ["\n".join(lines[max(0, number - 6) : number + 5]) for number in seed.lines]
    assert any(place not in seed.base_source for place in places)


@pytest.mark.parametrize("name", ALL)
def test_a_seed_says_what_it_is(name: str) -> None:
    """Story, words and what it takes are given, and `seen` names rules, promises or unmet."""
    seed = ALL[name]
    assert seed.family
    assert seed.words
    assert len(seed.shown_by) > 8
    assert 1 <= seed.story.count(". ") + 1 <= 3
    assert set(seed.seen) <= {*RULES, *PROMISES, "unmet"}
    assert bool(seed.seen) == (seed.scenario is not None)


def test_what_is_not_shown_yet_is_known() -> None:
    """Seeds without a scenario are these; one that a new rule shows belongs off this list."""
    assert {name for name, one in SEEDS.items() if one.scenario is None} == NOT_SHOWN


@pytest.mark.parametrize("name", SHOWN)
def test_the_base_is_clean_where_the_bug_shows(name: str, tmp_path: Path) -> None:
    """In the scenario of a seed the good driver is clean, so what is seen is the bug's."""
    seed = SEEDS[name]
    outcome = run(seed, seed.good_driver, tmp_path)
    assert outcome.clean, told(outcome)


@pytest.mark.parametrize("name", SHOWN)
def test_the_bug_shows(name: str, tmp_path: Path) -> None:
    """In its scenario the bug brings up what it says.

    A bug whose window is one access wide names a moment to 10 ns; where time passes otherwise than
    it did, that moment has to be looked for again.
    """
    seed = SEEDS[name]
    assert set(seed.seen) <= told(run(seed, seed.write(tmp_path), tmp_path))


def test_an_edit_that_does_not_fit_is_refused() -> None:
    """Text that stands in the base twice, or not at all, is no place for an edit."""
    seed = SEEDS["poll-wrong-idle-bit"]
    for old in ("self", "no such text"):
        wrong = Seeded(**{field: getattr(seed, field) for field in seed.__struct_fields__
                          if field != "edits"}, edits=[Edit(old, "")])  # fmt: skip
        with pytest.raises(ValueError, match="times"):
            _ = wrong.source


def test_a_place_that_is_not_there_is_refused() -> None:
    """Text that no line contains is no place of a bug."""
    seed = SEEDS["poll-wrong-idle-bit"]
    wrong = Seeded(**{field: getattr(seed, field) for field in seed.__struct_fields__
                      if field != "at"}, at="no such text")  # fmt: skip
    with pytest.raises(ValueError, match="stands in lines"):
        _ = wrong.lines
