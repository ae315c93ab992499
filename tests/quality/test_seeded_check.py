"""What `emu check` says of drivers with a known bug: that it fails, and where to begin to read.

The one idea: each seeded driver is tried with what `emu check` brings, up to the first run that
fails. Where that takes a certain timing the bout in which it shows is named, which spares the
search through all others; `tests/bench/quarry.py` spends the whole budget on each, for its table.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.report.hunt_summary import place_of_found
from emu.scenario.driver_source import DriverName, load_driver
from emu.search.check import check
from emu.search.suite import Bout
from tests.quality.seeded_drivers import ROOT, Seeded, seeds

NEAR_LINES, MOST_ENTRIES = 3, 2
ALONE = "two messages, then left alone"
FULL = "more than can be written in time"
TASK = "another task at every timing, idle at 1"
BLOCKS = "another task while blocks start and stop, at every timing"
SINGLE = "one character at a time"
FEEDER = "another task that feeds from 40 on, at every timing"
SHOWS_IN = {
    "ack-after-service": ALONE,
    "ack-or-arm-after-restart": ALONE,
    "bank-or-index-clobbered": "a block longer than the FIFO, then closed",
    "bank-or-index-clobbered-watchdog": FEEDER,
    "cancel-versus-complete": FULL,
    "cancel-versus-complete-deadlines": "taken back as it is due, at every timing",
    "check-then-enable-gap": ALONE,
    "check-then-enable-gap-deadlines": "a row of deadlines, at every timing",
    "clear-more-than-serviced": ALONE,
    "clock-before-access-second-user": "another task while a block settles, at every timing",
    "dma-done-not-wire-done": "damaged characters while draining",
    "double-start": SINGLE,
    "error-leaves-device-busy": FULL,
    "idle-tail-miscount": "nobody reads for a while",
    "mask-register-rmw-race": ALONE,
    "one-event-per-isr": "both ways on an edge-sensed line",
    "port-rmw-race-clocks": BLOCKS,
    "port-rmw-race-direction": TASK,
    "port-rmw-race-other-task": TASK,
    "port-rmw-race-shadow": TASK,
    "rmw-on-w1c": "an alarm among periods, at every timing",
    "shared-state-rmw-race": SINGLE,
    "shared-state-rmw-race-watchdog": FEEDER,
    "shared-state-rmw-race-clocks": BLOCKS,
    "shared-state-rmw-race-deadlines": "another while one is due, at every timing",
    "poll-no-timeout-copy": "fault: the engine stops for good",
    "sleep-lost-wakeup": SINGLE,
    "sleep-lost-wakeup-checksum": "two messages, at every timing",
    "spurious-irq-not-tolerated": "fault: spurious interrupts",
    "suspend-with-irq-live": SINGLE,
    "timeout-verdict-without-final-look": "a drain that gives up, and another",
}


def bouts_for(seed: Seeded) -> list[Bout]:
    """Return what to try: the bout that is named, or everything that is run once."""
    if seed.name in SHOWS_IN:
        return [one for one in seed.bouts if one.body["scenario"] == SHOWS_IN[seed.name]]
    return [one for one in seed.bouts if not one.hunted]


@pytest.mark.parametrize("seed", seeds(), ids=lambda seed: seed.name)
def test_the_bug_is_found_where_it_is(seed: Seeded, tmp_path: Path) -> None:
    """The line to change is named, or one next to it, and the case has two delays at most."""
    driver = load_driver(DriverName.parse(seed.write(tmp_path), base=ROOT), seed.methods)
    found = check(driver, bouts_for(seed), budget_s=60.0, linger_s=0.0)
    told = []
    for row in found.rows:
        path, _, line = place_of_found(row.found.failure, row.found.trial).rpartition(":")
        near = line.isdigit() and min(abs(int(line) - at) for at in seed.lines) <= NEAR_LINES
        told.append((row.found.failure.rule, line, near, len(row.found.trial.schedule)))
        assert not path or Path(path).name == f"{seed.name.replace('-', '_')}.py"
    assert any(near and entries <= MOST_ENTRIES for _, _, near, entries in told), told
