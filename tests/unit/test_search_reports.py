"""What a hunt and a check came to, on a screen, as data, and for a server."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from emu.report.hunt_summary import found_as_json, hunted_as_json, place_of_found, render_hunt
from emu.report.junit import junit_xml
from emu.report.scorecard import checked_as_json, render_scorecard
from emu.scenario.contract import PROMISES
from emu.search.check import Checked, Row
from emu.search.coverage import Coverage
from emu.search.explore import Explored
from emu.search.hunt import Found, Hunted
from emu.search.stepper import Acted
from emu.search.suite import suite
from emu.search.trial import Failure, Trying
from tests.search_bench import SteadySender, at, scenario, trial

ASKED = scenario()
STALE = Failure("read-when-empty", "/far/gauge.py", 7, "RBR", "read without a character")
ORDER = Failure("promise order", "", 0, "", "2 bytes are missing")
LATE = (at(12, 1, events=4), at(20, kind="spurious"))
ACTED = (Acted(LATE[0], ("/far/gauge.py", 31), 0, True),)


def found(failure: Failure = STALE, **more: Any) -> Found:
    """Return a cause as it was found."""
    shown = trial(LATE, failure, *([ORDER] if failure is STALE else []), acted=ACTED)
    return Found(failure, shown, ASKED, 1.23456, **more)


def hunted(*causes: Found, **more: Any) -> Hunted:
    """Return the result of a hunt."""
    explored = Explored(1234, 56789, 77, {"a": None, "b": None}, {}, trial(), complete=True)
    for name, value in more.items():
        setattr(explored, name, value)
    return Hunted(explored, list(causes), 2.0)


def widest(text: str) -> int:
    """Return how many columns a text takes."""
    assert text.endswith("\n")
    assert "\n\n\n" not in text
    return max(len(line) for line in text.splitlines())


def marked(text: str, tone: str) -> str:
    """Mark a text by its tone."""
    return f"<{tone}>{text}</>"


# hunts


def test_a_clean_hunt() -> None:
    """A hunt that found nothing says how much was tried, and that it was all there is."""
    text = render_hunt(hunted(), "a short reading", "gauge.py:Gauge", [])
    assert text.splitlines()[:6] == [
        "a short reading",
        "driver gauge.py:Gauge",
        "",
        "CLEAN   56,789 schedules decided by 1,234 runs in 2.0 s (28,394/s)",
        "         2 different behaviours",
        "         77 runs failed",
    ]
    assert "every point was tried with one entry" in text


def test_a_hunt_that_found_something() -> None:
    """Each cause stands with its line, what it takes, what else breaks, and its case."""
    text = render_hunt(
        hunted(found(), found(ORDER)), "title", "gauge.py:Gauge", ["a.yaml", ""], next_step="go"
    )
    assert "FAILED   2 causes of failure, 56,789 schedules" in text
    assert "1. /far/gauge.py:7  read-when-empty\n   read without a character\n   why  " in text
    assert "   when stall for 4 events at gauge.py:31 (1 step after bench call 12 began)\n" in text
    assert "   when a spurious interrupt (before bench call 20)\n" in text
    assert "   also promise order\n   case a.yaml\n" in text
    assert "2. /far/gauge.py:31  promise order\n   2 bytes are missing\n   says " in text
    assert text.endswith("\n\nNext: go\n")


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ({"complete": False, "stopped": "time"}, "the time was used up; a longer --budget"),
        ({"complete": False, "stopped": "count"}, "the number of runs was used up"),
        ({"complete": False}, "not every point was tried with one entry"),
        ({"runs": 1, "complete": False}, "only the undisturbed run was made"),
        ({"behaviours": {"a": None}}, "one and the same behaviour"),
        ({"failing": 1}, "1 run failed"),
        ({"runs": 1, "decided": 1, "complete": False}, "1 schedule decided by 1 run in"),
    ],
)
def test_how_far_a_hunt_came(state: dict[str, Any], said: str) -> None:
    """What was not tried is said, and why."""
    assert said in render_hunt(hunted(**state), "title", "gauge.py:Gauge", [])


def test_an_interrupted_hunt() -> None:
    """A hunt that the user ended says so."""
    text = render_hunt(replace(hunted(), interrupted=True), "title", "gauge.py:Gauge", [])
    assert "interrupted; this is what was found until then" in text


def test_a_cause_that_does_not_repeat() -> None:
    """A driver that does not do the same twice is told of it at the cause."""
    text = render_hunt(hunted(found(repeats=False)), "title", "gauge.py:Gauge", [""])
    assert "note the same run did not come out the same once more" in text


def test_a_failure_without_a_delay() -> None:
    """What fails by itself is said to."""
    one = Found(STALE, trial((), STALE), ASKED)
    assert "when in the undisturbed run" in render_hunt(hunted(one), "title", "g.py:G", [""])


def test_a_hunt_is_100_columns_wide() -> None:
    """Long titles, paths, messages and hints are wrapped."""
    long = STALE._replace(message="word " * 60, file="/" + "deep/" * 40 + "gauge.py")
    text = render_hunt(
        hunted(found(long)), "title " * 30, "x" * 150 + ":Gauge", ["y" * 150], next_step="z " * 99
    )
    assert widest(text) <= 100
    assert "gauge.py:7" in text


def test_colour_is_not_the_only_carrier() -> None:
    """Verdict, place and rule are marked, and the words are the same without."""
    text = render_hunt(hunted(found()), "title", "g.py:G", [""], marked)
    assert "<bad>FAILED</>" in text
    assert "<bad>/far/gauge.py:7</>  <name>read-when-empty</>" in text
    assert "<good>CLEAN</>" in render_hunt(hunted(), "title", "g.py:G", [], marked)


def test_where_a_failure_is() -> None:
    """A failure without a place is told at the last line where the processor was late."""
    assert place_of_found(STALE, trial()) == "/far/gauge.py:7"
    assert place_of_found(ORDER, trial(LATE, acted=ACTED)) == "/far/gauge.py:31"
    assert place_of_found(ORDER, trial()) == ""


def test_a_hunt_as_data() -> None:
    """The data of a hunt holds what the screen does, and can be written as JSON."""
    plain = hunted_as_json(hunted(found()), "title", "g.py:G", ["a.yaml"])
    assert json.loads(json.dumps(plain)) == plain
    assert set(plain) == {
        "verdict", "scenario", "driver", "causes", "runs", "schedules", "behaviours",
        "failing_runs", "complete", "stopped", "seconds",
    }  # fmt: skip
    assert (plain["verdict"], plain["runs"], plain["schedules"]) == ("failed", 1234, 56789)
    assert plain["causes"] == [found_as_json(found(), "a.yaml")]
    assert plain["causes"][0] == {
        "rule": "read-when-empty", "file": "/far/gauge.py", "line": 7, "register": "RBR",
        "message": "read without a character", "scenario": "a short reading",
        "schedule": [
            {"do": "stall", "events": 4, "call": 12, "step": 1},
            {"do": "spurious", "events": 0, "call": 20, "step": 0},
        ],
        "promises": ["promise order"], "first_s": 1.235, "repeats": True, "case": "a.yaml",
    }  # fmt: skip
    assert hunted_as_json(hunted(), "title", "g.py:G", [])["verdict"] == "clean"
    interrupted = replace(hunted(), interrupted=True)
    assert hunted_as_json(interrupted, "title", "g.py:G", [])["stopped"] == "interrupted"


# scorecards


def checked(*rows: Row, **more: Any) -> Checked:
    """Return the result of a check."""
    counts = {"kept": 2000, "waived": 30, "broken": 4 if rows else 0}
    values: dict[str, Any] = {
        "rows": list(rows), "promises": {name: dict(counts) for name in PROMISES}, "bouts": 90,
        "runs": 2034, "decided": 98765, "behaviours": 321, "seconds": 59.9, "complete": True,
        "coverage": Coverage(registers=()), "meanings": dict(PROMISES), **more,
    }  # fmt: skip
    return Checked(**values)


ROW = Row(found(), 12, {f"bout {n}": None for n in range(5)}, {"promise order": None})


def test_a_clean_scorecard() -> None:
    """A clean check shows the verdict, each promise with its counts, and what was covered."""
    text = render_scorecard(checked(), "gauge.py:Gauge", [])
    first = "CLEAN   2,034 runs in 60 s, which decide 98,765 timings and faults"
    assert text.startswith(f"check of gauge.py:Gauge\n\n{first}\n")
    assert "321 different behaviours, every point tried once, everything that was planned" in text
    rows = [line for line in text.splitlines() if line.split(" ")[0] in PROMISES]
    assert [line.split()[0] for line in rows] == list(PROMISES)
    assert all(line.split()[1:4] == ["2,000", "30", "0"] for line in rows)
    assert widest(text) <= 100


@pytest.mark.parametrize(
    ("stopped", "said"),
    [
        ("time", "the time was used up"),
        ("interrupted", "interrupted; this is what was found"),
        ("", "not every point was tried, since some runs could not be followed to their end"),
    ],
)
def test_a_scorecard_says_what_was_not_tried(stopped: str, said: str) -> None:
    """A check that was cut short is not shown as complete."""
    text = render_scorecard(checked(stopped=stopped, complete=False), "gauge.py:Gauge", [])
    assert "not every point was tried" in text
    assert said in " ".join(text.split())
    assert widest(text) <= 100


def test_a_failed_scorecard() -> None:
    """Each bug is a row with its line, its smallest case, and where it showed."""
    text = render_scorecard(checked(ROW), "gauge.py:Gauge", ["c.yaml"], marked, next_step="go")
    assert (
        "<bad>FAILED</>   1 cause of failure\n         2,034 runs in 60 s, which decide 98" in text
    )
    assert "1. <bad>/far/gauge.py:7</>  <name>read-when-empty</>" in text
    assert "   in   12 runs of: bout 0; bout 1; bout 2; and 2 more\n" in text
    assert "<bad>       4</>" in text
    assert text.endswith("\n\nNext: go\n")


def test_other_lines_of_one_bug() -> None:
    """A race that was found at several lines is one row, which names the others."""
    lines = {9: None, 7: None, 8: None}
    one = replace(ROW, lines=lines)
    assert "   also found at lines 8, 9\n" in render_scorecard(checked(one), "g.py:G", ["c"])
    one = replace(ROW, lines={9: None})
    assert "   also found at line 9\n" in render_scorecard(checked(one), "g.py:G", ["c"])
    one = replace(ROW, lines=dict.fromkeys(range(20, 40)))
    assert "20, 21, 22, 23, 24, 25, 26, 27, 28, 29, 30, 31; 8 more\n" in render_scorecard(
        checked(one), "g.py:G", ["c"]
    )


def test_the_first_failure_is_timed() -> None:
    """A failed check tells after how long something failed first."""
    text = render_scorecard(checked(ROW, first_s=1.25), "gauge.py:Gauge", ["c.yaml"])
    assert "FAILED   1 cause of failure, seen first after 1.2 s\n" in text


def test_coverage_on_the_scorecard() -> None:
    """Registers never touched, conditions never seen and settings never made are told."""
    run = Trying(ASKED, SteadySender).run(cover=True)
    assert run.coverage is not None
    text = render_scorecard(checked(coverage=run.coverage), "gauge.py:Gauge", [])
    used = 12 - len(run.coverage.untouched())
    assert f"Coverage   {used} of 12 registers of the device were used\n" in text
    assert "  untouched  " in text
    assert "  never 1    " in text
    assert "LSR.OE" in text
    assert widest(text) <= 100


def test_a_scorecard_of_all_that_can_be_long() -> None:
    """Long names and many bouts stay within 100 columns."""
    row = Row(found(), 1, dict.fromkeys(("x " * 60, "y" * 120)), {})
    text = render_scorecard(checked(row), "d" * 130 + ".py:Gauge", ["c" * 130], next_step="n " * 90)
    assert widest(text) <= 100
    assert "   in   1 run of: " in text


def test_a_scorecard_as_data() -> None:
    """The data of a check holds what the scorecard does, and can be written as JSON."""
    plain = checked_as_json(checked(ROW, first_s=0.5), "g.py:G", ["c.yaml"])
    assert json.loads(json.dumps(plain)) == plain
    assert set(plain) == {
        "verdict", "driver", "contract", "causes", "coverage", "runs", "schedules", "behaviours",
        "complete", "stopped", "first_failure_s", "seconds",
    }  # fmt: skip
    assert plain["contract"][0] == {"promise": "order", "kept": 2000, "waived": 30, "broken": 4}
    (cause,) = plain["causes"]
    assert cause == found_as_json(found(), "c.yaml") | {
        "runs": 12, "scenarios": [f"bout {n}" for n in range(5)], "promises": ["promise order"],
    }  # fmt: skip
    assert plain["coverage"] == {
        "untouched_registers": [], "fields_never_seen_set": [], "fields_never_set": [],
    }  # fmt: skip


# servers


def test_junit() -> None:
    """Each promise and each cause is a test case; those that broke have failed."""
    promises = {name: {"kept": 9} for name in PROMISES} | {"order": {"kept": 1, "broken": 8}}
    suite_of = ET.fromstring(junit_xml(checked(ROW, promises=promises), "g.py:G", ["c.yaml"]))  # noqa: S314 - our own
    assert (suite_of.tag, suite_of.get("tests"), suite_of.get("failures")) == (
        "testsuite",
        "10",
        "2",
    )
    cases = suite_of.findall("testcase")
    assert len(cases) == len(PROMISES) + 1
    failed = {case.get("name"): case.find("failure") for case in cases if len(case)}
    (order, cause) = failed.values()
    assert order is not None
    assert order.get("message") == "broken in 8 runs"
    assert cause is not None
    assert cause.get("type") == "read-when-empty"
    assert cause.text == (
        "scenario: a short reading\nstall for 4 events (1 step after bench call 12 began)\n"
        "a spurious interrupt (before bench call 20)\ncase: c.yaml"
    )


@pytest.mark.parametrize("text", ["<&>\"'", "a\x1b[0m\x00", "\ufffe\U0001f30a", "tab\tline\n"])
def test_junit_is_xml_whatever_stands_in_it(text: str) -> None:
    """Characters that no XML may hold are replaced, others are escaped."""
    row = Row(found(STALE._replace(message=text, file=f"/{text}.py")))
    xml = junit_xml(checked(row), f"{text}:Gauge", [text])
    assert xml.startswith('<?xml version="1.0" encoding="UTF-8"?>\n')
    assert ET.fromstring(xml.encode()).get("tests") == "10"  # noqa: S314 - our own


def test_junit_of_a_clean_check() -> None:
    """A clean check has no failure."""
    xml = ET.fromstring(junit_xml(checked(), "g.py:G", []))  # noqa: S314 - our own
    assert (xml.get("failures"), xml.get("tests")) == ("0", "9")
    assert xml.findall(".//failure") == []


def test_titles_of_bouts_fit_a_screen() -> None:
    """No title of a bout is so long that it fills a screen by itself."""
    assert max(len(one.body["scenario"]) for one in suite()) <= 60
