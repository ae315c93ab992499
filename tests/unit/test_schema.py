"""The schema that editors use and the loader know the same keys and refuse the same shapes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from emu.devices.shelf import device_kinds, find_device
from emu.faults.kinds import FAULT_KINDS
from emu.line.plan import FAR_ENDS
from emu.scenario.load import SCENARIO
from emu.scenario.load_board import BOARD, DEVICE
from emu.scenario.load_far_end import FAR_END
from emu.scenario.load_faults import FAULT
from emu.scenario.load_trade_steps import TRADE_STEPS
from emu.scenario.model import ACTIONS
from emu.scenario.schema import scenario_schema
from emu.scenario.shape import Tagged
from emu.scenario.source import Notes, Refused, compose, plain, read_text

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
BOARD_FILE = FIXTURES / "tide_gauge.yaml"
SCENARIOS = sorted(path for path in FIXTURES.glob("*.yaml") if path != BOARD_FILE)
BAD = sorted((FIXTURES / "bad").glob("*.yaml"))

WELL_SHAPED = {
    # what only the loader can see: other files, what keys say together, what stands twice
    "beside_nobody", "block_not_there", "board_file_broken", "board_for_a_fault_plan",
    "board_missing", "board_without_devices",
    "cable_to_itself",
    "driver_form", "driver_missing", "duplicate_key", "endless_receive", "errors_backwards",
    "fault_backwards",
    "fault_on_wrong_sort", "fault_plan_broken", "fault_plan_missing", "fault_target",
    "five_bits_two_stops", "impossible_baud", "interrupt_twice", "interrupt_without_device",
    "limit_too_short", "misaligned", "no_serial_port", "outside_the_bus", "overlap",
    "request_without_wire", "scenario_for_a_board", "small_memory",
    "step_by_nobody", "through_what", "through_without_source", "too_much_data", "too_wide",
    "two_ports", "unknown_port",
}  # fmt: skip
OUT_OF_REACH = {
    # quantities whose text has the right form but not a right value; limits of patterns
    "baud_error_too_large", "fault_too_likely", "negative_time", "no_time", "noise_backwards",
    "script_line", "wall_too_short",
    # keys that do nothing beside another's value
    "flow_without_rts",
}  # fmt: skip


def data_of(path: Path) -> Any:
    """Return what a file says, as a validator sees it; None when it is not even YAML."""
    notes = Notes(str(path), path.parent)
    try:
        return json.loads(json.dumps(plain(compose(read_text(path, notes), notes))))
    except Refused:
        return None


def valid(schema: dict[str, Any], data: object) -> bool:
    """Say whether data fits a schema."""
    return bool(Draft202012Validator(schema).is_valid(data))


def part(name: str) -> dict[str, Any]:
    """Return the schema of one part, board or faults, that may be a file of its own."""
    whole = scenario_schema()
    return {"$schema": whole["$schema"], "$ref": f"#/$defs/{name}", "$defs": whole["$defs"]}


@pytest.fixture(scope="module")
def scenario() -> dict[str, Any]:
    """Return the schema of scenarios."""
    return scenario_schema()


@pytest.fixture(scope="module")
def board() -> dict[str, Any]:
    """Return the schema of boards."""
    return part("board")


def test_schema_is_a_schema(scenario: dict[str, Any]) -> None:
    """The schema fits the meta-schema of its own draft, and is plain JSON."""
    Draft202012Validator.check_schema(scenario)
    assert json.loads(json.dumps(scenario)) == scenario


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_scenarios_fit(scenario: dict[str, Any], path: Path) -> None:
    """Every scenario of the project fits the schema."""
    assert not [
        error.message for error in Draft202012Validator(scenario).iter_errors(data_of(path))
    ]


def test_board_and_plan_fit(board: dict[str, Any]) -> None:
    """The board and the fault plan of the project fit their schemas."""
    assert valid(board, data_of(BOARD_FILE))
    assert valid(part("faults"), data_of(FIXTURES / "faults" / "storm.yaml"))


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.stem)
def test_wrong_shapes_do_not_fit(
    scenario: dict[str, Any], board: dict[str, Any], path: Path
) -> None:
    """A faulty input fits neither schema, unless its flaw is one that no schema can see."""
    data = data_of(path)
    fits = data is not None and (valid(board, data) or valid(scenario, data))

    assert fits == (path.stem in WELL_SHAPED | OUT_OF_REACH)


def branches(tagged: Tagged) -> Iterator[tuple[str, set[str]]]:
    """Yield the words of a tagged mapping, each with the keys its branch of the schema has."""
    for one in tagged.schema()["anyOf"]:
        if "properties" in one:
            yield one["properties"][tagged.tag]["enum"][0], set(one["properties"])


@pytest.mark.parametrize(
    ("tagged", "words"),
    [(DEVICE, device_kinds()), (FAULT, FAULT_KINDS), (FAR_END, FAR_ENDS)],
    ids=["devices", "faults", "far ends"],
)
def test_every_kind_has_a_branch_with_the_loaders_keys(tagged: Tagged, words: object) -> None:
    """Each kind of device, fault and far end is in the schema with the keys that are read."""
    found = dict(branches(tagged))

    assert set(found) == set(words)  # type: ignore[call-overload]
    for word, keys in found.items():
        assert keys == {key.name for key in tagged.find(word).keys}


def test_keys_come_from_the_declarations() -> None:
    """The parameters of every device and fault kind are among the keys, with their meaning."""
    for kind in device_kinds():
        names = {key.name: key.meaning for key in DEVICE.find(kind).keys}
        assert all(names[one.name] == one.meaning for one in find_device(kind).PARAMETERS)
    for kind, fault in FAULT_KINDS.items():
        names = {key.name: key.meaning for key in FAULT.find(kind).keys}
        assert all(names[one.name] == one.meaning for one in fault.parameters)


@pytest.mark.parametrize("table", [SCENARIO, BOARD], ids=["scenario", "board"])
def test_top_level_keys_are_the_loaders(table: Any) -> None:
    """The keys of a whole file are the same in the schema and in the loader, each explained."""
    properties = table.schema()["properties"]

    assert set(properties) == {key.name for key in table.keys}
    assert all(one["description"] for one in properties.values())


def test_every_action_is_a_step(scenario: dict[str, Any]) -> None:
    """Each action that a run knows can be written down as a step."""
    steps = scenario["properties"]["do"]["items"]["anyOf"]
    mappings = [one["required"][0] for one in steps if "required" in one]

    others = [action for table in TRADE_STEPS.values() for action in table]
    assert mappings == [*ACTIONS, *others]
