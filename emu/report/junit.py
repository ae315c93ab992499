"""A check as a JUnit XML file, which continuous-integration servers show.

The one idea: a promise or a cause is a test case, so a server's table reads like the scorecard.
The format is that of the JUnit reports which the usual servers read (common practice, no source).
"""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

from emu.report.hunt_summary import place_of_found
from emu.search.check import Checked, Row
from emu.search.schedule import describe

__all__ = ["junit_xml"]

_DECLARATION = '<?xml version="1.0" encoding="UTF-8"?>'
_FORBIDDEN = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit_xml(checked: Checked, driver: str, cases: list[str]) -> str:
    """Return the check as XML: a test case for each promise, and one for each cause."""
    broken = {name for name, counts in checked.promises.items() if counts.get("broken")}
    failures = len(broken) + len(checked.rows)
    suite = ET.Element(
        "testsuite", name=f"emu check {driver}",
        tests=str(len(checked.meanings) + len(checked.rows)),
        failures=str(failures), errors="0", time=f"{checked.seconds:.3f}",
    )  # fmt: skip
    for name, meaning in checked.meanings.items():
        case = ET.SubElement(suite, "testcase", classname="contract", name=f"{name}: {meaning}")
        if name in broken:
            count = checked.promises[name]["broken"]
            ET.SubElement(case, "failure", message=f"broken in {count} runs", type="promise")
    for row, file in zip(checked.rows, cases, strict=True):
        _add_row(suite, row, file)
    ET.indent(suite)
    return f"{_DECLARATION}\n{_allowed(ET.tostring(suite, encoding='unicode'))}\n"


def _allowed(text: str) -> str:
    """Return text without the characters that no XML file may hold (XML 1.0, section 2.2)."""
    return _FORBIDDEN.sub("?", text)


def _add_row(suite: ET.Element, row: Row, file: str) -> None:
    failure, trial = row.found.failure, row.found.trial
    place = place_of_found(failure, trial)
    case = ET.SubElement(suite, "testcase", classname="causes", name=f"{failure.rule} {place}")
    what = ET.SubElement(case, "failure", message=failure.message, type=failure.rule)
    lines = [f"scenario: {row.found.scenario.title}"]
    lines += [describe(entry) for entry in trial.schedule]
    lines += [f"case: {file}"] if file else []
    what.text = "\n".join(lines)
