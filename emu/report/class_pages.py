"""How a class fared: a table for the screen, a table for other programs, a page for a browser.

The one idea: learners down, labs across; what a mark stands for is always a word as well. Whatever
a submission says is text and nothing but text, in each of the three.
"""

from __future__ import annotations

import csv
import html
import io
from collections.abc import Sequence

from emu.labs.classroom import Marked
from emu.labs.grade import FAILED, PASSED, REFUSED, STOPPED
from emu.report.run_summary import WIDTH, Paint, plain

__all__ = ["class_as_csv", "class_as_html", "render_class"]

_MARKS = {PASSED: "pass", FAILED: "fail", REFUSED: "refd", STOPPED: "stop"}
_LONGEST_NAME = 20
_COLUMN = 6
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def render_class(marked: Sequence[Marked], paint: Paint = plain) -> str:
    """Return the table, in parts where there are more labs than fit beside each other."""
    labs = sorted({one.lab for one in marked})
    learners = sorted({one.learner for one in marked})
    width = min(max((len(one) for one in learners), default=0), _LONGEST_NAME)
    fit = (WIDTH - width) // _COLUMN
    cells = _cells(marked)
    lines: list[str] = []
    for start in range(0, len(labs), fit):
        part = labs[start : start + fit]
        lines.append("".join([" " * width, *(f"{int(one[:2]):>{_COLUMN}}" for one in part)]))
        lines += [_row(name, part, cells, width, paint) for name in learners]
        lines.append("")
    passed = sum(one.verdict == PASSED for one in marked)
    files = f"{len(marked)} {'file' if len(marked) == 1 else 'files'}"
    people = f"{len(learners)} {'learner' if len(learners) == 1 else 'learners'}"
    lines.append(f"{files} of {people}, {passed} passed")
    lines += _legend(marked)
    lines += _troubles(labs, marked)
    return "\n".join(lines) + "\n"


_Cells = dict[tuple[str, str], str]


def _cells(marked: Sequence[Marked]) -> _Cells:
    """Return the verdict of each learner in each lab: of several files the best, else the last."""
    found: _Cells = {}
    for one in marked:
        if found.get((one.learner, one.lab)) != PASSED:
            found[one.learner, one.lab] = one.verdict
    return found


def _row(name: str, labs: Sequence[str], cells: _Cells, width: int, paint: Paint) -> str:
    verdicts = [cells.get((name, lab), "") for lab in labs]
    marks = [_MARKS[one] if one else "" for one in verdicts]
    painted = [
        " " * (_COLUMN - len(one)) + (paint(one, "good" if one == "pass" else "bad") if one else "")
        for one in marks
    ]
    return f"{name[:width]:<{width}}" + "".join(painted)


def _legend(marked: Sequence[Marked]) -> list[str]:
    """Return what the rarer words of the table mean, where they stand in it."""
    verdicts = {one.verdict for one in marked}
    words = {REFUSED: "refd: refused before it was run", STOPPED: "stop: did not run to its end"}
    told = [meaning for verdict, meaning in words.items() if verdict in verdicts]
    return ["; ".join(told)] if told else []


def _troubles(labs: Sequence[str], marked: Sequence[Marked]) -> list[str]:
    """Return which misunderstandings are common, since that is what to teach next."""
    lines = []
    for lab in labs:
        told = [one.misunderstood for one in marked if one.lab == lab and one.misunderstood]
        common = max(set(told), key=lambda one: (told.count(one), one), default="")
        if told.count(common) > 1:
            text = " ".join(common.split())
            short = text if len(text) <= 78 else text[:75] + "..."
            lines.append(f"lab {int(lab[:2]):>2}, {told.count(common)} times: {short}")
    return ["", *lines] if lines else []


def class_as_csv(marked: Sequence[Marked]) -> str:
    """Return a row for each file; no cell begins like a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    fields = ("learner", "lab", "path", "verdict", "reason", "line", "misunderstood", "load",
              "seconds")  # fmt: skip
    writer.writerow(fields)
    for one in marked:
        writer.writerow([_cell(getattr(one, name)) for name in fields])
    return out.getvalue()


def _cell(value: object) -> object:
    if not isinstance(value, str):
        return value
    text = " ".join(value.split())
    return f"'{text}" if text.startswith(_FORMULA) else text


_STYLE = """
body { font: 15px/1.4 system-ui, sans-serif; margin: 2em auto; max-width: 70em; color: #123; }
table { border-collapse: collapse; } th, td { padding: .3em .6em; text-align: left; }
thead th { border-bottom: 2px solid #345; } tbody tr:nth-child(even) { background: #f2f6f8; }
.passed { color: #05603a; } .failed, .refused, .stopped { color: #a11; }
details { margin: .4em 0; } summary { cursor: pointer; }
"""


def class_as_html(marked: Sequence[Marked], title: str) -> str:
    """Return a page that stands alone: a table, and below what each file got."""
    labs = sorted({one.lab for one in marked})
    learners = sorted({one.learner for one in marked})
    head = "".join(f'<th scope="col">{_text(one)}</th>' for one in labs)
    cells = _cells(marked)
    body = "\n".join(_html_row(name, labs, cells) for name in learners)
    details = "\n".join(_html_details(one) for one in marked)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{_text(title)}</title><style>{_STYLE}</style></head><body>\n"
        f"<h1>{_text(title)}</h1>\n<table><thead><tr><th>learner</th>{head}</tr></thead>\n"
        f"<tbody>\n{body}\n</tbody></table>\n<h2>File by file</h2>\n{details}\n</body></html>\n"
    )


def _html_row(name: str, labs: Sequence[str], cells: _Cells) -> str:
    words = [_text(cells.get((name, lab), "")) for lab in labs]
    row = "".join(f'<td class="{one}">{one}</td>' for one in words)
    return f'<tr><th scope="row">{_text(name)}</th>{row}</tr>'


def _html_details(one: Marked) -> str:
    line = f"line {one.line}: " if one.line else ""
    note = f"<p>{_text(one.misunderstood)}</p>" if one.misunderstood else ""
    return (
        f"<details><summary><b>{_text(one.learner)}</b>, {_text(one.lab)}: "
        f'<span class="{_text(one.verdict)}">{_text(one.verdict)}</span></summary>'
        f"<p>{_text(one.path)}, {one.seconds:.1f} s</p>"
        f"<p>{line}{_text(one.reason)}</p>{note}</details>"
    )


def _text(value: str) -> str:
    return html.escape(" ".join(value.split()))
