"""JSON Schema of the input files, so that editors complete keys and check values.

The one idea: the schema is drawn from the tables that the loader reads by, so a key that one
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

__all__ = ["scenario_schema"]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def scenario_schema() -> JsonSchema:
    """Return the schema of a scenario file, with those of board and fault files as parts of it."""
    parts = {"data": data_schema(), "board": BOARD.schema(), "faults": FAULT_LIST.schema()}
    title = "A scenario: one run of a driver"
    return {"$schema": _DIALECT, "title": title, **SCENARIO.schema(), "$defs": parts}
