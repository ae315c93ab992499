"""The pytest plugin: a board and a run of a driver as fixtures, and the marker `emu`.

The one idea: what pytest must know at its start stands here, and nothing else, so that a test run
that asks for no board pays nothing for the bench. The fixtures are made once a session and know by
themselves which test is running, so they may be used in property-based tests, too.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from emu.testing.marker import Marked
    from emu.testing.runs import GiveBoard, RunDriver

_MARKER = (
    "emu(seed=0, step='line'): for emu_run in this test: the seed of everything random, and "
    "between which steps of the driver the processor may be late: access, line or opcode"
)
_RUNNING = pytest.StashKey[pytest.Item]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option that says where failing runs are kept."""
    parser.getgroup("emu", "runs of drivers on a virtual bench").addoption(
        "--emu-cases",
        metavar="DIR",
        help="Where to keep a case file of each failing run, for emu replay; "
        "in pytest's cache if not given.",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker."""
    config.addinivalue_line("markers", _MARKER)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse markers that say what cannot be, before anything is run."""
    marked = [item for item in items if item.get_closest_marker("emu")]
    if marked:
        from emu.testing.marker import check_markers

        check_markers(marked)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Note which test is running."""
    item.config.stash[_RUNNING] = item


@pytest.fixture(scope="session")
def emu_board(pytestconfig: pytest.Config) -> GiveBoard:
    """Give a board that is switched on: ``emu_board("board.yaml")``, a mapping or a BoardModel.

    A path counts from pytest's root folder, and may be that of a scenario.
    """
    from emu.testing.runs import GiveBoard

    return GiveBoard(pytestconfig.rootpath)


@pytest.fixture(scope="session")
def emu_run(pytestconfig: pytest.Config) -> RunDriver:
    """Run a driver, and fail the test with what it did wrong: ``emu_run(MyDriver, "day.yaml")``.

    ``stalls=1`` tries every timing, with the processor late once in a run. A failing run is kept as
    a case file, whose name is printed.
    """
    from emu.testing.kept import CaseKeeper
    from emu.testing.marker import Marked, marked
    from emu.testing.runs import RunDriver

    def now() -> Marked:
        item = pytestconfig.stash.get(_RUNNING, None)
        return Marked() if item is None else marked(item)

    def test_name() -> str:
        item = pytestconfig.stash.get(_RUNNING, None)
        return "session" if item is None else item.nodeid

    keeper = CaseKeeper(_case_folder(pytestconfig), test_name)
    return RunDriver(pytestconfig.rootpath, now, keeper)


def _case_folder(config: pytest.Config) -> Path:
    """Return the folder for case files: the user's, or one that stays from run to run."""
    chosen: str | None = config.getoption("--emu-cases")
    if chosen is not None:
        return config.invocation_params.dir / chosen
    cache = getattr(config, "cache", None)
    return cache.mkdir("emu-cases") if cache else config.rootpath / ".emu-cases"
