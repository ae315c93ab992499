"""What the fixtures do: give a board, run a driver, and fail with what a person wants to read.

The one idea: a test that fails because of the driver shows the driver's lines and nothing of the
test's insides; a test that asks for something that cannot be shows its own line. Paths count from
pytest's root folder, wherever pytest was started.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import pytest

from emu.errors import AccessError, EmuError, nearest
from emu.kernel.board import Board
from emu.kernel.where import driver_place
from emu.report.hunt_summary import render_found, render_hunt
from emu.report.run_summary import render_outcome, short_path
from emu.scenario.build import build_board
from emu.scenario.driver_set import load_driver_set, names_of_set
from emu.scenario.driver_source import DriverBroken, DriverName, load_driver
from emu.scenario.from_python import board_of, scenario_of
from emu.scenario.load import load_any_board, load_scenario, parse_board, parse_scenario
from emu.scenario.model import BoardModel, Scenario
from emu.scenario.outcome import Outcome
from emu.scenario.trade import trade_of
from emu.search.explore import Plan, leading
from emu.search.hunt import Found, hunt
from emu.search.schedule import MANNERS, Schedule
from emu.search.trial import Trial, Trying
from emu.testing.kept import CaseKeeper, KeptCase, Subject
from emu.testing.marker import LARGEST_SEED, Marked

if TYPE_CHECKING:
    from _pytest.outcomes import Failed
else:
    Failed = pytest.fail.Exception  # its public name, which type checkers do not follow

__all__ = ["DriverFailed", "GiveBoard", "GivenBoard", "GivenScenario", "RunDriver"]

GivenBoard = BoardModel | Mapping[str, Any] | Path | str
GivenScenario = Scenario | Mapping[str, Any] | Path | str

_MOST_STALLS = 9


class DriverFailed(Failed):
    """Fail a test with a page about the driver, without the traceback of the test.

    Args:
        page: what the reader gets to see; notes that others add, as Hypothesis does, follow it.
    """

    def __init__(self, page: str) -> None:
        super().__init__(page, pytrace=False)

    def __str__(self) -> str:
        return "\n".join([str(self.msg), *getattr(self, "__notes__", ())])


class GiveBoard:
    """Give boards; what the fixture ``emu_board`` is.

    Args:
        root: where paths start from.
    """

    def __init__(self, root: Path) -> None:
        self._root = root

    def __call__(self, board: GivenBoard) -> Board:
        """Return a board, switched on.

        Args:
            board: path of a board or scenario file, the text of a board file, what would stand in
                one, or a model.

        Raises:
            InputError: with every flaw found.
            DeclarationError: the parts of a model do not fit together.
        """
        __tracebackhide__ = True
        try:
            made = build_board(self._model(board))
            made.power_on()
        except EmuError as error:
            raise error.with_traceback(None) from None
        return made

    def __repr__(self) -> str:
        return "emu_board"

    def _model(self, board: GivenBoard) -> BoardModel:
        if isinstance(board, BoardModel):
            return board
        if isinstance(board, Mapping):
            return board_of(board, folder=self._root)
        if isinstance(board, str) and "\n" in board:
            return parse_board(board, folder=self._root)
        return load_any_board(short_path(str(self._root / board)))[0]


class RunDriver:
    """Run drivers and fail the test for them; what the fixture ``emu_run`` is.

    Args:
        root: where paths start from.
        marked: tells what the markers of the running test say.
        keeper: keeps failing runs.
    """

    def __init__(self, root: Path, marked: Callable[[], Marked], keeper: CaseKeeper) -> None:
        self._root = root
        self._marked = marked
        self._keeper = keeper
        self._loaded: dict[DriverName, tuple[int, type]] = {}

    def __call__(
        self,
        driver: type | str | None,
        scenario: GivenScenario,
        *,
        stalls: int = 0,
        schedule: Schedule = (),
        spurious: bool = False,
        runs: int = 1000,
        seed: int | None = None,
        step: str | None = None,
    ) -> Outcome:
        """Run a driver as a scenario asks, and fail the test if anything speaks against it.

        Args:
            driver: its class, ``path/to/file.py:Class`` or ``package.module:Class``; None for the
                scenario's own, of which there may be several.
            scenario: path of a scenario file, its text, what would stand in it, or a model.
            stalls: after the run, try every timing with the processor late up to so often, 0 to 9;
                what a scenario expects beyond the contract is not asked of those runs.
            schedule: when the processor is late in the one run; not together with `stalls`.
            spurious: with `stalls`, let interrupts come for nothing, too.
            runs: with `stalls`, how many runs at most.
            seed: of everything random; the marker's or the scenario's if None.
            step: what steps of the driver are, ``access``, ``line`` or ``opcode``; the marker's if
                None.

        Returns:
            What came of the run, without those of `stalls`.

        Raises:
            DriverFailed: something speaks against the driver.
            InputError: the scenario or the driver's name is wrong, with every flaw found.
            AccessError: another argument is.
        """
        __tracebackhide__ = True
        marked = self._marked()
        manner = marked.step if step is None else step
        seed = marked.seed if seed is None else seed
        with _unfollowed():
            try:
                _check(stalls, schedule, runs, seed, manner)
                model = self._model(scenario)
                model = model if seed is None else replace(model, seed=seed)
                subject = self._subject(driver, model, manner)
                plan = Plan(stalls, manner, spurious, most=runs, seed=model.seed)
                return self._judge(subject, schedule, plan)
            except EmuError as error:
                raise error.with_traceback(None) from None

    def __repr__(self) -> str:
        return "emu_run"

    # what is asked for

    def _model(self, scenario: GivenScenario) -> Scenario:
        if isinstance(scenario, Scenario):
            return scenario
        path = short_path(str(self._root / "scenario"))
        if isinstance(scenario, Mapping):
            return scenario_of(scenario, path=path, folder=self._root)
        if isinstance(scenario, str) and "\n" in scenario:
            return parse_scenario(scenario, path=path, folder=self._root)
        return load_scenario(short_path(str(self._root / scenario)))

    def _subject(self, driver: type | str | None, model: Scenario, manner: str) -> Subject:
        __tracebackhide__ = True
        if model.drivers:
            return self._several(driver, model, manner)
        if isinstance(driver, type):
            return Subject(model, driver, driver.__qualname__, manner)
        text = driver or model.driver
        if not text:
            raise AccessError("the scenario names no driver", where="emu_run", fix="give one")
        base = self._root if driver else Path(model.path).parent
        name = DriverName.parse(text, base=base)
        shown = f"{short_path(name.module)}:{name.class_name}"
        methods = trade_of(model.board, model.port).methods
        with _broken_told(shown):
            return Subject(model, self._load(name, methods), shown, manner)

    def _several(self, driver: type | str | None, model: Scenario, manner: str) -> Subject:
        """Return what is run where the scenario names several drivers."""
        __tracebackhide__ = True
        if driver is not None:
            raise AccessError(
                "a driver beside those that the scenario names", where="emu_run", fix="give None"
            )
        with _broken_told(model.path):
            return Subject(model, load_driver_set(model), names_of_set(model), manner)

    def _load(self, name: DriverName, methods: tuple[str, ...]) -> type:
        """Return the class of a driver, read once as long as its file stays as it is."""
        seen = Path(name.module).stat().st_mtime_ns if name.is_file else 0
        known = self._loaded.get(name)
        if known is None or known[0] != seen:
            known = self._loaded[name] = seen, load_driver(name, methods)
        return known[1]

    # what comes of it

    def _judge(self, subject: Subject, schedule: Schedule, plan: Plan) -> Outcome:
        __tracebackhide__ = True
        outcome = self._run(subject, schedule)
        if plan.entries:
            self._hunt(subject, plan)
        return outcome

    def _run(self, subject: Subject, schedule: Schedule) -> Outcome:
        __tracebackhide__ = True
        trying = Trying(subject.scenario, subject.driver, manner=subject.manner)
        trial = trying.run(schedule, expects=not schedule)
        if schedule and trial.failures:
            self._run(subject, ())  # what fails with nobody late is told without a schedule
            case = self._keeper.keep(subject, leading(trial)[0], schedule)
            _fail(_under(subject, trial, case), case)
        outcome = trying.outcome
        assert outcome is not None
        outcome.driver = subject.name
        if trial.failures:
            case = self._keeper.keep(subject, leading(trial)[0], ())
            _fail(render_outcome(outcome), case)
        return outcome

    def _hunt(self, subject: Subject, plan: Plan) -> None:
        __tracebackhide__ = True
        hunted = hunt(subject.scenario, subject.driver, plan)
        if hunted.interrupted:
            raise KeyboardInterrupt
        if hunted.found:
            cases = [
                self._keeper.keep(subject, found.failure, found.trial.schedule, number)
                for number, found in enumerate(hunted.found, 1)
            ]
            paths = [one.path for one in cases]
            _fail(render_hunt(hunted, subject.scenario.title, subject.name, paths), cases[0])


@contextmanager
def _broken_told(shown: str) -> Iterator[None]:
    """Fail the test at the line at which the code of a driver fails when it is loaded."""
    __tracebackhide__ = True
    try:
        yield
    except DriverBroken as broken:
        file, line = broken.place
        place = f"{short_path(file)}:{line}" if line else shown
        raise DriverFailed(f"{place}  {broken.rule}\n   {broken.message}") from None


@contextmanager
def _unfollowed() -> Iterator[None]:
    """Keep Hypothesis from following every line of the bench, which takes ten times the run.

    It follows a test to tell which of its lines matter; those of the bench never do.
    """
    tracer = sys.gettrace()
    if not str(getattr(tracer, "__module__", "")).startswith("hypothesis."):
        yield
        return
    sys.settrace(None)
    try:
        yield
    finally:
        sys.settrace(tracer)


def _check(stalls: int, schedule: Schedule, runs: int, seed: int | None, manner: str) -> None:
    """Refuse arguments that cannot be."""
    where = "emu_run"
    if type(stalls) is not int or not 0 <= stalls <= _MOST_STALLS:
        raise AccessError(f"stalls={stalls!r}", where=where, allowed=f"0 to {_MOST_STALLS}")
    if stalls and schedule:
        fix = "a schedule is one timing, stalls are all of them"
        raise AccessError("stalls and schedule together", where=where, fix=fix)
    if type(runs) is not int or runs < 1:
        raise AccessError(f"runs={runs!r}", where=where, allowed="1 or more")
    if seed is not None and (type(seed) is not int or not 0 <= seed <= LARGEST_SEED):
        raise AccessError(f"seed={seed!r}", where=where, allowed=f"0 to {LARGEST_SEED}")
    if manner not in MANNERS:
        fix = nearest(str(manner), MANNERS)
        fix = fix if fix.startswith("did") else ""
        raise AccessError(f"step={manner!r}", where=where, allowed=", ".join(MANNERS), fix=fix)


def _under(subject: Subject, trial: Trial, case: KeptCase) -> str:
    """Return what a run under a schedule showed."""
    count = len(trial.schedule)
    late = f"the processor late {count} {'time' if count == 1 else 'times'}"
    lines = [subject.scenario.title, f"driver {short_path(subject.name)}", "", f"FAILED   {late}"]
    for number, failure in enumerate(leading(trial), 1):
        found = Found(failure, trial, subject.scenario)
        lines += ["", *render_found(found, number, "")]
    return "\n".join([*lines, f"   case {short_path(case.path)}"]) + "\n"


def _fail(shown: str, case: KeptCase) -> NoReturn:
    """Fail the test with a page, where the failing run is kept, and who asked for it."""
    __tracebackhide__ = True
    file, line = driver_place()
    driver = "" if case.finds_driver else " --driver FILE.py:CLASS"
    raise DriverFailed(
        f"{shown}\nNext: emu replay {short_path(case.path)}{driver} --timeline\n"
        f"      shows what led to it; asked for at {short_path(file)}:{line}"
    )
