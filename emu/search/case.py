"""A case: one failure that replays, in a file that a person can read.

The one idea: a case holds everything that its run depends on, and short hashes of what it cannot
hold: the driver's source and the record. So a replay is either the same to the picosecond or says
what has changed since.
"""

from __future__ import annotations

import hashlib
import inspect
import os
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import yaml

from emu.errors import Flaw, InputError
from emu.faults.plan import FaultPlan
from emu.scenario.driver_set import DriverSet
from emu.scenario.file_kind import CASE_FILE, refuse_other_kind
from emu.scenario.load import ScenarioShape
from emu.scenario.load_faults import FAULTS, make_faults
from emu.scenario.model import BoardModel, Scenario
from emu.scenario.shape import Choice, Items, JsonSchema, Key, Table, Text, Values, Whole
from emu.scenario.source import Node, Notes, compose, passing, read_text, scalar
from emu.search.schedule import KINDS, MANNERS, Entry, Point, Schedule
from emu.search.trial import Failure, Trial

__all__ = ["Case", "case_of", "load_case", "scenario_hash", "source_hash", "write_case"]

_DIGEST_BYTES = 8
_MOST = 10**9
_MOST_EVENTS = 10**6
_LONGEST_TITLE = 160
_BENCH = Path(__file__).resolve().parent.parent


class Case(NamedTuple):
    """One failure.

    Args:
        title: one line that says what goes wrong.
        scenario: what was asked for, seed included.
        driver: the driver's name; ``""`` if it had none that can be found again.
        schedule: when the processor was late.
        manner: what the steps of its points are.
        failure: what failed.
        record: hash of the whole record.
        source: hash of the driver's source.
        asked: hash of the scenario.
    """

    title: str
    scenario: Scenario
    driver: str
    schedule: Schedule
    manner: str
    failure: Failure
    record: str
    source: str
    asked: str


def source_hash(driver: type) -> str:
    """Return the hash of the source of a driver and its base classes, ``""`` if it has none."""
    files: dict[Path, None] = {}
    members = driver.members.values() if issubclass(driver, DriverSet) else [driver]
    for one in (base for member in members for base in member.__mro__):
        with suppress(OSError, TypeError):
            path = Path(inspect.getsourcefile(one) or "").resolve()
            if path.is_file() and not path.is_relative_to(_BENCH):
                files[path] = None
    with suppress(OSError):
        return _hash(b"".join(path.read_bytes() for path in files)) if files else ""
    return ""


def scenario_hash(scenario: Scenario) -> str:
    """Return the hash of what a scenario asks for, wherever its file lies."""
    steps = tuple(replace(step, row=0) for step in scenario.steps)
    faults = FaultPlan.of(replace(one, row=0) for one in scenario.faults)
    drivers = tuple(replace(one, driver="") for one in scenario.drivers)
    bare = replace(scenario, path="", driver="", drivers=drivers, steps=steps, faults=faults)
    return _hash(repr(bare).encode())


def _hash(data: bytes) -> str:
    return hashlib.blake2b(data, digest_size=_DIGEST_BYTES).hexdigest()


def case_of(  # noqa: PLR0917 - the parts of a case
    scenario: Scenario, driver: type, name: str, manner: str, failure: Failure, trial: Trial
) -> Case:
    """Return the case of a trial that was run with its record hashed.

    Args:
        scenario: what was asked for.
        driver: the driver's class.
        name: how it is found again from the case's folder.
        manner: what steps were.
        failure: what failed.
        trial: the run that shows it.
    """
    failure = failure._replace(message=_one_line(failure.message))
    return Case(
        f"{failure.rule}: {failure.message}"[:_LONGEST_TITLE].rstrip(),
        scenario, name, trial.schedule, manner, failure,
        trial.record, source_hash(driver), scenario_hash(scenario),
    )  # fmt: skip


def write_case(
    path: Path,
    case: Case,
    trial: Trial,
    *,
    scenario: str | dict[str, Any],
    faults: str = "",
) -> None:
    """Write a case file.

    Args:
        path: where to.
        case: what to write.
        trial: its run, for the places in the driver.
        scenario: path of the scenario file as the reader of the case is to find it from the case's
            folder, or the scenario itself as it would stand in a file.
        faults: likewise the path of a fault plan that takes the place of the scenario's.

    Raises:
        InputError: the file cannot be written.
    """
    body: dict[str, Any] = {
        "case": case.title,
        "scenario": scenario,
        "faults": faults,
        "driver": case.driver,
        "seed": case.scenario.seed,
        "step": case.manner,
        "schedule": [_entry_as_plain(entry, trial) for entry in case.schedule],
        "failed": {
            "rule": case.failure.rule,
            "file": _near(case.failure.file, path),
            "line": case.failure.line,
            "message": case.failure.message,
        },
        "hashes": {"record": case.record, "driver": case.source, "scenario": case.asked},
    }
    head = "# Replay it with: emu replay " + path.name + "\n"
    text = yaml.dump(
        _without_empty(body), Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=96
    )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(head + text, encoding="utf-8")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise InputError([Flaw(str(path), 0, 0, f"cannot be written: {reason}")]) from error


class _Dumper(yaml.SafeDumper):
    """Write text in quotes wherever it would be read back as something else."""

    def ignore_aliases(self, _data: object) -> bool:
        """Write everything out; a case is read from top to bottom."""
        return True

    def text(self, value: str) -> yaml.ScalarNode:
        """Return the node of a text."""
        style = None if scalar(value, quoted=False) == value else "'"
        return self.represent_scalar("tag:yaml.org,2002:str", value, style=style)


_Dumper.add_representer(str, _Dumper.text)


def _one_line(text: str) -> str:
    """Return text as it may stand in one line of a file."""
    return "".join(one if one.isprintable() else "?" for one in " ".join(text.split()))


def _without_empty(body: dict[str, Any]) -> dict[str, Any]:
    """Return a mapping without what says nothing, in the mappings in it too."""
    kept = {}
    for key, value in body.items():
        inner = _without_empty(value) if key in ("failed", "hashes") else value
        if inner not in ("", None) and (key, inner) != ("line", 0):
            kept[key] = inner
    return kept


def _near(file: str, path: Path) -> str:
    """Return a file as seen from the folder of the case."""
    return _one_line(os.path.relpath(file, path.parent)) if file else ""


def _entry_as_plain(entry: Entry, trial: Trial) -> dict[str, Any]:
    plain: dict[str, Any] = {"do": entry.kind}
    if entry.events:
        plain["events"] = entry.events
    plain["call"] = entry.point.call
    if entry.point.step:
        plain["step"] = entry.point.step
    for acted in trial.acted:
        if acted.entry == entry and acted.place[0]:
            plain["at"] = f"{Path(acted.place[0]).name}:{acted.place[1]}"
    return plain


class _EntryShape:
    """Take an entry of a schedule."""

    def read(self, node: Node, notes: Notes) -> Entry:
        """Return the entry."""
        values = _ENTRY.read(node, notes)
        kind = values.get("do", "")
        if kind in ("stall", "pause") and "events" not in values.places:
            notes.refuse(node, f"a {kind} without 'events'", fix="add events: how many pass")
        elif kind not in ("stall", "pause") and "events" in values.places:
            what = "a spurious interrupt" if kind == "spurious" else f"another task's {kind}"
            notes.refuse(values.place("events"), f"{what} takes no events")
        return Entry(
            Point(values.get("call", 0), values.get("step", 0)), kind, values.get("events", 0)
        )

    def schema(self) -> JsonSchema:
        """Return the schema of an entry."""
        return _ENTRY.schema()


_ENTRY = Table(
    "an entry of a schedule",
    (
        Key("do", Choice(tuple(KINDS)), "what happens", required=True),
        Key("events", Whole(1, _MOST_EVENTS), "hardware events that pass meanwhile"),
        Key("call", Whole(0, _MOST), "number of the bench call", required=True),
        Key(
            "step", Whole(0, _MOST), "lines or opcodes after that call began; before it if left out"
        ),
        Key("at", Text(), "the driver's line there, for the reader"),
    ),
)

_CASE = Table(
    "a case",
    (
        Key("case", Text(), "one line that says what goes wrong", required=True),
        Key("scenario", ScenarioShape(), "what was asked for", required=True),
        Key("faults", FAULTS, "fault plan in place of the scenario's"),
        Key("driver", Text(), "path/to/file.py:Class or package.module:Class"),
        Key("seed", Whole(0, 2**63 - 1), "seed of everything random", required=True),
        Key("step", Choice(MANNERS), "what steps are"),
        Key("schedule", Items(_EntryShape()), "when the processor is late", required=True),
        Key("failed", Table("what failed", (
            Key("rule", Text(), "the rule or promise", required=True),
            Key("file", Text(), "the driver's file"),
            Key("line", Whole(0, _MOST), "the driver's line"),
            Key("message", Text(), "what is wrong"),
        )), "what failed", required=True),
        Key("hashes", Table("hashes", (
            Key("record", Text(), "of everything that happened"),
            Key("driver", Text(), "of the driver's source"),
            Key("scenario", Text(), "of what was asked for"),
        )), "what tells whether something has changed since"),
    ),
)  # fmt: skip


def load_case(path: str | Path) -> Case:
    """Read a case file.

    Raises:
        InputError: with every flaw found, each at its line and column.
    """
    file = Path(path)
    notes = Notes(str(path), file.parent)
    found: list[Case] = []
    with passing():
        node = compose(read_text(file, notes), notes)
        refuse_other_kind(node, CASE_FILE, notes)
        values = _CASE.read(node, notes)
        faults = make_faults(values["faults"], _board_of(values)) if "faults" in values else None
        if not notes.flaws:
            found.append(_case_of(values, faults, notes))
    notes.finish()
    return found[0]


def _board_of(values: Values) -> BoardModel | None:
    scenario: Scenario | None = values.get("scenario")
    return scenario.board if scenario else None


def _case_of(values: Values, faults: FaultPlan | None, notes: Notes) -> Case:
    failed, hashes = values["failed"], values.get("hashes") or {}
    scenario: Scenario = replace(values["scenario"], seed=values["seed"])
    if faults is not None:
        scenario = replace(scenario, faults=faults)
    return Case(
        values["case"],
        scenario,
        values.get("driver", ""),
        tuple(sorted(values["schedule"])),
        values.get("step", "line"),
        Failure(
            failed["rule"],
            os.path.normpath(notes.folder / failed["file"]) if failed.get("file") else "",
            failed.get("line", 0),
            "",
            failed.get("message", ""),
        ),
        hashes.get("record", ""),
        hashes.get("driver", ""),
        hashes.get("scenario", ""),
    )
