"""The pytest plugin, used as other people's tests use it: each test here runs a small one inside.

The one idea: the inner tests are run in this process, in a folder of their own, with the drivers of
`drivers_example/` beside them.
"""

from __future__ import annotations

import re
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from emu.cli.main import main
from emu.search.replay import replay
from emu.testing.kept import CaseKeeper
from emu.testing.runs import RunDriver

# What the fixtures load is loaded here, so that each inner run finds it there.
LOADED = (CaseKeeper, RunDriver, replay)

pytest_plugins = ["pytester"]

ROOT = Path(__file__).resolve().parents[2]
SCENARIO = """
scenario: a reading ashore
board: board.yaml
driver: drivers_example/first_try.py:FirstTry
line: 115200 8N1
far_end: echo
do:
  - exchange: {send: "tide", receive: 4}
  - drain
"""
BOARD = """
devices:
  telemetry: {kind: uart16550, at: 0x40001000, irq: 5}
"""
BAD = "drivers_example/first_try.py:FirstTry"
GOOD = "drivers_example/interrupt_driven.py:InterruptDriver"
RACY = "drivers_example/heavy_sleeper.py:HeavySleeper"
ECHO = {"scenario": "an echo", "board": "board.yaml", "far_end": "echo",
        "do": [{"exchange": {"send": "t", "receive": 1}}]}  # fmt: skip

Inner = Callable[..., pytest.RunResult]


@pytest.fixture
def inner(pytester: pytest.Pytester) -> Inner:
    """Return what runs a test module in a folder with a board, a scenario and drivers."""
    (pytester.path / "drivers_example").mkdir()
    for name in ("first_try.py", "heavy_sleeper.py", "interrupt_driven.py"):
        shutil.copy(ROOT / "drivers_example" / name, pytester.path / "drivers_example")
    (pytester.path / "board.yaml").write_text(BOARD, encoding="utf-8")
    (pytester.path / "reading.yaml").write_text(SCENARIO, encoding="utf-8")
    pytester.makeini("[pytest]\n")

    def run(source: str, *options: str) -> pytest.RunResult:
        (pytester.path / "test_gauge.py").write_text(source, encoding="utf-8")
        return pytester.runpytest_inprocess("-q", "-p", "no:benchmark", *options)

    return run


def text_of(result: pytest.RunResult) -> str:
    """Return what an inner run printed on both streams."""
    return "\n".join([*result.outlines, *result.errlines])


# the package


def test_the_plugin_comes_with_the_package() -> None:
    """The package names the plugin in the entry-point group that pytest looks in."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

    assert project["entry-points"]["pytest11"] == {"emu": "emu.testing.plugin"}


def test_marker_and_fixtures_are_explained(inner: Inner) -> None:
    """``--markers``, ``--fixtures`` and ``--help`` say what there is, in a line each."""
    shown = [text_of(inner("", option)) for option in ("--markers", "--fixtures", "--help")]

    assert "@pytest.mark.emu(seed=0, step='line'): for emu_run in this test" in shown[0]
    assert "emu_board [session scope]" in shown[1]
    assert "Run a driver, and fail the test with what it did wrong" in shown[1]
    assert "--emu-cases=DIR" in shown[2]


# boards


BOARDS = {
    "path": '"board.yaml"',
    "scenario": '"reading.yaml"',
    "object": 'pathlib.Path("board.yaml")',
    "text": repr(BOARD),
    "data": repr(yaml.safe_load(BOARD)),
    "model": "BoardModel(devices=(DeviceModel('telemetry', 'uart16550', 0x40001000, irq=5),))",
}


@pytest.mark.parametrize("board", BOARDS.values(), ids=BOARDS)
def test_a_board_comes_from_anything_that_describes_one(inner: Inner, board: str) -> None:
    """A path, a scenario's path, text, plain data and a model all give a board switched on."""
    result = inner(f"""
import pathlib
from emu.scenario.model import BoardModel, DeviceModel

def test_board(emu_board):
    board = emu_board({board})
    io = board.window("telemetry")
    io.write8(7 * io.stride, 0x5A)
    assert board.device("telemetry").peek("SCR") == 0x5A
    assert board.device("telemetry").peek("LSR") == 0x60
    assert emu_board({board}).device("telemetry").peek("SCR") == 0
""")

    result.assert_outcomes(passed=1)


def test_a_bad_board_shows_the_flaws_and_the_line_of_the_test(inner: Inner) -> None:
    """What is wrong with a board is said in full, below the test's own line and nothing else."""
    result = inner('def test_board(emu_board):\n    emu_board({"devises": {}})\n')

    result.assert_outcomes(failed=1)
    shown = text_of(result)
    assert '>       emu_board({"devises": {}})' in shown
    assert "unknown key 'devises' in a board" in shown
    assert "did you mean 'devices'?" in shown
    assert "emu/testing" not in shown
    assert "from_python" not in shown


# runs


SCENARIOS = {
    "path": '"reading.yaml"',
    "object": 'pathlib.Path("reading.yaml")',
    "text": repr(SCENARIO),
    "data": repr(yaml.safe_load(SCENARIO)),
    "model": 'load_scenario("reading.yaml")',
}


@pytest.mark.parametrize("scenario", SCENARIOS.values(), ids=SCENARIOS)
def test_a_scenario_comes_from_anything_that_describes_one(inner: Inner, scenario: str) -> None:
    """A path, text, plain data and a model all run, with the driver that is named."""
    result = inner(f"""
import pathlib
from emu.scenario.load import load_scenario

def test_run(emu_run):
    outcome = emu_run({GOOD!r}, {scenario})
    assert outcome.clean and outcome.measures.bytes_returned == 4
    assert outcome.driver == {GOOD!r}
""")

    result.assert_outcomes(passed=1)


def test_a_failing_run_fails_the_test_with_what_the_driver_did(inner: Inner) -> None:
    """The page of ``emu run`` is shown, and no line of the test, the plugin or pytest."""
    result = inner('def test_run(emu_run):\n    emu_run(None, "reading.yaml")\n')

    result.assert_outcomes(failed=1)
    shown = text_of(result)
    assert "FAILED   1 finding" in shown
    assert re.search(r"1\. drivers_example/first_try\.py:\d+  read-when-empty", shown)
    assert "do   Read RBR once for each LSR with DR set" in shown
    assert "asked for at test_gauge.py:2" in shown
    assert "Traceback" not in shown
    assert "emu_run(None" not in shown
    assert "emu/testing" not in shown


def test_a_failing_run_is_kept_and_replays_exactly(
    inner: Inner, pytester: pytest.Pytester, capsys: pytest.CaptureFixture[str]
) -> None:
    """The case file that is named replays to the picosecond, from the folder that was asked for."""
    result = inner('def test_run(emu_run):\n    emu_run(None, "reading.yaml")\n',
                   "--emu-cases", "kept")  # fmt: skip

    case = pytester.path / "kept" / "test_gauge.py-test_run.yaml"
    assert "Next: emu replay kept/test_gauge.py-test_run.yaml --timeline" in text_of(result)
    assert yaml.safe_load(case.read_text(encoding="utf-8"))["scenario"] == "../reading.yaml"
    capsys.readouterr()
    assert main(["replay", str(case)]) == 1
    assert "replayed exactly: the record is the same" in capsys.readouterr().out


def test_cases_stay_in_the_cache_by_default(inner: Inner, pytester: pytest.Pytester) -> None:
    """Without an option cases go where pytest keeps things from run to run."""
    result = inner('def test_run(emu_run):\n    emu_run(None, "reading.yaml")\n')

    (case,) = (pytester.path / ".pytest_cache").rglob("test_gauge.py-test_run.yaml")
    assert f"emu replay {case.relative_to(pytester.path)}" in text_of(result)


def test_cases_have_a_place_without_a_cache(inner: Inner, pytester: pytest.Pytester) -> None:
    """A run without pytest's cache keeps its cases in a folder beside it."""
    inner('def test_run(emu_run):\n    emu_run(None, "reading.yaml")\n', "-p", "no:cacheprovider")

    assert (pytester.path / ".emu-cases" / "test_gauge.py-test_run.yaml").is_file()


def test_each_test_has_a_case_of_its_own(inner: Inner, pytester: pytest.Pytester) -> None:
    """Tests whose names differ only in signs that no file name should have share no file."""
    inner("""
import pytest

@pytest.mark.parametrize("how", ["a/b", "a:b"])
def test_run(emu_run, how):
    emu_run(None, "reading.yaml")
""", "--emu-cases", "kept")  # fmt: skip

    assert sorted(path.name for path in (pytester.path / "kept").iterdir()) == [
        "test_gauge.py-test_run-a-b-2.yaml", "test_gauge.py-test_run-a-b.yaml",
    ]  # fmt: skip


@pytest.mark.parametrize("scenario", [ECHO, yaml.safe_dump(ECHO)], ids=["data", "text"])
def test_a_scenario_without_a_file_is_kept_in_the_case(
    inner: Inner,
    pytester: pytest.Pytester,
    capsys: pytest.CaptureFixture[str],
    scenario: object,
) -> None:
    """A scenario that stands in the test is written into the case, which replays exactly."""
    expecting = f"emu_run({BAD!r}, {scenario!r})"
    inner(f"def test_run(emu_run):\n    {expecting}\n", "--emu-cases", "kept")

    case = pytester.path / "kept" / "test_gauge.py-test_run.yaml"
    kept = yaml.safe_load(case.read_text(encoding="utf-8"))["scenario"]
    assert kept["do"] == ECHO["do"]
    assert list(kept["board"]["devices"]) == ["telemetry"]
    capsys.readouterr()
    assert main(["replay", str(case)]) == 1
    assert "replayed exactly" in capsys.readouterr().out


def test_an_expectation_that_is_not_met_is_replayed_too(
    inner: Inner, pytester: pytest.Pytester, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a scenario expects beyond the contract fails the test, and its case as well."""
    wrong = {**ECHO, "expect": {"received": "ebb"}}
    result = inner(f"def test_run(emu_run):\n    emu_run({GOOD!r}, {wrong!r})\n",
                   "--emu-cases", "kept")  # fmt: skip

    assert "unmet expectation: read returned b't', expected b'ebb'" in text_of(result)
    capsys.readouterr()
    assert main(["replay", str(pytester.path / "kept" / "test_gauge.py-test_run.yaml")]) == 1
    assert "replayed exactly" in capsys.readouterr().out


DRIVER_IN_TEST = """
from drivers_example.first_try import FirstTry

class Gauge(FirstTry):
    pass

def test_named(emu_run):
    emu_run(Gauge, "reading.yaml")

def test_hidden(emu_run):
    class Hidden(FirstTry):
        pass
    emu_run(Hidden, "reading.yaml")
"""


def test_a_driver_class_is_named_in_the_case_where_it_can_be_found_again(
    inner: Inner, pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A class of a module is found by file and name; one made in a function must be given."""
    monkeypatch.syspath_prepend(ROOT)
    result = inner(DRIVER_IN_TEST, "--emu-cases", "kept")

    named, hidden = (
        yaml.safe_load((pytester.path / "kept" / f"test_gauge.py-test_{one}.yaml").read_text())
        for one in ("named", "hidden")
    )
    assert named["driver"] == "../test_gauge.py:Gauge"
    assert "driver" not in hidden
    assert "test_hidden.yaml --driver FILE.py:CLASS --timeline" in text_of(result)


def test_a_driver_that_cannot_be_imported_fails_the_test_at_its_line(
    inner: Inner, pytester: pytest.Pytester
) -> None:
    """A driver whose code fails is a failure of the driver, shown at its own line."""
    (pytester.path / "gauge.py").write_text("class Gauge:\n    x = 1 / 0\n", encoding="utf-8")
    result = inner('def test_run(emu_run):\n    emu_run("gauge.py:Gauge", "reading.yaml")\n')

    shown = text_of(result)
    assert "gauge.py:2  driver-raised" in shown
    assert "ZeroDivisionError" in shown
    assert "Traceback" not in shown


MISUSES = {
    "driver": ('"drivers_example/first_try.py:FirstTrial", "reading.yaml"', "did you mean"),
    "scenario": (f'{GOOD!r}, "readin.yaml"', "did you mean 'reading.yaml'?"),
    "no driver": (f"None, {ECHO!r}", "the scenario names no driver; give one"),
    "stalls": (f'{GOOD!r}, "reading.yaml", stalls=10', "stalls=10; allowed: 0 to 9"),
    "runs": (f'{GOOD!r}, "reading.yaml", stalls=1, runs=0', "runs=0; allowed: 1 or more"),
    "seed": (f'{GOOD!r}, "reading.yaml", seed=-1', "seed=-1; allowed: 0 to 9223372036854775807"),
    "step": (f'{GOOD!r}, "reading.yaml", step="lines"', "did you mean 'line'?"),
    "both": (f'{GOOD!r}, "reading.yaml", stalls=1, schedule=((),)', "stalls and schedule together"),
}


@pytest.mark.parametrize(("arguments", "said"), MISUSES.values(), ids=MISUSES)
def test_a_wrong_argument_is_refused_at_the_line_of_the_test(
    inner: Inner, arguments: str, said: str
) -> None:
    """A wrong argument is told with what is allowed, below the test's own line."""
    result = inner(f"def test_run(emu_run):\n    emu_run({arguments})\n")

    result.assert_outcomes(failed=1)
    assert said in text_of(result)
    assert ">       emu_run(" in text_of(result)
    assert "emu/testing" not in text_of(result)


# timings


@pytest.mark.slow
def test_stalls_find_a_race_and_name_its_line(
    inner: Inner, pytester: pytest.Pytester, capsys: pytest.CaptureFixture[str]
) -> None:
    """With ``stalls=1`` a driver that is clean on a good day fails at the line of its race."""
    result = inner(f"""
def test_good_day(emu_run):
    assert emu_run({RACY!r}, {ECHO!r}).clean

def test_any_day(emu_run):
    emu_run({RACY!r}, {ECHO!r}, stalls=1, runs=200)
""", "--emu-cases", "kept")  # fmt: skip

    result.assert_outcomes(passed=1, failed=1)
    shown = text_of(result)
    assert re.search(r"1\. drivers_example/heavy_sleeper\.py:\d+  promise time", shown)
    assert re.search(r"when (stall|pause) for \d+ events at heavy_sleeper\.py:\d+", shown)
    assert "case kept/test_gauge.py-test_any_day.yaml" in shown
    capsys.readouterr()
    assert main(["replay", str(pytester.path / "kept/test_gauge.py-test_any_day.yaml")]) == 1
    assert "replayed exactly" in capsys.readouterr().out


SCHEDULE = "(Entry(Point(20, 3), 'stall', 64),)"


def test_a_schedule_is_one_timing(
    inner: Inner, pytester: pytest.Pytester, capsys: pytest.CaptureFixture[str]
) -> None:
    """A given schedule is run as it stands; what fails under it alone names when and where."""
    result = inner(f"""
from emu.search.schedule import Entry, Point

def test_late(emu_run):
    emu_run({RACY!r}, {ECHO!r}, schedule={SCHEDULE})
""", "--emu-cases", "kept")  # fmt: skip

    shown = text_of(result)
    assert "FAILED   the processor late 1 time" in shown
    assert "when stall for 64 events at heavy_sleeper.py" in shown
    capsys.readouterr()
    assert main(["replay", str(pytester.path / "kept/test_gauge.py-test_late.yaml")]) == 1
    assert "replayed exactly" in capsys.readouterr().out


def test_what_fails_with_nobody_late_is_told_without_the_schedule(
    inner: Inner, pytester: pytest.Pytester
) -> None:
    """A failure that needs no timing is shown as one, and its case has no schedule."""
    result = inner(f"""
from emu.search.schedule import Entry, Point

def test_late(emu_run):
    emu_run(None, "reading.yaml", schedule={SCHEDULE})
""", "--emu-cases", "kept")  # fmt: skip

    case = pytester.path / "kept" / "test_gauge.py-test_late.yaml"
    assert "FAILED   1 finding" in text_of(result)
    assert yaml.safe_load(case.read_text(encoding="utf-8"))["schedule"] == []


# the marker


MARKED = """
import pytest

@pytest.mark.emu(seed=3, step="access")
class TestGauge:
    def test_class(self, emu_run):
        assert emu_run({driver!r}, "reading.yaml").seed == 3

    @pytest.mark.emu(seed=4)
    def test_own(self, emu_run):
        assert emu_run({driver!r}, "reading.yaml").seed == 4
        assert emu_run({driver!r}, "reading.yaml", seed=5).seed == 5

    def test_without(self):
        pass

def test_unmarked(emu_run):
    assert emu_run({driver!r}, "reading.yaml").seed == 1

@pytest.mark.emu(step="access", seed=6)
def test_kept(emu_run):
    emu_run(None, "reading.yaml")
"""


def test_the_nearest_marker_sets_seed_and_step(inner: Inner, pytester: pytest.Pytester) -> None:
    """Arguments win over the test's marker, that over its class's, and that over the scenario."""
    result = inner(MARKED.format(driver=GOOD), "--emu-cases", "kept")

    result.assert_outcomes(passed=4, failed=1)
    case = yaml.safe_load((pytester.path / "kept/test_gauge.py-test_kept.yaml").read_text())
    assert (case["seed"], case["step"]) == (6, "access")


REFUSED = {
    "sed=3": "unknown argument 'sed'; allowed: seed, step; did you mean 'seed'?",
    "3": "3 has no name; allowed: seed, step; name it, as in seed=3",
    "seed='3'": "seed is '3' (str); allowed: whole numbers 0 to 9223372036854775807",
    "seed=True": "seed is True (bool); allowed: whole numbers 0 to 9223372036854775807",
    "seed=-1": "seed is -1 (int); allowed: whole numbers 0 to 9223372036854775807",
    "step='lines'": "step is 'lines' (str); allowed: access, line, opcode; did you mean 'line'?",
    "step=2": "step is 2 (int); allowed: access, line, opcode",
}


@pytest.mark.parametrize(("arguments", "said"), REFUSED.items(), ids=REFUSED)
def test_a_marker_with_a_bad_argument_is_an_error(inner: Inner, arguments: str, said: str) -> None:
    """A bad argument ends the run before any test, with its place and what is allowed."""
    result = inner(f"""
import pytest

@pytest.mark.emu({arguments})
def test_run(emu_run):
    print("it was run")
""")

    assert result.ret == pytest.ExitCode.USAGE_ERROR
    shown = text_of(result)
    assert f"test_gauge.py:4: @pytest.mark.emu({arguments}): {said}" in shown
    assert "it was run" not in shown


def test_all_bad_markers_are_told_at_once_and_each_once(inner: Inner) -> None:
    """Every flaw is named in one go, however many tests a marked function makes."""
    result = inner("""
import pytest

@pytest.mark.emu(sed=3, step=1)
@pytest.mark.parametrize("one", [1, 2, 3])
def test_run(emu_run, one):
    pass

@pytest.mark.emu(seed=3)
def test_other():
    pass
""")

    shown = text_of(result).replace("ERROR: ", "").splitlines()
    where = "test_gauge.py:4: @pytest.mark.emu(sed=3, step=1)"
    assert [line.partition(";")[0] for line in shown if "@pytest.mark.emu" in line] == [
        f"{where}: unknown argument 'sed'",
        f"{where}: step is 1 (int)",
        "test_gauge.py:9: @pytest.mark.emu: does nothing",
    ]
    assert "allowed: a test that takes the fixture emu_run" in "\n".join(shown)


# property-based tests


@pytest.mark.slow
def test_fixtures_go_into_property_based_tests(inner: Inner) -> None:
    """Hypothesis takes the fixtures as they are, and its smallest example follows the page."""
    result = inner(f"""
from hypothesis import given, settings, strategies as st

@settings(max_examples=20, derandomize=True, deadline=None, database=None)
@given(st.integers(1, 3))
def test_any_size(emu_run, emu_board, size):
    emu_board("board.yaml")
    emu_run({BAD!r}, {{"scenario": "out", "board": "board.yaml",
                       "do": [{{"send": {{"count": size}}}}, "drain"]}})
""")

    result.assert_outcomes(failed=1)
    shown = text_of(result)
    assert "broken promise drain" in shown
    assert re.search(r"test_any_size\(\n    emu_run=emu_run,\n.*size=1,", shown, re.DOTALL)
    assert "HealthCheck" not in shown
    assert "These lines" not in shown
