"""Data that a scenario sends or expects: text, hexadecimal, counting, random or repeated bytes.

The one idea: five spellings, one kind of value, `bytes`. Text is UTF-8. Random data comes from the
seed of the scenario and its own size alone, so that what is sent and what is expected back can be
written the same way.
"""

from __future__ import annotations

import random

from emu.scenario.shape import JsonSchema, Key, Table, Values, Whole
from emu.scenario.source import Node, Notes, Refused

__all__ = ["DATA", "MOST_BYTES", "data_schema"]

MOST_BYTES = 1 << 20
_SPELLINGS = "text, {hex: 01 ff}, {count: 64}, {random: 200} or {repeat: DATA, times: 10}"
_SIZE = Whole(0, MOST_BYTES)


class _Hexadecimal:
    """Take bytes as pairs of hexadecimal digits."""

    def read(self, node: Node, notes: Notes) -> bytes:
        """Return the bytes."""
        if isinstance(node.value, (str, int)) and not isinstance(node.value, bool):
            try:
                return bytes.fromhex(node.text)
            except ValueError:
                pass
        raise notes.refuse(
            node, f"{node} is not hexadecimal data", allowed="pairs of digits, such as 0d 0a"
        )

    def schema(self) -> JsonSchema:
        """Return the schema of the digits; without letters and spaces they look like a number."""
        return {
            "anyOf": [
                {"type": "string", "pattern": r"^(\s*[0-9a-fA-F]{2})*\s*$"},
                {"type": "integer", "minimum": 0},
            ]
        }


class _DataShape:
    """Take data in any of its spellings."""

    def read(self, node: Node, notes: Notes) -> bytes:
        """Return the bytes."""
        if isinstance(node.value, str):
            return node.value.encode()
        if not node.is_mapping:
            fix = f"write text in quotes: {node.text!r}" if node.text else ""
            raise notes.refuse(node, f"{node} where data belongs", allowed=_SPELLINGS, fix=fix)
        for key, table in _TABLES.items():
            if any(one.text == key for one, _ in node.value):
                return _expand(table.read(node, notes), notes)
        raise notes.refuse(node, "no kind of data", allowed=_SPELLINGS)

    def schema(self) -> JsonSchema:
        """Return a reference to the schema, which contains itself."""
        return {"$ref": "#/$defs/data"}


DATA = _DataShape()

_TABLES = {
    "hex": Table(
        "data", (Key("hex", _Hexadecimal(), "pairs of hexadecimal digits", required=True),)
    ),
    "count": Table(
        "data", (Key("count", _SIZE, "bytes that count up from 0, modulo 256", required=True),)
    ),
    "random": Table(
        "data", (Key("random", _SIZE, "random bytes, the same for the same seed", required=True),)
    ),
    "repeat": Table(
        "data",
        (
            Key("repeat", DATA, "data to repeat", required=True),
            Key("times", _SIZE, "how often it stands there", required=True),
        ),
    ),
}


def data_schema() -> JsonSchema:
    """Return the schema that `DATA` refers to."""
    return {"anyOf": [{"type": "string"}, *(table.schema() for table in _TABLES.values())]}


def _expand(values: Values, notes: Notes) -> bytes:
    """Return the bytes that a mapping stands for."""
    if "hex" in values:
        return bytes(values["hex"])
    if "count" in values:
        return bytes(index & 0xFF for index in range(values["count"]))
    if "random" in values:
        return random.Random(f"data {notes.seed}").randbytes(values["random"])
    if "repeat" not in values or "times" not in values:
        raise Refused
    size = len(values["repeat"]) * values["times"]
    if size > MOST_BYTES:
        raise notes.refuse(
            values.place("times"), f"{size} bytes of data", allowed=f"0 to {MOST_BYTES} bytes"
        )
    return bytes(values["repeat"] * values["times"])
