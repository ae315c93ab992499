"""The line to begin with: a broken promise names none, so the failing run is followed once more."""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.scenario.driver_source import DriverName, load_driver
from emu.search.hunt import Found, make_small
from emu.search.suite import suite
from emu.search.trial import Trying
from emu.search.workers import Workers
from tests.quality.seeded_drivers import ROOT, seeds
from tests.search_bench import SteadySender

SEEDS = {one.name: one for one in seeds()}
BOUTS = {one.body["scenario"]: one for one in suite()}
NEAR_LINES = 3


@pytest.mark.parametrize(
    ("seed", "bout", "rule"),
    [
        ("context-lost-on-resume", "used by somebody else in between", "divisor-off"),
        ("destructive-status-read", "closed in the middle of traffic", "error-bits-lost"),
        ("destructive-status-read-tx-empty", "damaged characters while draining", "promise errors"),
        ("error-flag-wrong-byte", "fault: framing errors in a row", "promise errors"),
        ("error-reported-as-success", "a write that cannot be done in time", "promise sent"),
        ("overrun-unreported-own-buffer", "nobody reads for half a second", "promise loss"),
        ("overrun-unreported", "fault: an overrun", "error-bits-lost"),
        (
            "rx-ring-full-leaves-level-irq",
            "nobody reads for half a second",
            "handler-left-line-asserted",
        ),
        (
            "stale-state-at-start",
            "the device is found at another rate, with unread data",
            "promise order",
        ),
        ("timeout-verdict-sampled-once", "a random state, number 1", "promise drain"),
        ("wrong-bit-mapping", "the far end at the wrong rate", "promise errors"),
    ],
)
def test_the_line_that_leads_to_the_bug(seed: str, bout: str, rule: str, tmp_path: Path) -> None:
    """Each way to break a promise is told at the line to change, or next to it."""
    driver = load_driver(DriverName.parse(SEEDS[seed].write(tmp_path), base=ROOT))
    trial = Trying(BOUTS[bout].scenario(), driver).run(explain=rule)
    (failure,) = [one for one in trial.failures if one.rule == rule]
    _, line = trial.places.get(failure.cause, (failure.file, failure.line))
    assert min(abs(line - at) for at in SEEDS[seed].lines) <= NEAR_LINES


def test_a_rule_that_names_its_line_is_not_followed(tmp_path: Path) -> None:
    """A run for a rule that has nothing to explain names no other line."""
    seed = SEEDS["isr-livelock"]
    driver = load_driver(DriverName.parse(seed.write(tmp_path), base=ROOT))
    trial = Trying(BOUTS["fault: DR stuck at 1"].scenario(), driver).run(explain="endless-poll")
    assert trial.failures[0].rule == "endless-poll"
    assert trial.failures[0].line in seed.lines
    assert not trial.places


def test_a_run_that_is_too_long_is_not_followed_to_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was seen of half a run explains nothing, and the run itself comes out the same."""
    seed = SEEDS["wrong-bit-mapping"]
    driver = load_driver(DriverName.parse(seed.write(tmp_path), base=ROOT))
    trying = Trying(BOUTS["the far end at the wrong rate"].scenario(), driver)
    whole = trying.run(explain="promise errors")
    monkeypatch.setattr("emu.search.explain._MOST_LINES", 2000)
    half = trying.run(explain="promise errors")
    assert whole.places
    assert not half.places
    assert half.behaviour == whole.behaviour


@pytest.mark.parametrize("bout", ["one message each way", "fault: an overrun", "a noisy line"])
def test_following_changes_nothing(bout: str) -> None:
    """A run that is followed comes out as it does otherwise, and a good one has no line to name."""
    trying = Trying(BOUTS[bout].scenario(), SteadySender)
    plain, followed = trying.run(places=True), trying.run(explain="promise errors")
    assert [one.rule for one in followed.failures] == [one.rule for one in plain.failures]
    assert followed.behaviour == plain.behaviour
    assert followed.calls == plain.calls


def test_the_case_that_is_shown_has_the_line(tmp_path: Path) -> None:
    """What a search hands out names the line, though the promise that failed has none."""
    name = "error-reported-as-success"
    driver = load_driver(DriverName.parse(SEEDS[name].write(tmp_path), base=ROOT))
    scenario = BOUTS["a write that cannot be done in time"].scenario()
    trying = Trying(scenario, driver)
    trial = trying.run()
    found = Found(trial.failures[0], trial, scenario, 0.0)
    assert not found.failure.line
    with Workers([trying]) as crew:
        make_small(found, crew, 0, most=5)
    assert abs(found.failure.line - SEEDS[name].lines[0]) <= NEAR_LINES
    assert Path(found.failure.file).name == f"{name.replace('-', '_')}.py"
