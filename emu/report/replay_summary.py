"""What a replay came to, on a screen of 100 columns and as plain data."""

from __future__ import annotations

from typing import Any

from emu.record.timeline import Mark
from emu.report.hunt_summary import found_as_json, render_found
from emu.report.run_summary import Paint, plain, short_path, wrapped
from emu.search.hunt import Found
from emu.search.replay import Replayed
from emu.units import show_duration

__all__ = ["marks_of", "render_replay", "replay_as_json"]

_DELAYS = {
    "stall": "the processor stands still",
    "pause": "another task has the processor, handlers run",
    "spurious": "an interrupt without a cause",
    "close": "another task closes the port",
    "write": "another task writes",
    "set": "another task sets a pin of its own",
    "output": "another task makes a pin of its own an output, or an input again",
}


def render_replay(
    done: Replayed, case: str, driver: str, paint: Paint = plain, *, next_step: str = ""
) -> str:
    """Return the result as text that ends in a newline.

    Args:
        done: what the replay came to.
        case: the case's file.
        driver: the driver's name.
        paint: colours a text by its tone; the words alone carry the meaning.
        next_step: what the reader may want to do now.
    """
    lines = [paint(line, "name") for line in wrapped(done.case.title, "")]
    lines += wrapped(f"case {short_path(case)}, driver {short_path(driver)}", "")
    lines += ["", f"{_word(done, paint)}   {_says(done)}"]
    for change in done.changes:
        lines += wrapped(change, " " * 9)
    if done.unreached:
        lines += wrapped(_unreached(done), " " * 9)
    failures = done.trial.failures
    told = [*failures[:1], *(one for one in failures[1:] if not one.is_promise)]
    for number, failure in enumerate(told, 1):
        found = Found(failure, done.trial, done.case.scenario)
        lines += ["", *render_found(found, number, "", paint)]
    if next_step:
        lines += ["", *wrapped(next_step, "", "Next: ")]
    return "\n".join(lines) + "\n"


def marks_of(done: Replayed) -> list[Mark]:
    """Return what a timeline says of the schedule: where it acted, and for how long."""
    marks = []
    for one in done.trial.acted:
        text = f"DELAY {one.entry.kind}: {_DELAYS[one.entry.kind]}"
        if one.until_ps > one.from_ps:
            text += f" for {show_duration(one.until_ps - one.from_ps)}"
        marks.append(Mark(one.from_ps, *one.place, text))
    return marks


def _unreached(done: Replayed) -> str:
    return (
        f"{done.unreached} of {len(done.case.schedule)} entries of the schedule had no effect: the "
        "run did not get there, or nothing can come between there"
    )


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
