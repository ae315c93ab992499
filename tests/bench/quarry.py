"""Measure how well `emu check` finds bugs: check every seeded driver, and print a table.

`python tests/bench/quarry.py [--budget 60] [--linger 5] [--workers 2] [--json] [NAME...]` prints
for each bug what found it, how many lines away from the line to change, with how many entries in
the case, and after how many seconds; then the median. It exits 1 if a bug is missed, is named more
than three lines off, or takes a case of more than two entries.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from emu.report.hunt_summary import place_of_found  # noqa: E402 - found beside this file
from emu.scenario.driver_source import DriverName, load_driver  # noqa: E402
from emu.search.check import Checked, Row, check  # noqa: E402
from tests.quality.seeded_drivers import Seeded, seeds  # noqa: E402

NEAR_LINES, MOST_ENTRIES = 3, 2
FAR = 9999


class Caught(NamedTuple):
    """How one seeded bug was found; of several rows the one that leads nearest to it."""

    bug: str
    rule: str = ""
    lines_off: int = FAR
    entries: int = 0
    first_s: float = float("inf")
    message: str = ""

    @property
    def well(self) -> bool:
        """Whether what was found leads to the bug."""
        return self.lines_off <= NEAR_LINES and self.entries <= MOST_ENTRIES


def tried(seed: Seeded, folder: Path, options: argparse.Namespace) -> Caught:
    """Check one seeded driver."""
    driver = load_driver(DriverName.parse(seed.write(folder), base=ROOT), seed.methods)
    found: Checked = check(
        driver,
        seed.bouts,
        budget_s=options.budget,
        linger_s=options.linger,
        workers=options.workers,
    )
    caught = [caught_by(seed, row, found) for row in found.rows]
    return min(caught, key=lambda one: (one.lines_off, one.entries), default=Caught(seed.name))


def caught_by(seed: Seeded, row: Row, found: Checked) -> Caught:
    """Say how one row leads to the bug."""
    failure, trial = row.found.failure, row.found.trial
    _, _, line = place_of_found(failure, trial).rpartition(":")
    off = min((abs(int(line) - at) for at in seed.lines), default=FAR) if line.isdigit() else FAR
    first_s = found.first_s if found.first_s is not None else float("inf")
    return Caught(seed.name, failure.rule, off, len(trial.schedule), first_s, failure.message)


def table(rows: list[Caught]) -> Iterator[str]:
    """Yield the lines of the table."""
    yield f"{'bug':<36} {'found by':<32} {'lines off':>9} {'entries':>7} {'first s':>8}"
    for one in rows:
        off = "-" if one.lines_off == FAR else str(one.lines_off)
        word = "" if one.well else "  MISSED" if not one.rule else "  POOR"
        yield f"{one.bug:<36} {one.rule:<32} {off:>9} {one.entries:>7} {one.first_s:>8.1f}{word}"
    firsts = [one.first_s for one in rows]
    yield f"{len([one for one in rows if one.well])} of {len(rows)} found well"
    yield f"median {statistics.median(firsts):.1f} s to the first failure, most {max(firsts):.1f} s"


def main() -> int:
    """Check the seeds that are named, or all."""
    parser = argparse.ArgumentParser(description="Check every seeded driver.")
    parser.add_argument("names", nargs="*", help="seeds to try, all if none is given")
    parser.add_argument("--budget", type=float, default=60.0, help="seconds a driver")
    parser.add_argument("--linger", type=float, default=5.0, help="seconds after a first failure")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds():
            if not options.names or any(name in seed.name for name in options.names):
                rows.append(tried(seed, Path(folder), options))
                print(f"{len(rows)}: {seed.name}", file=sys.stderr, flush=True)
    print(json.dumps([one._asdict() for one in rows]) if options.json else "\n".join(table(rows)))
    return 0 if all(one.well for one in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
