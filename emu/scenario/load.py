"""From a scenario or board file to the scenario or board that it describes.

The one idea: one table says which keys there are; what they say together is checked in
`emu.scenario.load_checks`. Everything that is wrong in a file, and in the board and fault files
that it names, is reported at once, each flaw at its own line and column.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from emu.faults.plan import FaultPlan
from emu.line.plan import FarEndPlan
from emu.scenario.file_kind import (
    BOARD_FILE,
    PLAN_FILE,
    SCENARIO_FILE,
    kind_of_file,
    refuse_other_kind,
)
from emu.scenario.load_board import BOARD, Name, make_board
from emu.scenario.load_checks import check_scenario, driven_devices, serial_devices
from emu.scenario.load_data import DATA
from emu.scenario.load_far_end import FAR_END, make_far_end
from emu.scenario.load_faults import FAULTS, make_faults
from emu.scenario.load_several import DRIVERS, check_several, make_drivers
from emu.scenario.load_steps import STEP
from emu.scenario.model import BoardModel, Expectation, Limits, Scenario
from emu.scenario.quantities import LINE, REAL_TIME, SPAN
from emu.scenario.shape import Choice, Items, JsonSchema, Key, Table, Text, Values, Whole
from emu.scenario.source import Node, Notes, compose, neighbour, passing, read_text
from emu.scenario.trade_names import CALLERS
from emu.units import LineSettings

__all__ = [
    "SCENARIO",
    "ScenarioShape",
    "load_any_board",
    "load_board",
    "load_fault_plan",
    "load_scenario",
    "parse_board",
    "parse_scenario",
]

_T = TypeVar("_T")
_COUNTERS = ("overrun", "parity", "framing", "breaks")
_MOST_ERRORS = 10**9
_SEED = Whole(0, 2**63 - 1)


class _BoardShape:
    """Take a board, or the path of a file with one."""

    def read(self, node: Node, notes: Notes) -> BoardModel:
        """Return the board."""
        board = self._board(node, notes)
        notes.trades = tuple(dict.fromkeys(driven_devices(board).values()))
        return board

    def _board(self, node: Node, notes: Notes) -> BoardModel:
        if not isinstance(node.value, str):
            return make_board(BOARD.read(node, notes), notes)
        path = notes.folder / node.value
        inner = notes.of_file(str(path), path.parent)
        if not path.exists():
            raise notes.refuse(
                node, f"board file {node.value!r} does not exist", fix=neighbour(path)
            )
        tree = compose(read_text(path, inner), inner)
        refuse_other_kind(tree, BOARD_FILE, inner, named=(node, notes))
        return make_board(BOARD.read(tree, inner), inner)

    def schema(self) -> JsonSchema:
        """Return the schema of the board or the path."""
        return {"anyOf": [{"type": "string", "minLength": 1}, {"$ref": "#/$defs/board"}]}


class _CallerShape:
    """Take a call that another task may make, of those that drivers of the board have."""

    def read(self, node: Node, notes: Notes) -> str | float:
        """Return its name."""
        return Choice(_callers(notes.trades) or _callers(tuple(CALLERS))).read(node, notes)

    def schema(self) -> JsonSchema:
        """Return the schema of all that there are."""
        return Choice(_callers(tuple(CALLERS))).schema()


def _callers(trades: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(name for trade in trades for name in CALLERS.get(trade, ()))


class _Span:
    """Take a count or an inclusive range of counts such as ``1..3``."""

    def read(self, node: Node, notes: Notes) -> tuple[int, int]:
        """Return the least and the most."""
        if isinstance(node.value, int) and not isinstance(node.value, bool):
            count = Whole(0, _MOST_ERRORS).read(node, notes)
            return count, count
        found = re.fullmatch(r"\s*([0-9]{1,9})\s*\.\.\s*([0-9]{1,9})\s*", str(node.value))
        if found is None or int(found[1]) > int(found[2]):
            raise notes.refuse(
                node, f"{node} is no count of errors", allowed="a number, or a range such as 1..3"
            )
        return int(found[1]), int(found[2])

    def schema(self) -> JsonSchema:
        """Return the schema of the count."""
        pattern = r"^\s*[0-9]{1,9}\s*\.\.\s*[0-9]{1,9}\s*$"
        return {"anyOf": [Whole(0, _MOST_ERRORS).schema(), {"type": "string", "pattern": pattern}]}


_EXPECT = Table(
    "an expectation",
    (
        Key("received", DATA, "all bytes that the driver returned"),
        Key("far_end_received", DATA, "all bytes that the far end heard"),
        Key("errors", Table("counters", tuple(
            Key(name, _Span(), f"how often the driver counted: {name}") for name in _COUNTERS
        )), "what the driver counted"),
    ),
)  # fmt: skip

_LIMITS = Table(
    "limits",
    (
        Key(
            "time",
            SPAN,
            "simulated time after which the run ends; follows from the steps if left out",
        ),
        Key("call", SPAN, "time-out of each call that has none of its own"),
        Key("wall", REAL_TIME, "real time without a bench call after which the driver is stuck"),
    ),
)

SCENARIO = Table(
    "a scenario",
    (
        Key("scenario", Text(), "one line that says what happens", required=True),
        Key("board", _BoardShape(), "path of the board file, or the board itself", required=True),
        Key("seed", _SEED, "seed of everything random"),
        Key("driver", Text(), "path/to/file.py:Class or package.module:Class"),
        Key("drivers", DRIVERS, "several drivers, each by the device that it drives"),
        Key("port", Name(), "name of the serial controller that is driven"),
        Key("line", LINE, "settings of the line, such as 115200 8N1"),
        Key("far_end", FAR_END, "what hangs at the other end of the line"),
        Key("do", Items(STEP), "what the driver is asked to do, in order"),
        Key(
            "callers",
            Items(_CallerShape()),
            "calls that another task may make in the middle of one, wherever emu hunt likes",
        ),
        Key("faults", FAULTS, "what goes wrong: a list, or the path of a file with one"),
        Key("expect", _EXPECT, "what must have come out"),
        Key("limits", _LIMITS, "bounds of the run"),
    ),
)
"""The keys of a scenario file."""


def load_scenario(path: str | Path) -> Scenario:
    """Read a scenario file, and the files that it names.

    Raises:
        InputError: with every flaw found, each at its line and column.
    """
    return _from_file(path, _read_scenario)


def load_board(path: str | Path) -> BoardModel:
    """Read a board file.

    Raises:
        InputError: with every flaw found, each at its line and column.
    """
    return _from_file(path, _read_board)


def load_fault_plan(path: str | Path, board: BoardModel) -> FaultPlan:
    """Read a fault plan for `board`.

    Raises:
        InputError: with every flaw found, each at its line and column.
    """

    def read(node: Node, notes: Notes) -> FaultPlan:
        refuse_other_kind(node, PLAN_FILE, notes)
        return make_faults(FAULTS.read(node, notes), board)

    return _from_file(path, read)


def load_any_board(path: str | Path) -> tuple[BoardModel, bool]:
    """Read the board from a board file, or from a scenario file that has or names one.

    Returns:
        The board, and whether the file is a scenario.

    Raises:
        InputError: with every flaw found, each at its line and column.
    """
    return _from_file(path, _read_any_board)


def parse_scenario(text: str, *, path: str = "scenario", folder: Path | None = None) -> Scenario:
    """Read a scenario from text.

    Args:
        text: what would stand in the file.
        path: what messages call it.
        folder: where paths in it start from, the folder of `path` by default.

    Raises:
        InputError: with every flaw found, each at its line and column.
    """
    return _from_text(text, path, folder, _read_scenario)


def parse_board(text: str, *, path: str = "board", folder: Path | None = None) -> BoardModel:
    """Read a board from text; see `parse_scenario`."""
    return _from_text(text, path, folder, _read_board)


def _from_file(path: str | Path, read: Callable[[Node, Notes], _T]) -> _T:
    file = Path(path)
    notes = Notes(str(path), file.parent)
    return _finish(lambda: read_text(file, notes), read, notes)


def _from_text(text: str, path: str, folder: Path | None, read: Callable[[Node, Notes], _T]) -> _T:
    return _finish(lambda: text, read, Notes(path, folder or Path(path).parent))


def _finish(text: Callable[[], str], read: Callable[[Node, Notes], _T], notes: Notes) -> _T:
    """Return what `read` makes of a text unless a flaw was noted."""
    found: list[_T] = []
    with passing():
        found.append(read(compose(text(), notes), notes))
    notes.finish()
    return found[0]


def _read_board(node: Node, notes: Notes) -> BoardModel:
    refuse_other_kind(node, BOARD_FILE, notes)
    return make_board(BOARD.read(node, notes), notes)


def _read_any_board(node: Node, notes: Notes) -> tuple[BoardModel, bool]:
    """Return the board, and whether it is that of a scenario."""
    if kind_of_file(node) == SCENARIO_FILE:
        return _read_scenario(node, notes).board, True
    return _read_board(node, notes), False


def _read_scenario(node: Node, notes: Notes) -> Scenario:
    """Return the scenario, having noted what is wrong with it."""
    refuse_other_kind(node, SCENARIO_FILE, notes)
    notes.seed = _seed_of(node, notes.seed)
    values = SCENARIO.read(node, notes)
    steps = values.get("do", ())
    drivers = make_drivers(values.get("drivers", {}), notes)
    scenario = Scenario(
        title=values.get("scenario", ""),
        board=values.get("board", BoardModel()),
        port=drivers[0].port if drivers else values.get("port", "") or _only_port(values, notes),
        line=values.get("line", LineSettings(115_200)),
        far_end=make_far_end(values["far_end"], notes) if "far_end" in values else FarEndPlan(),
        steps=tuple(step for step, _ in steps),
        driver=values.get("driver", ""),
        drivers=drivers,
        callers=tuple(dict.fromkeys(values.get("callers", ()))),
        faults=make_faults(values["faults"], values.get("board"))
        if "faults" in values
        else FaultPlan(),
        expect=_expectation(values.get("expect")),
        limits=_limits(values.get("limits")),
        seed=notes.seed,
        path=notes.path,
    )
    check = check_several if "drivers" in values.places else check_scenario
    return check(scenario, values, [places for _, places in steps], notes)


def _seed_of(node: Node, default: int) -> int:
    """Return the seed before anything else is read, since data depends on it."""
    pairs = node.value if node.is_mapping else ()
    found = [value.value for key, value in pairs if key.text == "seed"]
    good = found and isinstance(found[0], int) and not isinstance(found[0], bool)
    return found[0] if good else default


def _only_port(values: Values, notes: Notes) -> str:
    """Return the name of the only serial controller, noting that there is none or a choice."""
    if "board" not in values or not values.places.keys().isdisjoint(("port", "drivers")):
        return ""
    board = values["board"]
    names = serial_devices(board) or list(driven_devices(board))
    if len(names) == 1:
        return names[0]
    if not names and notes.unread:
        return ""
    if not names:
        notes.refuse(values.place("board"), "the board has no serial controller")
    else:
        notes.refuse(
            values.node, f"the board has {len(names)} serial controllers",
            fix=f"add port: one of {', '.join(names)}",
        )  # fmt: skip
    return ""


class ScenarioShape:
    """Take a scenario, or the path of a file with one."""

    def read(self, node: Node, notes: Notes) -> Scenario:
        """Return the scenario."""
        if not isinstance(node.value, str):
            return _read_scenario(node, notes)
        path = notes.folder / node.value
        inner = notes.of_file(str(path), path.parent)
        if not path.exists():
            raise notes.refuse(
                node, f"scenario file {node.value!r} does not exist", fix=neighbour(path)
            )
        return _read_scenario(compose(read_text(path, inner), inner), inner)

    def schema(self) -> JsonSchema:
        """Return the schema of the scenario or the path."""
        return {"anyOf": [{"type": "string", "minLength": 1}, SCENARIO.schema()]}


def _expectation(values: Values | None) -> Expectation:
    if values is None:
        return Expectation()
    errors: Values | dict[str, tuple[int, int]] = values.get("errors", {})
    return Expectation(values.get("received"), values.get("far_end_received"), dict(errors))


def _limits(values: Values | None) -> Limits:
    default = Limits()
    if values is None:
        return default
    return Limits(
        time_ps=values.get("time"),
        call_ps=values.get("call"),
        wall_s=values.get("wall", default.wall_s),
    )
