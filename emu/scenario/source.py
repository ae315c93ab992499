"""The text of an input file as a tree of nodes, each of which knows its line and column.

The one idea: YAML is read as events and never as objects. Tags are refused, aliases are counted,
depth and size are bounded, so a file can do nothing but say what it says. Plain words are read
by the core schema of YAML 1.2 (section 10.3.2): ``yes``, ``on`` and ``1:30`` are text. Whatever
is wrong ends up as a `Flaw` with its place in `Notes`, and all flaws are reported at once. What
the keys mean is left to `emu.scenario.shape` and the files named ``load``.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, cast

import yaml

from emu.errors import Flaw, InputError

__all__ = [
    "Node",
    "Notes",
    "Refused",
    "compose",
    "neighbour",
    "passing",
    "plain",
    "read_text",
    "scalar",
]

MOST_BYTES = 1 << 20
DEEPEST = 50
MOST_VALUES = 20_000
MOST_ALIASES = 32
MOST_ALIASED_NODES = 1000
MOST_FLAWS = 50

_WORDS = {"": None, "~": None, "null": None, "Null": None, "NULL": None, "true": True,
          "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}  # fmt: skip
_WHOLE = re.compile(r"[-+]?[0-9]{1,40}")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]{1,32}")
_DECIMAL = re.compile(
    r"[-+]?(?:\.[0-9]{1,40}|[0-9]{1,40}(?:\.[0-9]{0,40})?)(?:[eE][-+]?[0-9]{1,2})?"
)
_SURROGATE = re.compile("[\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Node:
    """Hold one value of an input file and where it stands.

    Args:
        value: a tuple of nodes, a tuple of pairs of nodes for a mapping, or a plain value.
        line, column: place of its first character, counted from 1.
        text: a plain value as it was written, without quotes.
        size: how many nodes it is made of.
        is_mapping: whether `value` holds pairs.
    """

    value: Any
    line: int
    column: int
    text: str = ""
    size: int = 1
    is_mapping: bool = False

    @property
    def is_list(self) -> bool:
        """Whether the value is a list of nodes."""
        return isinstance(self.value, tuple) and not self.is_mapping

    def __str__(self) -> str:
        """Return the value and its type as messages show it."""
        if isinstance(self.value, tuple):
            return "a mapping" if self.is_mapping else "a list"
        if self.value is None:
            return "nothing"
        shown = repr(self.value) if isinstance(self.value, str) else self.text
        short = shown if len(shown) <= 60 else shown[:57] + "..."
        return f"{short} ({type(self.value).__name__})"


class Refused(Exception):
    """Leave the reading of one value whose flaw has been noted."""


class Notes:
    """Gather what is wrong with an input.

    Args:
        path: the file as messages name it.
        folder: where paths in the file start from.
        seed: seed of random data in the file.

    Attributes:
        flaws: what was found, shared with the notes on files that this one names.
        unread: names that stand in the input but whose meaning was refused, shared likewise; who
            finds nothing under one of them has found no further flaw.
        trades: what drivers of the board do, as far as it could be read.
    """

    def __init__(self, path: str, folder: Path, *, seed: int = 1) -> None:
        self.path = path
        self.folder = folder
        self.seed = seed
        self.flaws: list[Flaw] = []
        self.unread: set[str] = set()
        self.trades: tuple[str, ...] = ()

    def of_file(self, path: str, folder: Path) -> Notes:
        """Return notes on another file that go on the same list."""
        other = Notes(path, folder, seed=self.seed)
        other.flaws = self.flaws
        other.unread = self.unread
        return other

    def refuse(self, node: Node | None, what: str, *, allowed: str = "", fix: str = "") -> Refused:
        """Note a flaw at `node`, None for the whole file, and return what to raise."""
        line, column = (node.line, node.column) if node else (0, 0)
        return self.refuse_at(line, column, what, allowed=allowed, fix=fix)

    def refuse_at(
        self, line: int, column: int, what: str, *, allowed: str = "", fix: str = ""
    ) -> Refused:
        """Note a flaw at a line and column, and return what to raise."""
        self.flaws.append(Flaw(self.path, line, column, what, allowed=allowed, fix=fix))
        return Refused()

    def finish(self) -> None:
        """Report everything that was noted, in the order of the file.

        Raises:
            InputError: anything was noted.
        """
        if not self.flaws:
            return
        files = list(dict.fromkeys(flaw.path for flaw in self.flaws))
        flaws = sorted(self.flaws, key=lambda one: (files.index(one.path), one.line, one.column))
        if len(flaws) > MOST_FLAWS:
            rest = len(flaws) - MOST_FLAWS
            flaws[MOST_FLAWS:] = [Flaw(self.path, 0, 0, f"{rest} more flaws are not shown")]
        raise InputError(flaws)


@contextmanager
def passing() -> Iterator[None]:
    """Go on after a value that was refused, so that later flaws are found too."""
    try:
        yield
    except Refused:
        return


def read_text(path: Path, notes: Notes) -> str:
    """Return the text of a file of at most 1 MiB in UTF-8.

    Raises:
        Refused: it cannot be read; the flaw is in `notes`.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise notes.refuse(None, "there is no such file", fix=neighbour(path)) from None
    except IsADirectoryError:
        raise notes.refuse(None, "is a directory", allowed="a YAML file") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise notes.refuse(None, f"cannot be read: {why}") from None
    if len(data) > MOST_BYTES:
        raise notes.refuse(None, "is larger than 1 MiB", allowed="0 to 1048576 bytes")
    return _decoded(data, notes)


def compose(text: str, notes: Notes) -> Node:
    """Return the tree of nodes that a YAML text describes.

    Raises:
        Refused: the text is not one such tree, or exceeds a bound; the flaw is in `notes`.
    """
    try:
        return _Composer(yaml.SafeLoader(text), notes).document()
    except yaml.reader.ReaderError as error:
        raise _unprintable(text, error.position, notes) from None
    except yaml.MarkedYAMLError as error:
        raise _syntax(error, notes) from None
    except (ValueError, OverflowError) as error:
        raise notes.refuse(None, f"is not YAML: {error}") from None


def plain(node: Node) -> object:
    """Return the value of a tree as JSON has it: dictionaries by text, lists, text and numbers."""
    if node.is_mapping:
        return {key.text: plain(value) for key, value in node.value}
    if node.is_list:
        return [plain(one) for one in node.value]
    return node.value


def _decoded(data: bytes, notes: Notes) -> str:
    """Return file contents as text."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        line = before.count(b"\n") + 1
        column = error.start - (before.rfind(b"\n") + 1) + 1
        what = f"byte {data[error.start]:#04x} is not UTF-8 text"
        raise notes.refuse_at(line, column, what, fix="save the file as UTF-8") from None


def neighbour(path: Path) -> str:
    """Return a hint naming the file beside `path` that is called nearly the same, or ``""``."""
    try:
        names = sorted(one.name for one in path.parent.iterdir())
    except OSError:
        return ""
    close = difflib.get_close_matches(path.name, names, n=1, cutoff=0.8)
    return f"did you mean {close[0]!r}?" if close else ""


def _unprintable(text: str, position: int, notes: Notes) -> Refused:
    """Note a character that no YAML file may hold."""
    before = text[:position]
    line = before.count("\n") + 1
    column = position - (before.rfind("\n") + 1) + 1
    what = f"control character U+{ord(text[position]):04X} in the text"
    return notes.refuse_at(line, column, what, fix='write it as an escape, such as "\\x01"')


def _syntax(error: yaml.MarkedYAMLError, notes: Notes) -> Refused:
    """Note what the YAML parser stumbled on, in place."""
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
    problem = error.problem or error.context or "it cannot be read"
    if "'\\t'" in problem:
        return notes.refuse_at(
            line, column, "a tab in front of a value", fix="indent with spaces, as YAML asks"
        )
    if problem.startswith("could not determine a constructor") or "tag handle" in problem:
        return notes.refuse_at(line, column, "tags are not accepted", fix="leave the tag out")
    while_doing = f", {error.context}" if error.context and error.context != problem else ""
    return notes.refuse_at(line, column, f"is not YAML: {problem}{while_doing}")


class _Event(Protocol):
    """What the composer looks at in an event of the parser; ends of things have the mark only."""

    start_mark: yaml.Mark
    anchor: str
    tag: str | None
    value: str
    style: str | None


class _Composer:
    """Turn the events of a YAML parser into nodes, within bounds."""

    def __init__(self, loader: yaml.SafeLoader, notes: Notes) -> None:
        self._loader = loader
        self._notes = notes
        self._anchors: dict[str, Node] = {}
        self._values = 0
        self._aliases = 0
        self._aliased_nodes = 0

    def document(self) -> Node:
        """Return the tree of the only document."""
        self._next()  # start of the stream
        if self._loader.check_event(yaml.StreamEndEvent):
            raise self._notes.refuse(None, "is empty", allowed="a mapping")
        self._next()  # start of the document
        root = self._node(self._next(), 1)
        self._next()  # end of the document
        if not self._loader.check_event(yaml.StreamEndEvent):
            raise self._refuse(self._next(), "a second document", "keep one a file")
        return root

    def _next(self) -> _Event:
        return cast("_Event", self._loader.get_event())  # type: ignore[no-untyped-call]

    def _refuse(self, event: _Event, what: str, fix: str = "", allowed: str = "") -> Refused:
        mark = event.start_mark
        return self._notes.refuse_at(mark.line + 1, mark.column + 1, what, fix=fix, allowed=allowed)

    def _node(self, event: _Event, depth: int) -> Node:
        """Return the node that begins with `event`."""
        if _is(event, yaml.AliasEvent):
            return self._alias(event)
        if event.tag is not None:
            shown = event.tag if len(event.tag) <= 60 else event.tag[:57] + "..."
            raise self._refuse(event, f"tag {shown!r} is not accepted", "leave the tag out")
        if depth > DEEPEST:
            raise self._refuse(event, "nested too deeply", allowed=f"{DEEPEST} levels")
        self._values += 1
        if self._values > MOST_VALUES:
            raise self._refuse(event, "too many values", allowed=f"{MOST_VALUES} in a file")
        node = self._bare_node(event, depth)
        if event.anchor is not None:
            self._anchors[event.anchor] = node
        return node

    def _bare_node(self, event: _Event, depth: int) -> Node:
        mark = event.start_mark
        line, column = mark.line + 1, mark.column + 1
        if _is(event, yaml.ScalarEvent):
            if _SURROGATE.search(event.value):
                raise self._refuse(event, "half of a surrogate pair is no character")
            quoted = event.style is not None
            return Node(scalar(event.value, quoted=quoted), line, column, event.value)
        is_mapping = _is(event, yaml.MappingStartEvent)
        value, size = self._pairs(depth) if is_mapping else self._items(depth)
        return Node(value, line, column, size=size, is_mapping=is_mapping)

    def _items(self, depth: int) -> tuple[tuple[Node, ...], int]:
        items: list[Node] = []
        while not self._loader.check_event(yaml.SequenceEndEvent):
            items.append(self._node(self._next(), depth + 1))
        self._next()
        return tuple(items), 1 + sum(one.size for one in items)

    def _pairs(self, depth: int) -> tuple[tuple[tuple[Node, Node], ...], int]:
        pairs: list[tuple[Node, Node]] = []
        while not self._loader.check_event(yaml.MappingEndEvent):
            event = self._next()
            key = self._node(event, depth + 1)
            if isinstance(key.value, tuple):
                raise self._refuse(event, f"a key is {key}", allowed="text or a number")
            pairs.append((key, self._node(self._next(), depth + 1)))
        self._next()
        return tuple(pairs), 1 + sum(key.size + value.size for key, value in pairs)

    def _alias(self, event: _Event) -> Node:
        """Return what an alias stands for, within bounds."""
        node = self._anchors.get(event.anchor)
        if node is None:
            raise self._refuse(event, f"alias {event.anchor!r} has no anchor before it")
        self._aliases += 1
        self._aliased_nodes += node.size
        if self._aliases > MOST_ALIASES or self._aliased_nodes > MOST_ALIASED_NODES:
            raise self._refuse(
                event, "the aliases of this file stand for too much",
                allowed=f"{MOST_ALIASES} aliases for {MOST_ALIASED_NODES} values",
            )  # fmt: skip
        return node


def _is(event: object, kind: type[yaml.Event]) -> bool:
    """Say whether an event of the parser is of a kind."""
    return isinstance(event, kind)


def scalar(text: str, *, quoted: bool) -> str | float | bool | None:
    """Return the value of a scalar by the core schema of YAML 1.2."""
    if quoted:
        return text
    if text in _WORDS:
        return _WORDS[text]
    if _WHOLE.fullmatch(text):
        return int(text)
    if _HEXADECIMAL.fullmatch(text):
        return int(text, 16)
    return float(text) if _DECIMAL.fullmatch(text) else text
