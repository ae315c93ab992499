"""The scorecard of a check, on a screen of 100 columns and as plain data.

The order is that of the reader's questions: does the driver hold, promise by promise; what is
wrong, one row a bug, and at which line; which smallest case shows it; what of the device was never
used; what to try next.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from emu.report.hunt_summary import found_as_json, render_found
from emu.report.run_summary import WIDTH, Paint, plain, short_path, wrapped
from emu.search.check import Checked, Row

__all__ = ["checked_as_json", "render_scorecard"]

_MOST_LINES = 12  # of one bug, besides the first
_TABLE = 38  # columns of the table of promises before their texts
_MOST_BOUTS = 3


def render_scorecard(
    checked: Checked,
    driver: str,
    cases: list[str],
    paint: Paint = plain,
    *,
    next_step: str = "",
) -> str:
    """Return the scorecard as text that ends in a newline.

    Args:
        checked: what was found.
        driver: the driver's name.
        cases: the case file of each row, ``""`` where none was written.
        paint: colours a text by its tone; the words alone carry the meaning.
        next_step: what the reader may want to do now.
    """
    lines = [
        *_head(checked, driver, paint),
        "",
        *_promises(checked, paint),
        *_rows(checked, cases, paint),
        "",
        *_coverage(checked),
    ]
    if next_step:
        lines += ["", *wrapped(next_step, "", "Next: ")]
    return "\n".join(lines) + "\n"


def _head(checked: Checked, driver: str, paint: Paint) -> Iterator[str]:
    yield from (paint(line, "name") for line in wrapped(f"check of {short_path(driver)}", ""))
    yield ""
    count = len(checked.rows)
    if checked.clean:
        word = "CLEAN" if checked.complete else "CLEAN SO FAR"
        yield f"{paint(word, 'good')}   {_tried(checked)}"
    else:
        causes = f"{count} {'cause' if count == 1 else 'causes'} of failure"
        if checked.first_s is not None:
            causes += f", seen first after {checked.first_s:.1f} s"
        yield f"{paint('FAILED', 'bad')}   {causes}"
        yield from wrapped(_tried(checked), " " * 9)
    yield from wrapped(_how_far(checked), " " * (8 if checked.clean else 9))


def _tried(checked: Checked) -> str:
    runs = f"{checked.runs:,} {'run' if checked.runs == 1 else 'runs'}"
    return f"{runs} in {checked.seconds:.0f} s, which decide {checked.decided:,} timings and faults"


def _how_far(checked: Checked) -> str:
    ends = {
        "interrupted": "interrupted; this is what was found until then",
        "time": "the time was used up",
        "": "everything that was planned was tried",
    }
    every = "every point tried once, " if checked.complete else "not every point was tried, "
    end = ends[checked.stopped]
    if not (checked.complete or checked.stopped):
        end = "since some runs could not be followed to their end"
    return f"{checked.behaviours:,} different behaviours, {every}{end}"


def _promises(checked: Checked, paint: Paint) -> Iterator[str]:
    yield f"{'Promise':<11}{'kept':>8}{'waived':>8}{'broken':>8}"
    for name, meaning in checked.meanings.items():
        counts = checked.promises.get(name, {})
        broken = counts.get("broken", 0)
        mark = paint(f"{broken:>8,}", "bad") if broken else f"{broken:>8}"
        text, *rest = textwrap.wrap(meaning, WIDTH - _TABLE)
        yield (
            f"{paint(f'{name:<11}', 'name')}{counts.get('kept', 0):>8,}"
            f"{counts.get('waived', 0):>8,}{mark}   {text}"
        )
        yield from (" " * _TABLE + line for line in rest)


def _rows(checked: Checked, cases: list[str], paint: Paint) -> Iterator[str]:
    for number, (row, case) in enumerate(zip(checked.rows, cases, strict=True), 1):
        yield ""
        yield from render_found(row.found, number, case, paint)
        yield from _where(row)


def _where(row: Row) -> Iterator[str]:
    others = sorted(set(row.lines) - {row.found.failure.line})
    if others:
        numbers = ", ".join(str(one) for one in others[:_MOST_LINES])
        text = f"found at {'line' if len(others) == 1 else 'lines'} {numbers}"
        more = f"; {len(others) - _MOST_LINES} more" if len(others) > _MOST_LINES else ""
        yield from wrapped(text + more, "   ", "also ")
    bouts = list(row.bouts)
    names = "; ".join(bouts[:_MOST_BOUTS])
    more = f"; and {len(bouts) - _MOST_BOUTS} more" if len(bouts) > _MOST_BOUTS else ""
    runs = f"{row.runs:,} {'run' if row.runs == 1 else 'runs'}"
    yield from wrapped(f"{runs} of: {names}{more}", "   ", "in   ")


def _coverage(checked: Checked) -> Iterator[str]:
    coverage = checked.coverage
    total = len(coverage.registers)
    touched = total - len(coverage.untouched())
    yield f"Coverage   {touched} of {total} registers of the device were used"
    for label, names in (
        ("untouched", coverage.untouched()),
        ("never 1", coverage.never_seen()),
        ("never set", coverage.never_set()),
    ):
        if names:
            yield from wrapped(", ".join(names), "  ", f"{label:<10} ")


def checked_as_json(checked: Checked, driver: str, cases: list[str]) -> dict[str, Any]:
    """Return the scorecard as plain data."""
    coverage = checked.coverage
    return {
        "verdict": "clean" if checked.clean else "failed",
        "driver": driver,
        "contract": [
            {"promise": name, **{how: counts.get(how, 0) for how in ("kept", "waived", "broken")}}
            for name, counts in checked.promises.items()
        ],
        "causes": [
            {
                **found_as_json(row.found, case),
                "runs": row.runs,
                "scenarios": list(row.bouts),
                "promises": list(row.promises),
            }
            for row, case in zip(checked.rows, cases, strict=True)
        ],
        "coverage": {
            "untouched_registers": coverage.untouched(),
            "fields_never_seen_set": coverage.never_seen(),
            "fields_never_set": coverage.never_set(),
        },
        "runs": checked.runs,
        "schedules": checked.decided,
        "behaviours": checked.behaviours,
        "complete": checked.complete,
        "stopped": checked.stopped,
        "first_failure_s": checked.first_s,
        "seconds": round(checked.seconds, 3),
    }
