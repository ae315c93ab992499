"""What a replay came to, on a screen of 100 columns and as plain data."""

from __future__ import annotations

from typing import Any

from emu.report.hunt_summary import found_as_json, render_found
from emu.report.run_summary import Paint, plain, short_path
from emu.search.hunt import Found
from emu.search.replay import Replayed

__all__ = ["render_replay", "replay_as_json"]


def render_replay(done: Replayed, case: str, driver: str, paint: Paint = plain) -> str:
    """Return the result as text that ends in a newline."""
    lines = [
        paint(done.case.title, "name"),
        f"case {short_path(case)}, driver {short_path(driver)}",
    ]
    lines += ["", f"{_word(done, paint)}   {_says(done)}"]
    lines += [f"         {change}" for change in done.changes]
    if done.unreached:
        count = f"{done.unreached} of {len(done.case.schedule)}"
        lines.append(f"         {count} entries of the schedule were not reached")
    for number, failure in enumerate(done.trial.failures, 1):
        if failure.is_promise and number > 1:
            continue
        found = Found(failure, done.trial, done.case.scenario)
        lines += ["", *render_found(found, number, "", paint)]
    return "\n".join(lines) + "\n"


def _word(done: Replayed, paint: Paint) -> str:
    return paint("FAILED", "bad") if done.fails else paint("CLEAN", "good")


def _says(done: Replayed) -> str:
    if done.exact:
        return "replayed exactly: the record is the same to the picosecond"
    if done.same_failure is not None:
        return "the same failure, but not the same run"
    return "another failure than the case's" if done.fails else "it does not fail any more"


def replay_as_json(done: Replayed, case: str, driver: str) -> dict[str, Any]:
    """Return the result as plain data."""
    return {
        "verdict": "failed" if done.fails else "clean",
        "case": case,
        "driver": driver,
        "exact": done.exact,
        "same_failure": done.same_failure is not None,
        "changes": done.changes,
        "unreached": done.unreached,
        "record": done.trial.record,
        "failures": [
            found_as_json(Found(one, done.trial, done.case.scenario), case)
            for one in done.trial.failures
        ],
    }
