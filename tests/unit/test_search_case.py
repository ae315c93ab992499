"""Cases in files: what is written is read back the same, and whatever is wrong with one is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.load import load_fault_plan, load_scenario
from emu.search.case import Case, case_of, load_case, scenario_hash, source_hash, write_case
from emu.search.case_files import Tried, as_seen_from, check_place, numbered, write_cases
from emu.search.hunt import Found
from emu.search.schedule import Schedule
from emu.search.suite import suite
from emu.search.trial import Failure, Trying
from tests.search_bench import BOARD, HastySender, SteadySender, at, driver_text, failing, trial

ROOT = Path(__file__).resolve().parents[2]
QUIET = ROOT / "fixtures/quiet.yaml"
POLLED = ROOT / "drivers_example/polled.py"
SCHEDULE = (at(2, events=4), at(7, 3, "pause", 64), at(9, kind="spurious"))


def written(folder: Path, schedule: Schedule = SCHEDULE, manner: str = "line") -> tuple[Path, Case]:
    """Write a case of a fixture into a folder and return both."""
    asked = load_scenario(QUIET)
    found = Trying(asked, SteadySender, manner=manner).run(schedule, records=True)
    name = "tests.small_driver:SteadySender"
    case = case_of(asked, SteadySender, name, manner, failing("stale", 3), found)
    path = folder / "case.yaml"
    write_case(path, case, found, scenario=str(QUIET))
    return path, case


@pytest.mark.parametrize("manner", ["access", "line", "opcode"])
def test_a_case_is_read_as_it_was_written(tmp_path: Path, manner: str) -> None:
    """Title, driver, schedule, manner, failure and hashes come back as they were."""
    path, case = written(tmp_path, manner=manner)
    found = load_case(path)
    assert scenario_hash(found.scenario) == case.asked
    expected = case.failure._replace(file=str(tmp_path / "gauge.py"))
    assert found._replace(scenario=case.scenario, failure=expected) == case._replace(
        failure=expected
    )
    assert Path(found.failure.file).name == case.failure.file
    assert (found.failure.rule, found.failure.line) == ("stale", 3)


def test_a_case_says_where_the_processor_was_late(tmp_path: Path) -> None:
    """Each entry that acted stands with the driver's line, for whoever reads the file."""
    path, _ = written(tmp_path)
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# Replay it with: emu replay case.yaml\n")
    assert text.count("at: small_driver.py:") == 3


def test_a_case_of_the_undisturbed_run(tmp_path: Path) -> None:
    """A case needs no schedule."""
    path, case = written(tmp_path, ())
    assert load_case(path).schedule == case.schedule == ()


@pytest.mark.parametrize(
    "text",
    [
        "1e3", "12345678901234e5", "0812345678901234", "0x10", "~", "null", "true", "No", "1:30",
        ".5", "- a", "a: b", "#", "it's", '"', "täglich", "{x}", "*a", "&a", "!t", "%", "@", "`",
        "1_000", "+7", "a #b", "'", "=", "<<", "?", "|", ">",
    ],
)  # fmt: skip
def test_text_that_looks_like_something_else(tmp_path: Path, text: str) -> None:
    """Whatever a hash, a name or a message looks like, it is read as the text it was."""
    path, case = written(tmp_path, ())
    odd = case._replace(
        title=text, driver=text, record=text, source=text, asked=text,
        failure=Failure(text, "", 0, "", text),
    )  # fmt: skip
    write_case(path, odd, trial(), scenario=str(QUIET))
    assert load_case(path)._replace(scenario=case.scenario) == odd


@pytest.mark.parametrize(
    "message", ["two\nlines", "a\x1b[31mred", "\t tab ", "x" * 400, "", "\x85"]
)
def test_messages_of_any_kind(tmp_path: Path, message: str) -> None:
    """A message with line breaks or control characters makes a file that can be read."""
    asked = load_scenario(QUIET)
    found = trial((), failing()._replace(message=message))
    case = case_of(asked, SteadySender, "", "line", found.failures[0], found)
    path = tmp_path / "case.yaml"
    write_case(path, case, found, scenario=str(QUIET))
    read = load_case(path)
    assert read.failure.message == case.failure.message
    assert len(read.title) <= 160


def test_a_scenario_may_stand_in_the_case(tmp_path: Path) -> None:
    """Every scenario that a driver is checked with can stand in a case and is the same there."""
    for number, bout in enumerate(suite()):
        asked = bout.scenario()
        case = case_of(asked, SteadySender, "", "line", failing(), trial())
        path = tmp_path / f"{number}.yaml"
        write_case(path, case, trial(), scenario=bout.body)
        found = load_case(path)
        assert scenario_hash(found.scenario) == case.asked
        assert found.scenario.seed == asked.seed


def test_a_fault_plan_takes_the_place_of_the_scenarios(tmp_path: Path) -> None:
    """A case that was made with a fault plan of its own names it."""
    plan = ROOT / "fixtures/faults/storm.yaml"
    asked = load_scenario(QUIET)
    faults = load_fault_plan(plan, asked.board)
    found = Found(failing(), trial(), replace(asked, faults=faults))
    tried = Tried(SteadySender, "", Path.cwd(), faults=str(plan))
    (path,) = write_cases(tried, [(tmp_path / "deep/case.yaml", found)], lambda _: QUIET)
    case = load_case(path)
    assert list(case.scenario.faults) == list(faults)
    assert case.asked == scenario_hash(case.scenario)


# what a hash is of


def test_the_hash_of_a_scenario_is_that_of_what_it_asks_for(tmp_path: Path) -> None:
    """Where a file lies, its comments and its driver do not matter; seed and steps do."""
    asked = load_scenario(QUIET)
    text = QUIET.read_text(encoding="utf-8").replace("board: tide", f"board: {QUIET.parent}/tide")
    text = text.replace("../drivers_example/interrupt_driven.py:Interrupt", f"{POLLED}:Polled")
    other = tmp_path / "moved.yaml"
    other.write_text("# moved\n\n" + text, encoding="utf-8")
    assert scenario_hash(load_scenario(other)) == scenario_hash(asked)
    for old, new in (("  - drain\n", ""), ("115200", "9600"), ("sink", "echo")):
        assert old in text
        other.write_text(text.replace(old, new), encoding="utf-8")
        assert scenario_hash(load_scenario(other)) != scenario_hash(asked)


def loaded(path: Path, text: str, name: str = "Gauge") -> type:
    """Write a driver file and return its class."""
    path.write_text(text, encoding="utf-8")
    return load_driver(DriverName.parse(f"{path}:{name}", base=path.parent))


def test_the_hash_of_a_driver_is_that_of_its_source(tmp_path: Path) -> None:
    """Each change of the file changes the hash; the same text elsewhere has the same."""
    one = source_hash(loaded(tmp_path / "one.py", driver_text()))
    assert source_hash(loaded(tmp_path / "two.py", driver_text())) == one
    assert source_hash(loaded(tmp_path / "two.py", driver_text() + "# more\n")) != one


def test_a_base_class_in_another_file_counts(tmp_path: Path) -> None:
    """A driver that is built on another is changed when that is changed."""
    base = tmp_path / "tide_base.py"
    text = "from tide_base import Base\n\n\nclass Gauge(Base):\n    pass\n"
    base.write_text(driver_text().replace("Gauge", "Base"), encoding="utf-8")
    driver = loaded(tmp_path / "one.py", text)
    before = source_hash(driver)
    base.write_text(base.read_text(encoding="utf-8") + "# more\n", encoding="utf-8")
    assert source_hash(driver) != before


def test_a_driver_without_a_source_has_no_hash() -> None:
    """A class that was made in a session has no file, and that is no error."""
    assert source_hash(type("Made", (), {"__module__": "nowhere"})) == ""


# where files go


def test_names_are_seen_from_the_folder_of_the_case(tmp_path: Path) -> None:
    """A driver's file is found from where the case lies; a module needs no path."""
    here = tmp_path / "a/b"
    assert as_seen_from(here, "../gauge.py:Gauge", tmp_path / "c") == "../../gauge.py:Gauge"
    assert as_seen_from(here, f"{POLLED}:P", here).endswith("drivers_example/polled.py:P")
    assert as_seen_from(here, "package.module:Gauge", tmp_path) == "package.module:Gauge"
    assert as_seen_from(here, "", tmp_path) == ""


def test_several_cases_are_numbered() -> None:
    """The first case has the name that was asked for, the others a number beside it."""
    assert numbered(Path("x/case.yaml"), 3) == [
        Path("x/case.yaml"), Path("x/case_2.yaml"), Path("x/case_3.yaml"),
    ]  # fmt: skip
    assert numbered(Path("case.yaml"), 0) == []


def test_a_place_is_looked_at_beforehand(tmp_path: Path) -> None:
    """A folder is made if it is missing; a file in its way, or a folder, is refused."""
    check_place(tmp_path / "new/case.yaml")
    assert (tmp_path / "new").is_dir()
    check_place(tmp_path / "cases", folder=True)
    assert (tmp_path / "cases").is_dir()
    (tmp_path / "file").write_text("", encoding="utf-8")
    for path, folder in ((tmp_path / "file/x.yaml", False), (tmp_path / "file", True),
                         (tmp_path / "new", False)):  # fmt: skip
        with pytest.raises(InputError, match="cannot be written"):
            check_place(path, folder=folder)


def test_a_case_that_cannot_be_written(tmp_path: Path) -> None:
    """A case that finds no place is an error of ours, with the path."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    case = case_of(load_scenario(QUIET), HastySender, "", "line", failing(), trial())
    with pytest.raises(InputError, match=r"file/case.yaml: cannot be written"):
        write_case(tmp_path / "file/case.yaml", case, trial(), scenario="x")


# bad files

GOOD = f"""case: it went wrong
scenario:
  scenario: a short reading
  board:{BOARD.replace(chr(10), chr(10) + "  ").rstrip()}
driver: gauge.py:Gauge
seed: 3
step: line
schedule:
  - {{do: stall, events: 4, call: 12, step: 1, at: "gauge.py:7"}}
failed: {{rule: stale, file: gauge.py, line: 7, message: it went wrong}}
hashes: {{record: 00ff, driver: 11ff, scenario: 22ff}}
"""
ENTRY = '{do: stall, events: 4, call: 12, step: 1, at: "gauge.py:7"}'


def test_the_good_one(tmp_path: Path) -> None:
    """The file that the bad ones are made of is good."""
    (tmp_path / "good.yaml").write_text(GOOD, encoding="utf-8")
    case = load_case(tmp_path / "good.yaml")
    assert case.schedule == (at(12, 1, events=4),)
    assert case.scenario.seed == 3
    assert case.failure.file == str(tmp_path / "gauge.py")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("seed: 3", "sead: 3", [":9:1: unknown key 'sead'", ":1:1: a case without 'seed'"]),
        ("seed: 3", "seed: -1", [":9:7: -1 (int) is out of range"]),
        ("seed: 3", "seed: many", [":9:7: 'many' (str) is not a whole number"]),
        ("step: line", "step: word", [":10:7: 'word' (str) is not one of", "access, line, opcode"]),
        ("do: stall", "do: stal", [":12:10: 'stal' (str) is not one of the choices", "'stall'"]),
        ("do: stall, ", "", [":12:5: an entry of a schedule without 'do'"]),
        ("events: 4, ", "", [":12:5: a stall without 'events'; add events"]),
        ("events: 4", "events: 0", [":12:25: 0 (int) is out of range; allowed: 1 to 1000000"]),
        ("events: 4", "events: 1000001", [":12:25: 1000001 (int) is out of range"]),
        ("do: stall", "do: spurious", ["a spurious interrupt takes no events"]),
        ("call: 12", "call: -1", ["-1 (int) is out of range; allowed: 0 to"]),
        ("call: 12", "call: 1.5", ["1.5 (float) is not a whole number"]),
        ("call: 12, ", "", [":12:5: an entry of a schedule without 'call'"]),
        ('at: "', 'near: "', ["unknown key 'near' in an entry of a schedule"]),
        (f"schedule:\n  - {ENTRY}", "schedule: 7", [":11:11: 7 (int) where a list belongs"]),
        (ENTRY, "stall", [":12:5: 'stall' (str) where an entry of a schedule belongs"]),
        ("failed: {rule: stale", "failed: {rul: stale", [":13:10: unknown key 'rul' in what failed",
                                                         ":13:9: what failed without 'rule'"]),
        ("line: 7", "line: seven", ["'seven' (str) is not a whole number"]),
        ("record: 00ff", "record: 12", [":14:18: 12 (int) where text belongs"]),
        ("hashes: {", "hashes: {more: x, ", [":14:10: unknown key 'more' in hashes"]),
        ("  board:", "  bord:", [":4:3: unknown key 'bord' in a scenario"]),
        ("kind: uart16550", "kind: uart", ["'uart'"]),
        ("driver: gauge.py:Gauge", "driver: {}", [":8:9: a mapping where text belongs"]),
    ],
)  # fmt: skip
def test_a_bad_case(tmp_path: Path, old: str, new: str, said: list[str]) -> None:
    """Each flaw of a case is told with file, line and column, and what is allowed."""
    assert GOOD.count(old) == 1
    path = tmp_path / "bad.yaml"
    path.write_text(GOOD.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_case(path)
    message = str(caught.value)
    assert all(one in message for one in said), message
    assert message.startswith(f"{path}:")


def test_all_flaws_are_told_at_once(tmp_path: Path) -> None:
    """A case with several flaws is refused once, with all of them in the order of the file."""
    path = tmp_path / "bad.yaml"
    bad = GOOD.replace("seed: 3", "seed: x").replace("do: stall", "do: wait")
    path.write_text(bad.replace("hashes", "hash").replace("scenario:\n  s", "scenario:\n  x"))
    with pytest.raises(InputError) as caught:
        load_case(path)
    lines = [flaw.line for flaw in caught.value.flaws]
    assert len(lines) >= 4
    assert lines == sorted(lines)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("- 1\n- 2\n", "a list where a case belongs"),
        ("case: [", "is not YAML"),
        ("case: x\nscenario: nowhere.yaml\nseed: 1\nschedule: []\nfailed: {rule: x}\n",
         ":2:11: scenario file 'nowhere.yaml' does not exist"),
        ("case: x\nscenario: case.yaml\nseed: 1\nschedule: []\nfailed: {rule: x}\n",
         "this is a case, not a scenario"),
        ("case: x\nscenario: x.yaml\nfaults: none.yaml\nseed: 1\nschedule: []\nfailed: {rule: x}\n",
         ":3:9: fault plan 'none.yaml' does not exist"),
        ("case: !!python/object:os.system x\n", "tag"),
        ("scenario: a\nboard: b\n", "this is a scenario, not a case; 'emu run "),
        ("devices: {}\n", "this is a board, not a case; 'emu map "),
        ("- {kind: overrun, target: x}\n", "this is a fault plan, not a case"),
        ("case: " + "[" * 60 + "]" * 60, "nested too deeply"),
        ("case: " + "x" * (1 << 20), "is larger than 1 MiB"),
    ],
    ids=lambda text: text[:20],
)  # fmt: skip
def test_what_is_no_case(tmp_path: Path, text: str, said: str) -> None:
    """A file of another kind, a broken one and a huge one are told as what they are."""
    path = tmp_path / "case.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_case(path)
    assert said in str(caught.value)


def test_a_case_that_is_not_there(tmp_path: Path) -> None:
    """A missing case is told with the one that may have been meant."""
    written(tmp_path)
    with pytest.raises(InputError, match=r"no such file; did you mean 'case\.yaml'"):
        load_case(tmp_path / "cas.yaml")


def test_flaws_of_the_scenario_are_told_in_its_own_file(tmp_path: Path) -> None:
    """A case whose scenario is broken leads to the scenario's line."""
    (tmp_path / "run.yaml").write_text("scenario: x\nboard: none.yaml\n", encoding="utf-8")
    path = tmp_path / "case.yaml"
    path.write_text("case: x\nscenario: run.yaml\nseed: 1\nschedule: []\nfailed: {rule: x}\n")
    with pytest.raises(InputError, match=r"run.yaml:2:8: board file 'none.yaml' does not exist"):
        load_case(path)
