"""JSON Schemas of the input files, so that editors complete keys and check values.

The one idea: the schemas are drawn from the tables that the loader reads by, so a key that one
knows the other knows too. What only the loader can check, such as addresses that overlap or a file
that does not exist, is left out.

Source: JSON Schema, draft 2020-12.
"""

from __future__ import annotations

from emu.scenario.load import SCENARIO
from emu.scenario.load_board import BOARD
from emu.scenario.load_data import data_schema
from emu.scenario.load_faults import FAULT_LIST
from emu.scenario.shape import JsonSchema

__all__ = ["board_schema", "faults_schema", "scenario_schema"]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def scenario_schema() -> JsonSchema:
    """Return the schema of a scenario file."""
    return _document("A scenario: one run of a driver", SCENARIO.schema())


def board_schema() -> JsonSchema:
    """Return the schema of a board file."""
    return _document("A board: a processor, a bus and the devices on it", {"$ref": "#/$defs/board"})


def faults_schema() -> JsonSchema:
    """Return the schema of a file with faults."""
    return _document("What goes wrong on purpose", {"$ref": "#/$defs/faults"})


def _document(title: str, content: JsonSchema) -> JsonSchema:
    """Return a whole schema, with the parts that others refer to."""
    parts = {"data": data_schema(), "board": BOARD.schema(), "faults": FAULT_LIST.schema()}
    return {"$schema": _DIALECT, "title": title, **content, "$defs": parts}
