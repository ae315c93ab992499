"""The outcome of a run on a screen of 100 columns."""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.report.run_summary import WIDTH, plain, render_outcome, short_path
from emu.rules.finding import Finding
from emu.scenario.contract import PROMISES
from emu.scenario.outcome import Measures, Outcome, StepNote
from emu.scenario.promise import Promise

OVERRUN = "Errors    overrun: the device flagged {}, the driver counted {}"
KEPT = [Promise(name, True) for name in PROMISES]


def outcome(**changes: object) -> Outcome:
    """Return a clean outcome, with changes."""
    values = {"promises": KEPT, "measures": Measures(time_ps=5_000_000_000, idle_ps=5_000_000_000)}
    return Outcome("a trial", "trial.yaml", "gauge.py:Gauge", 3, **{**values, **changes})  # type: ignore[arg-type]


def test_verdict_first() -> None:
    """Title and driver, then the verdict with its reasons, then the rest."""
    lines = render_outcome(outcome()).splitlines()
    assert lines[:4] == [
        "a trial",
        "driver gauge.py:Gauge, seed 3",
        "",
        "CLEAN   9 of 9 promises kept, no findings, 5 ms simulated",
    ]


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"promises": [*KEPT[:8], Promise("start", True, "dead", waived=True)]},
         "CLEAN   8 of 9 promises kept, 1 waived, no findings, 5 ms simulated"),
        ({"promises": [*KEPT[:7], Promise("recovery", False), Promise("start", False)]},
         "FAILED   2 promises broken, 5 ms simulated"),
        ({"findings": [Finding("x", "g.py", 1, 0, "", "m")], "unmet": ["a"]},
         "FAILED   1 finding, 1 expectation unmet, 5 ms simulated"),
    ],
)  # fmt: skip
def test_verdict_line(changes: dict[str, object], line: str) -> None:
    """The verdict counts what speaks for and against the driver."""
    assert render_outcome(outcome(**changes)).splitlines()[3] == line


@pytest.mark.parametrize("failed", [True, False])
def test_an_early_end_is_told(*, failed: bool) -> None:
    """A run that ended early says so under its verdict, whatever that is."""
    changes = {"findings": [Finding("x", "g.py", 1, 0, "", "m")]} if failed else {}
    text = render_outcome(outcome(ended="the limit", **changes))
    assert text.splitlines()[4] == "         the run ended early: the limit"


def test_a_finding_says_where_why_and_what_to_do() -> None:
    """A finding has place, rule, time, count, message, why it bites and what to do instead."""
    found = Finding("read-when-empty", "gauge.py", 7, 2_000_000, "telemetry.RBR", "read blind", 3)
    text = render_outcome(outcome(findings=[found]))
    assert "1. gauge.py:7  read-when-empty  at 2 us, 3 times\n   read blind\n   why  " in text
    assert "\n   do   Read RBR once for each LSR with DR set" in text


def test_a_finding_without_a_line_or_a_known_rule() -> None:
    """A finding that is nobody's line, or of a rule that has no text, is shown all the same."""
    text = render_outcome(outcome(findings=[Finding("odd", "", 0, 0, "", "m")]))
    assert "1. no driver line  odd  at 0 ps\n   m\n" in text


def test_broken_and_waived_promises_are_spelled_out() -> None:
    """A broken or waived promise is told in words with its detail; kept ones take no room."""
    promises = [
        Promise("order", False, "byte 3", meaning="in order"),
        Promise("loss", True, "gone", waived=True, meaning="nothing lost"),
    ]
    text = render_outcome(outcome(promises=promises))
    assert "broken promise order: in order\n   byte 3\n" in text
    assert "waived promise loss: nothing lost\n   gone\n" in text


@pytest.mark.parametrize(
    "changes",
    [
        {"ended": "word " * 60},
        {"ended": "x" * 300},
        {"unmet": ["read returned " + "b" * 250]},
        {"findings": [Finding("rule-name", "/deep" * 18 + ".py", 123_456, 10**13, "", "y" * 250)]},
        {"promises": [Promise("order", False, "detail " * 40)]},
        {"printed": "z" * 5000},
        {"steps": [StepNote("exchange", 10**12, "1000000 of 1000000 bytes accepted, 9 received")]},
    ],
)
def test_nothing_is_wider_than_the_screen(changes: dict[str, object]) -> None:
    """No text that a driver or a scenario has a hand in makes a line wider than 100 columns."""
    text = render_outcome(outcome(**changes), next_step="do " * 60)
    assert [line for line in text.splitlines() if len(line) > WIDTH] == []


def test_long_titles_and_names_are_wrapped() -> None:
    """Title and driver are wrapped too."""
    made = Outcome("long title " * 20, "", "deep/" * 40 + "gauge.py:Gauge", 1, promises=KEPT)
    assert max(map(len, render_outcome(made).splitlines())) <= WIDTH


@pytest.mark.parametrize("printed", ["\n", "  \n\n ", "\x1b[2J", "one\ntwo"])
def test_what_the_driver_printed(printed: str) -> None:
    """The first line printed is shown harmlessly, even if there is none."""
    text = render_outcome(outcome(printed=printed))
    assert f"The driver printed {len(printed)} characters: " in text
    assert "\x1b" not in text


def test_colour_changes_no_words() -> None:
    """Colour is laid over the same text, line by line."""
    promises = [
        Promise("order", False, "byte 3", meaning="in order"),
        Promise("loss", True, "gone", waived=True, meaning="nothing lost"),
    ]
    findings = [Finding("read-when-empty", "gauge.py", 7, 2_000_000, "", "read blind", 3)]
    made = outcome(
        promises=promises, findings=findings, unmet=["word " * 40], printed="x",
        measures=Measures(stalled_ps=1, injections={"noise on telemetry.sin": 2}),
    )  # fmt: skip
    coloured = render_outcome(made, lambda text, tone: f"<{tone}>{text}</{tone}>")
    for tone in ("good", "bad", "name", "dim"):
        coloured = coloured.replace(f"<{tone}>", "").replace(f"</{tone}>", "")
    assert coloured == render_outcome(made, plain)
    assert "Fault     noise on telemetry.sin: 2 injections" in coloured
    assert "stalled" in coloured


def test_paths_are_shortened_to_the_working_folder() -> None:
    """A path below the working folder is shown from there, any other in full."""
    assert short_path(str(Path.cwd() / "a" / "b.py")) == str(Path("a") / "b.py")
    assert short_path("/elsewhere/b.py") == "/elsewhere/b.py"
    assert short_path("b.py") == "b.py"


@pytest.mark.parametrize(
    ("errors", "flagged", "lines"),
    [
        ({"overrun": 0}, {"overrun": (0, 0)},
         ["Errors    none: the device flagged none, the driver counted none"]),
        ({"overrun": 2, "framing": 1}, {"overrun": (3, 3), "framing": (1, 1)},
         ["Errors    overrun: the device flagged 3, the driver counted 2",
          "          framing: the device flagged 1, the driver counted 1"]),
        ({"overrun": 2}, {"overrun": (2, 3)},
         [OVERRUN.format("3 (2 of them must be counted)", "2")]),
        ({"overrun": 2}, {"overrun": (1, 1)},
         [OVERRUN.format("1", "2, those of its own buffer too")]),
        ({"framing": 0, "breaks": 1}, {"framing": (0, 1), "breaks": (1, 1)},
         ["Errors    breaks: the device flagged 1, the driver counted 1"]),
        ({}, {"overrun": (1, 1)}, []),
    ],
)  # fmt: skip
def test_errors_say_who_flagged_and_who_counted(
    errors: dict[str, int], flagged: dict[str, tuple[int, int]], lines: list[str]
) -> None:
    """Each kind of line error says in words what the device flagged and the driver counted."""
    shown = render_outcome(outcome(errors=errors, flagged=flagged)).splitlines()
    first = next((at for at, line in enumerate(shown) if line.startswith("Errors")), len(shown))
    assert shown[first : first + len(lines)] == lines
    assert not lines or shown[first + len(lines)].startswith("CPU")


def test_lost_bytes_are_told_where_there_are_some() -> None:
    """What was lost for want of room stands with what arrived, and takes no room otherwise."""
    some = Measures(bytes_arrived=56, bytes_returned=50, bytes_lost=34, overruns=3)
    assert "56 bytes arrived, 50 returned by read, 34 lost for want of room" in render_outcome(
        outcome(measures=some, errors={"overrun": 3})
    )
    assert "lost" not in render_outcome(outcome(errors={"overrun": 0}))


def test_what_a_finding_says_is_not_said_again() -> None:
    """An early end, or a broken promise, that is a finding already, is told by its number."""
    text = "open was still running after 1 s"
    found = [
        Finding("read-when-empty", "g.py", 1, 0, "", "read blind"),
        Finding("call-overdue", "g.py", 2, 0, "", f"{text}; it last read telemetry.LSR as 0x60"),
    ]
    promises = [Promise("time", False, text, meaning="in time"), Promise("order", False, "byte 3")]
    shown = render_outcome(outcome(findings=found, promises=promises, ended=text))
    assert shown.count(text) == 1
    assert shown.splitlines()[4] == "         the run ended early, see finding 2"
    assert "broken promise time: in time\n   see finding 2\n" in shown
    assert "\n   byte 3\n" in shown
