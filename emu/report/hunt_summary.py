"""What a hunt and a replay came to, on a screen of 100 columns.

The order is that of the reader's questions: does it hold, what breaks and at which line, when must
the processor be late for it, where is the case that shows it, how much was tried.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from emu.report.run_summary import WIDTH, Paint, plain, short_path, wrapped
from emu.rules.catalogue import RULES
from emu.scenario.model import Scenario
from emu.scenario.trade import trade_of
from emu.search.hunt import Found, Hunted
from emu.search.schedule import describe
from emu.search.trial import Failure, Trial

__all__ = ["found_as_json", "hunted_as_json", "place_of_found", "render_found", "render_hunt"]


_LONGEST_PLACE = WIDTH - 5
_UNSTEADY = (
    "the same run did not come out the same once more: the driver depends on something outside the "
    "bench, such as threads, real time or random numbers"
)


def render_hunt(
    hunted: Hunted,
    title: str,
    driver: str,
    cases: list[str],
    paint: Paint = plain,
    *,
    next_step: str = "",
) -> str:
    """Return what a hunt found as text that ends in a newline.

    Args:
        hunted: what was found.
        title: of the scenario.
        driver: its name.
        cases: the file of each case, ``""`` where none was written.
        paint: colours a text by its tone; the words alone carry the meaning.
        next_step: what the reader may want to do now.
    """
    lines = [paint(line, "name") for line in wrapped(title, "")]
    lines += [*wrapped(f"driver {short_path(driver)}", ""), ""]
    word = paint("FAILED", "bad") if hunted.found else paint("CLEAN", "good")
    causes = len(hunted.found)
    what = f"{causes} {'cause' if causes == 1 else 'causes'} of failure, " if causes else ""
    lines.append(f"{word}   {what}{_tried(hunted)}")
    lines += [f"         {one}" for one in _how_far(hunted)]
    for number, (found, case) in enumerate(zip(hunted.found, cases, strict=True), 1):
        lines += ["", *render_found(found, number, case, paint)]
    if next_step:
        lines += ["", *wrapped(next_step, "", "Next: ")]
    return "\n".join(lines) + "\n"


def _tried(hunted: Hunted) -> str:
    explored = hunted.explored
    rate = explored.decided / max(hunted.seconds, 1e-9)
    runs = f"{explored.runs:,} {'run' if explored.runs == 1 else 'runs'}"
    what = f"{explored.decided:,} {'schedule' if explored.decided == 1 else 'schedules'}"
    return f"{what} decided by {runs} in {hunted.seconds:.1f} s ({rate:,.0f}/s)"


def _how_far(hunted: Hunted) -> Iterator[str]:
    explored = hunted.explored
    kinds = len(explored.behaviours)
    yield f"{kinds:,} different behaviours" if kinds != 1 else "one and the same behaviour"
    if explored.failing:
        yield f"{explored.failing:,} {'run' if explored.failing == 1 else 'runs'} failed"
    if explored.complete:
        yield "every point was tried with one entry"
    elif explored.runs == 1 and not explored.stopped:
        yield "only the undisturbed run was made"
    elif explored.undisturbed is not None:
        yield "not every point was tried with one entry"
    why = "interrupted" if hunted.interrupted else explored.stopped
    ends = {
        "time": "the time was used up; a longer --budget tries more",
        "count": "the number of runs was used up",
        "interrupted": "interrupted; this is what was found until then",
    }
    if why:
        yield ends[why]


def render_found(found: Found, number: int, case: str, paint: Paint = plain) -> Iterator[str]:
    """Yield the lines of one cause."""
    failure, trial = found.failure, found.trial
    place = place_of_found(failure, trial) or "no driver line"
    if len(place) > _LONGEST_PLACE:
        place = "..." + place[3 - _LONGEST_PLACE :]  # its end is what tells it from others
    fits = len(f"{number}. {place}  {failure.rule}") <= WIDTH
    gap = "  " if fits else "\n   "
    yield f"{number}. {paint(place, 'bad')}{gap}{paint(failure.rule, 'name')}"
    yield from wrapped(failure.message, "   ")
    yield from _why(failure, found.scenario)
    for entry, at in _entries(trial):
        yield from wrapped(describe(entry, at), "   ", "when ")
    if not trial.schedule:
        yield "   when in the undisturbed run"
    broken = [one.rule for one in trial.failures if one.is_promise and one.rule != failure.rule]
    if broken:
        yield from wrapped(", ".join(broken), "   ", "also ")
    if not found.repeats:
        yield from wrapped(_UNSTEADY, "   ", "note ")
    if case:
        yield from wrapped(short_path(case), "   ", "case ")


def _why(failure: Failure, scenario: Scenario) -> Iterator[str]:
    rule = RULES.get(failure.rule)
    if rule is not None:
        yield from wrapped(rule.why, "   ", "why  ")
        yield from wrapped(rule.instead, "   ", "do   ")
    elif failure.is_promise:
        device, _, name = failure.rule.removeprefix("promise ").rpartition(".")
        promises = trade_of(scenario.board, device or scenario.port).promises
        yield from wrapped(promises[name], "   ", "says ")


def place_of_found(failure: Failure, trial: Trial) -> str:
    """Return the driver's file and line of a failure: its own, or where the processor was late."""
    if failure.file:
        return f"{short_path(failure.file)}:{failure.line}"
    for acted in reversed(trial.acted):
        if acted.place[0]:
            return f"{short_path(acted.place[0])}:{acted.place[1]}"
    return ""


def _entries(trial: Trial) -> Iterator[tuple[Any, str]]:
    places = {acted.entry: acted.place for acted in trial.acted}
    for entry in trial.schedule:
        file, line = places.get(entry, ("", 0))
        yield entry, f"{Path(file).name}:{line}" if file else ""


def found_as_json(found: Found, case: str) -> dict[str, Any]:
    """Return one cause as plain data."""
    failure, trial = found.failure, found.trial
    return {
        "rule": failure.rule,
        "file": failure.file or next((one.place[0] for one in reversed(trial.acted)), ""),
        "line": failure.line or next((one.place[1] for one in reversed(trial.acted)), 0),
        "register": failure.register,
        "message": failure.message,
        "scenario": found.scenario.title,
        "schedule": [
            {"do": one.kind, "events": one.events, "call": one.point.call, "step": one.point.step}
            for one in trial.schedule
        ],
        "promises": [one.rule for one in trial.failures if one.is_promise],
        "first_s": round(found.first_s, 3),
        "repeats": found.repeats,
        "case": case,
    }


def hunted_as_json(hunted: Hunted, title: str, driver: str, cases: list[str]) -> dict[str, Any]:
    """Return what a hunt found as plain data."""
    explored = hunted.explored
    return {
        "verdict": "failed" if hunted.found else "clean",
        "scenario": title,
        "driver": driver,
        "causes": [found_as_json(*pair) for pair in zip(hunted.found, cases, strict=True)],
        "runs": explored.runs,
        "schedules": explored.decided,
        "behaviours": len(explored.behaviours),
        "failing_runs": explored.failing,
        "complete": explored.complete,
        "stopped": "interrupted" if hunted.interrupted else explored.stopped,
        "seconds": round(hunted.seconds, 3),
    }
