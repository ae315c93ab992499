"""What may stand in an input file: one description that reads it, checks it and draws its schema.

The one idea: a `Shape` says what a value looks like. `read` turns a node into a value and notes
what is wrong with it; `schema` says the same to an editor. Both come from one description, so they
cannot drift apart. A `Table` holds the keys of a mapping; reading goes on after a flaw, so that all
of them are found. Which keys there are is left to the files named ``load``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from emu.errors import AccessError, EmuError, nearest
from emu.scenario.source import Node, Notes, passing

__all__ = [
    "Choice",
    "Entries",
    "Items",
    "JsonSchema",
    "Key",
    "Measure",
    "Shape",
    "Table",
    "Tagged",
    "Text",
    "Truth",
    "Values",
    "Whole",
    "finder",
    "tag_key",
]

JsonSchema = dict[str, Any]


class Shape(Protocol):
    """Say what a value looks like."""

    def read(self, node: Node, notes: Notes) -> Any:  # noqa: ANN401 - differs by shape
        """Return the value; raise `Refused` once a flaw is noted."""

    def schema(self) -> JsonSchema:
        """Return the JSON Schema of the value as written."""


class KeyShape(Protocol):
    """Say what a key that the writer chooses looks like."""

    @property
    def pattern(self) -> str:
        """Return a regular expression for the key as written."""

    def read(self, node: Node, notes: Notes) -> Any:  # noqa: ANN401 - differs by shape
        """Return the key; raise `Refused` once a flaw is noted."""


@dataclass(frozen=True, slots=True)
class Text:
    """Take text, not empty, without line breaks."""

    def read(self, node: Node, notes: Notes) -> str:
        """Return the text."""
        if not isinstance(node.value, str):
            fix = f"write it in quotes: {node.text!r}" if node.text else ""
            raise notes.refuse(node, f"{node} where text belongs", fix=fix)
        if not node.value.strip() or not node.value.isprintable():
            raise notes.refuse(node, f"{node} does not say anything", allowed="one line of text")
        return node.value

    def schema(self) -> JsonSchema:
        """Return the schema of text."""
        return {"type": "string", "minLength": 1}


@dataclass(frozen=True, slots=True)
class Truth:
    """Take true or false."""

    def read(self, node: Node, notes: Notes) -> bool:
        """Return the truth value."""
        if not isinstance(node.value, bool):
            raise notes.refuse(node, f"{node} is neither yes nor no", allowed="true, false")
        return node.value

    def schema(self) -> JsonSchema:
        """Return the schema of a truth value."""
        return {"type": "boolean"}


@dataclass(frozen=True, slots=True)
class Choice:
    """Take one of some words or numbers."""

    words: tuple[str | float, ...]

    def read(self, node: Node, notes: Notes) -> str | float:
        """Return the word or number."""
        for word in self.words:
            if word == node.value and type(word) is type(node.value):
                return word
        names = [str(word) for word in self.words]
        hint = nearest(node.text, names) if node.text else ""
        raise notes.refuse(
            node,
            f"{node} is not one of the choices",
            allowed=", ".join(names),
            fix=hint if hint.startswith("did") else "",
        )

    def schema(self) -> JsonSchema:
        """Return the schema of the choice."""
        return {"enum": list(self.words)}


@dataclass(frozen=True, slots=True)
class Whole:
    """Take a whole number within inclusive bounds; `base` 16 shows the bounds as addresses."""

    low: int
    high: int
    base: int = 10

    def read(self, node: Node, notes: Notes) -> int:
        """Return the number."""
        number = node.value
        if isinstance(number, bool) or not isinstance(number, int):
            raise notes.refuse(node, f"{node} is not a whole number", allowed=self._range())
        if not self.low <= number <= self.high:
            raise notes.refuse(node, f"{node} is out of range", allowed=self._range())
        return number

    def schema(self) -> JsonSchema:
        """Return the schema of the number."""
        return {"type": "integer", "minimum": self.low, "maximum": self.high}

    def _range(self) -> str:
        if self.base == 16:
            return f"{self.low:#x} to {self.high:#x}"
        return f"{self.low} to {self.high}"


@dataclass(frozen=True, slots=True)
class Measure:
    """Take a quantity as people write it.

    Args:
        parse: reads it; raises `emu.errors.EmuError`.
        written: JSON Schema of what `parse` reads.
        above_zero: whether 0 makes no sense.
    """

    parse: Callable[[Any], Any]
    written: JsonSchema
    above_zero: bool = False

    def read(self, node: Node, notes: Notes) -> Any:  # noqa: ANN401 - what `parse` returns
        """Return the quantity in the unit that it is counted in."""
        if isinstance(node.value, tuple) or node.value is None:
            raise notes.refuse(node, f"{node} where a quantity belongs")
        try:
            value = self.parse(node.value)
        except EmuError as error:
            raise notes.refuse(node, error.what, allowed=error.allowed, fix=error.fix) from None
        if self.above_zero and value <= 0:
            raise notes.refuse(node, f"{node} is not above zero", allowed="above 0")
        return value

    def schema(self) -> JsonSchema:
        """Return the schema of the quantity."""
        return dict(self.written)


@dataclass(frozen=True, slots=True)
class Items:
    """Take a list of values of one shape; `alone` lets one value stand without the list."""

    shape: Shape
    alone: bool = False
    least: int = 0

    def read(self, node: Node, notes: Notes) -> tuple[Any, ...]:
        """Return the values that could be read."""
        if not node.is_list:
            if self.alone:
                return (self.shape.read(node, notes),)
            raise notes.refuse(node, f"{node} where a list belongs", fix="begin each item with -")
        if len(node.value) < self.least:
            raise notes.refuse(node, "the list is empty", allowed=f"{self.least} or more items")
        values = []
        for one in node.value:
            with passing():
                values.append(self.shape.read(one, notes))
        return tuple(values)

    def schema(self) -> JsonSchema:
        """Return the schema of the list."""
        found: JsonSchema = {"type": "array", "items": self.shape.schema()}
        if self.least:
            found["minItems"] = self.least
        return {"anyOf": [self.shape.schema(), found]} if self.alone else found


@dataclass(frozen=True, slots=True)
class Entries:
    """Take a mapping whose keys the writer chooses, all of the same shape.

    Args:
        name: what the mapping is, for messages.
        keys: what a key may be.
        shape: what stands under each.
    """

    name: str
    keys: KeyShape
    shape: Shape

    def read(self, node: Node, notes: Notes) -> dict[Any, Any]:
        """Return what could be read by key."""
        if not node.is_mapping:
            raise notes.refuse(node, f"{node} where {self.name} belong", allowed="a mapping")
        found: dict[Any, Any] = {}
        _distinct(node, notes, (key.text for key, _ in node.value), self.name)
        for key, value in node.value:
            with passing():
                name = self.keys.read(key, notes)
                if name not in found:
                    notes.unread.add(key.text)
                    found[name] = self.shape.read(value, notes)
                    notes.unread.discard(key.text)
        return found

    def schema(self) -> JsonSchema:
        """Return the schema of the mapping."""
        return {
            "type": "object",
            "propertyNames": {"pattern": self.keys.pattern},
            "additionalProperties": self.shape.schema(),
        }


@dataclass(frozen=True, slots=True)
class Key:
    """Say what stands under one key of a mapping."""

    name: str
    shape: Shape
    meaning: str
    required: bool = False


class Values(dict[str, Any]):
    """Hold what was read from a mapping: values by key, and where they stand.

    Attributes:
        node: the mapping.
        places: the node of each key that was given, even where its value was refused.
    """

    def __init__(self, node: Node) -> None:
        super().__init__()
        self.node = node
        self.places: dict[str, Node] = {}

    def place(self, key: str) -> Node:
        """Return the node to name in a message about `key`."""
        return self.places.get(key, self.node)


@dataclass(frozen=True, slots=True)
class Table:
    """Take a mapping with known keys.

    Args:
        name: what the mapping is, for messages: ``"a board"``.
        keys: the keys it may have, in the order in which they are read.
    """

    name: str
    keys: tuple[Key, ...]

    def read(self, node: Node, notes: Notes) -> Values:
        """Return what could be read; flaws are noted, and reading goes on behind them."""
        if not node.is_mapping:
            raise notes.refuse(
                node, f"{node} where {self.name} belongs",
                allowed=f"a mapping with keys such as {self._some_keys()}",
            )  # fmt: skip
        values = Values(node)
        values.places = _distinct(node, notes, {one.name for one in self.keys}, self.name)
        for key in self.keys:
            self._read_key(key, values, notes)
        return values

    def schema(self) -> JsonSchema:
        """Return the schema of the mapping."""
        required = [one.name for one in self.keys if one.required]
        found: JsonSchema = {
            "type": "object",
            "properties": {one.name: _described(one) for one in self.keys},
            "additionalProperties": False,
        }
        return found | {"required": required} if required else found

    def _read_key(self, key: Key, values: Values, notes: Notes) -> None:
        place = values.places.get(key.name)
        if place is not None:
            with passing():
                values[key.name] = key.shape.read(place, notes)
        elif key.required:
            notes.refuse(
                values.node,
                f"{self.name} without {key.name!r}",
                fix=f"add {key.name}: {key.meaning}",
            )

    def _some_keys(self) -> str:
        return ", ".join(one.name for one in self.keys[:4])


@dataclass(frozen=True, slots=True)
class Tagged:
    """Take a mapping whose keys depend on the word under one of them.

    Args:
        tag: the key that decides.
        name: what the mapping is, for messages.
        words: returns the words that are known.
        find: returns the table for a word; raises `emu.errors.EmuError` when there is none.
        short: whether the word alone may stand for a mapping with nothing else in it.
    """

    tag: str
    name: str
    words: Callable[[], Iterable[str]]
    find: Callable[[str], Table]
    short: bool = False

    def read(self, node: Node, notes: Notes) -> Values:
        """Return what could be read."""
        if self.short and isinstance(node.value, str):
            return self._table(node, notes).read(_mapping_of(self.tag, node), notes)
        if not node.is_mapping:
            raise notes.refuse(
                node, f"{node} where {self.name} belongs",
                allowed=f"a mapping with the key {self.tag}",
            )  # fmt: skip
        found = [value for key, value in node.value if key.text == self.tag]
        if not found:
            raise notes.refuse(
                node, f"{self.name} without {self.tag!r}", fix=f"add {self.tag}: {self._known()}"
            )
        return self._table(found[0], notes).read(node, notes)

    def schema(self) -> JsonSchema:
        """Return a schema with one branch a word."""
        words = list(self.words())
        branches: list[JsonSchema] = [{"enum": words}] if self.short else []
        return {"anyOf": [*branches, *(self.find(word).schema() for word in words)]}

    def _table(self, node: Node, notes: Notes) -> Table:
        if not isinstance(node.value, str):
            raise notes.refuse(node, f"{node} where a word belongs", allowed=self._known())
        try:
            return self.find(node.value)
        except EmuError as error:
            raise notes.refuse(
                node, error.what, allowed=error.allowed, fix=error.fix or self._known()
            ) from None

    def _known(self) -> str:
        return "one of " + ", ".join(self.words())


def _distinct(node: Node, notes: Notes, known: Iterable[str], name: str) -> dict[str, Node]:
    """Return the values of a mapping by key, noting keys that are unknown or stand twice."""
    found: dict[str, Node] = {}
    seen: dict[str, Node] = {}
    names = sorted(known)
    for key, value in node.value:
        if key.text in seen:
            notes.refuse(
                key,
                f"key {key.text[:60]!r} stands twice",
                fix=f"first in line {seen[key.text].line}",
            )
        elif key.text not in names:
            allowed = ", ".join(names) if len(names) <= 16 else ""
            hint = nearest(key.text, names)
            notes.refuse(
                key, f"unknown key {key.text[:60]!r} in {name}", allowed=allowed,
                fix=hint if hint.startswith("did") else "",
            )  # fmt: skip
        else:
            found[key.text] = value
        seen.setdefault(key.text, key)
    return found


def _described(key: Key) -> JsonSchema:
    """Return the schema of a key's value with its meaning for the editor."""
    return {"description": key.meaning} | key.shape.schema()


def tag_key(tag: str, word: str, meaning: str) -> Key:
    """Return the key that a `Tagged` mapping decides by, fixed to one word."""
    return Key(tag, Choice((word,)), meaning, required=True)


def finder(name: str, tables: Mapping[str, Table]) -> Callable[[str], Table]:
    """Return a function that finds one of `tables`, called `name` in messages, by its word."""

    def find(word: str) -> Table:
        if word not in tables:
            raise AccessError(f"no {name} {word!r}", fix=nearest(word, tables))
        return tables[word]

    return find


def _mapping_of(tag: str, node: Node) -> Node:
    """Return a mapping that holds nothing but the deciding word."""
    key = Node(tag, node.line, node.column, tag)
    return Node(((key, node),), node.line, node.column, size=3, is_mapping=True)
