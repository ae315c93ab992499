"""A case replayed: the same run to the picosecond, or what has changed since."""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.report.replay_summary import render_replay, replay_as_json
from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.load import load_scenario
from emu.search.case import case_of, load_case, write_case
from emu.search.replay import Replayed, replay
from emu.search.schedule import Schedule
from emu.search.trial import Trying
from tests.search_bench import at, driver_text

ROOT = Path(__file__).resolve().parents[2]
RUN = f"""
scenario: a short reading
board: {ROOT}/fixtures/tide_gauge.yaml
port: telemetry
line: 115200 8N1
far_end: echo
faults: plan.yaml
do: [open, {{send: ab}}, drain, {{receive: 2}}]
"""
PLAN = "- {kind: flip-on-read, target: telemetry.MSR, probability: 0.5}\n"
SLOPPY = "def drain(self, timeout=None):\n    return True"
LATE = (at(20, events=4), at(33, 2), at(41, kind="pause"))


class Home:
    """A folder with a scenario, a fault plan, a driver and a case of them."""

    def __init__(self, folder: Path, schedule: Schedule = LATE, manner: str = "line") -> None:
        self.scenario, self.plan = folder / "run.yaml", folder / "plan.yaml"
        self.driver, self.case = folder / "gauge.py", folder / "case.yaml"
        self.scenario.write_text(RUN, encoding="utf-8")
        self.plan.write_text(PLAN, encoding="utf-8")
        self.driver.write_text(driver_text(SLOPPY), encoding="utf-8")
        asked = load_scenario(self.scenario)
        trying = Trying(asked, self.loaded(), manner=manner)
        found = trying.run(schedule, records=True)
        failure = found.failures[0]
        case = case_of(asked, self.loaded(), "gauge.py:Gauge", manner, failure, found)
        write_case(self.case, case, found, scenario="run.yaml")

    def loaded(self) -> type:
        """Return the driver's class as it is now."""
        return load_driver(DriverName.parse(f"{self.driver}:Gauge", base=ROOT))

    def replay(self, **more: int) -> Replayed:
        """Replay the case."""
        return replay(load_case(self.case), self.loaded(), **more)

    def change(self, path: Path, old: str, new: str) -> None:
        """Change a file."""
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.mark.parametrize("manner", ["access", "line", "opcode"])
@pytest.mark.parametrize("schedule", [(), LATE, (at(9_999),), (at(1),), (at(0, 3),)])
def test_a_replay_is_exact(tmp_path: Path, schedule: Schedule, manner: str) -> None:
    """Written, read and run again, a case has the same record, whatever its schedule."""
    home = Home(tmp_path, schedule, manner)
    done = home.replay()
    assert (done.exact, done.changes, done.fails) == (True, [], True)
    assert done.same_failure is not None
    assert done.same_failure.rule == done.case.failure.rule


def test_the_recording_is_of_the_same_run(tmp_path: Path) -> None:
    """What is shown event by event is the run that was compared, with the driver's lines."""
    done = Home(tmp_path).replay(events=1000)
    assert done.exact
    assert done.recording is not None
    assert any(event.file.endswith("small_driver.py") for event in done.recording.events)
    assert done.findings == [] or done.findings[0].rule


def test_a_changed_driver_is_said(tmp_path: Path) -> None:
    """A driver that was edited since is named as the reason."""
    home = Home(tmp_path)
    home.change(home.driver, "return True", "return 1 == 1")
    done = home.replay()
    assert done.changes == ["the driver's source has changed since the case was written"]
    assert done.same_failure is not None


def test_a_mended_driver_is_clean(tmp_path: Path) -> None:
    """A driver in which the bug is gone does not fail any more."""
    home = Home(tmp_path)
    home.change(home.driver, "return True", "return super().drain(timeout)")
    done = home.replay()
    assert (done.fails, done.exact, done.same_failure) == (False, False, None)
    assert "it does not fail any more" in render_replay(done, "case.yaml", "gauge.py:Gauge")


@pytest.mark.parametrize(
    ("old", "new"), [("send: ab", "send: ba"), ("echo", "sink"), ("115200 8N1", "57600 8N1")]
)
def test_a_changed_scenario_is_said(tmp_path: Path, old: str, new: str) -> None:
    """A scenario that asks for something else since is named as the reason."""
    home = Home(tmp_path)
    home.change(home.scenario, old, new)
    assert home.replay().changes == ["the scenario has changed since the case was written"]


def test_a_changed_fault_plan_is_said(tmp_path: Path) -> None:
    """A fault plan that the scenario names belongs to it."""
    home = Home(tmp_path)
    home.change(home.plan, "0.5", "0.6")
    assert home.replay().changes == ["the scenario has changed since the case was written"]


def test_comments_and_places_change_nothing(tmp_path: Path) -> None:
    """A scenario with more comments is the same scenario."""
    home = Home(tmp_path)
    home.change(home.scenario, "scenario:", "# a comment\n\nscenario:")
    assert home.replay().exact


def test_entries_that_were_not_reached_are_said(tmp_path: Path) -> None:
    """A schedule that points beyond the end of the run says how much of it was in vain."""
    done = Home(tmp_path, (at(20), at(9_999), at(9_999, 1))).replay()
    assert (done.exact, done.unreached) == (True, 2)
    text = render_replay(done, "case.yaml", "gauge.py:Gauge")
    assert "2 of 3 entries of the schedule had no effect" in text


def test_another_failure_is_told_from_the_same(tmp_path: Path) -> None:
    """A driver that now fails in another way is not said to fail in the same."""
    home = Home(tmp_path)
    home.change(home.driver, "return True", "return 7")
    done = home.replay()
    assert (done.fails, done.same_failure) == (True, None)
    assert "another failure than the case's" in render_replay(done, "case.yaml", "g.py:Gauge")


def test_the_same_bug_on_another_line_is_the_same(tmp_path: Path) -> None:
    """A finding that moved with its line is still the one of the case."""
    body = "def read(self, size, timeout=None):\n    raise LookupError('no')"
    home = Home(tmp_path)
    home.driver.write_text(driver_text(body), encoding="utf-8")
    asked = load_scenario(home.scenario)
    found = Trying(asked, home.loaded()).run(records=True)
    case = case_of(asked, home.loaded(), "gauge.py:Gauge", "line", found.failures[0], found)
    write_case(home.case, case, found, scenario="run.yaml")
    home.driver.write_text("\n\n" + driver_text(body), encoding="utf-8")
    done = home.replay()
    assert done.same_failure is not None
    assert done.same_failure.line == case.failure.line + 2


def test_a_case_without_hashes_is_run_all_the_same(tmp_path: Path) -> None:
    """A case that a person wrote need not have any hashes, and is never called exact."""
    home = Home(tmp_path)
    text = home.case.read_text(encoding="utf-8")
    home.case.write_text(text[: text.index("hashes:")], encoding="utf-8")
    done = home.replay()
    assert (done.exact, done.changes, done.fails) == (False, [], True)


def test_a_record_that_differs_for_no_reason_we_know(tmp_path: Path) -> None:
    """Where driver and scenario are the same, what else may have changed is said."""
    home = Home(tmp_path)
    record = load_case(home.case).record
    home.change(home.case, record, "ab" * 12)
    (change,) = home.replay().changes
    assert change.startswith("neither the driver's source nor the scenario has changed")


def test_a_driver_that_does_not_do_the_same_twice(tmp_path: Path) -> None:
    """A driver that looks at something outside the bench is told as the reason."""
    body = (
        "turns = []\ndef open(self, line):\n    self.turns.append(1)\n"
        "    self._cpu.work(len(self.turns))\n    super().open(line)\n" + SLOPPY
    )
    home = Home(tmp_path)
    home.driver.write_text(driver_text(body), encoding="utf-8")
    asked = load_scenario(home.scenario)
    found = Trying(asked, home.loaded()).run(records=True)
    case = case_of(asked, home.loaded(), "gauge.py:Gauge", "line", found.failures[0], found)
    write_case(home.case, case, found, scenario="run.yaml")
    again = home.loaded()
    replay(load_case(home.case), again)
    (change,) = replay(load_case(home.case), again).changes
    assert change.startswith("the driver does not do the same twice")


def test_the_screen(tmp_path: Path) -> None:
    """The verdict, how exact it is, and each finding are shown in 100 columns."""
    done = Home(tmp_path).replay()
    text = render_replay(done, "x" * 120 + ".yaml", "gauge.py:Gauge", next_step="go " * 50)
    assert "FAILED   replayed exactly: the record is the same to the picosecond\n" in text
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "\nNext: go go" in text


def test_as_json(tmp_path: Path) -> None:
    """As data a replay says the same as on the screen."""
    done = Home(tmp_path).replay()
    plain = replay_as_json(done, "case.yaml", "gauge.py:Gauge")
    assert (plain["verdict"], plain["exact"], plain["same_failure"]) == ("failed", True, True)
    assert (plain["case"], plain["driver"], plain["changes"]) == ("case.yaml", "gauge.py:Gauge", [])
    assert plain["record"] == done.case.record
    assert [one["rule"] for one in plain["failures"]] == [one.rule for one in done.trial.failures]
