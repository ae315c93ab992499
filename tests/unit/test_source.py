"""The source reader turns YAML into nodes with places, builds no objects, and bounds everything."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.scenario.source import MOST_FLAWS, Node, Notes, Refused, compose, plain, read_text


def notes() -> Notes:
    """Return notes on an invented file."""
    return Notes("gauge.yaml", Path())


def refusal(text: str) -> str:
    """Return the message with which a text is refused."""
    kept = notes()
    with pytest.raises(Refused):
        compose(text, kept)
    with pytest.raises(InputError) as caught:
        kept.finish()
    return str(caught.value)


def value_of(text: str) -> object:
    """Return what a text says as plain data."""
    return plain(compose(text, notes()))


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("12", 12),
        ("-3", -3),
        ("0x40001000", 0x40001000),
        ("1.5", 1.5),
        ("2e3", 2000.0),
        ("true", True),
        ("False", False),
        ("null", None),
        ("~", None),
        ("'12'", "12"),
        ("yes", "yes"),
        ("on", "on"),
        ("1:30", "1:30"),
        ("9600 7E1", "9600 7E1"),
        ("010", 10),
        ("2026-01-01", "2026-01-01"),
        ("9" * 5000, "9" * 5000),
    ],
)
def test_plain_words_follow_the_core_schema(written: str, value: object) -> None:
    """Plain scalars mean what YAML 1.2 says, section 10.3.2, and no more."""
    found = value_of(f"key: {written}")

    assert found == {"key": value}
    assert type(found["key"]) is type(value)  # type: ignore[index]


def test_nodes_know_their_places() -> None:
    """Keys and values carry the line and column of their first character, counted from 1."""
    root = compose("board:\n  name: gauge\n", notes())
    key, inner = root.value[0]
    name = inner.value[0][1]

    assert (key.line, key.column) == (1, 1)
    assert (name.line, name.column, name.value) == (2, 9, "gauge")


def test_written_form_is_kept() -> None:
    """A number keeps the text it was written as, so that hexadecimal data may look like one."""
    node = compose("0102", notes())

    assert (node.value, node.text) == (102, "0102")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("a: !!python/object/apply:os.system [ls]", "tag"),
        ("a: !!binary aGk=", "tag"),
        ("!tide\na: 1", "tag"),
        ("!t!tide a", "tags are not accepted"),
        ("a: *b", "has no anchor"),
        ("a: &a [*a]", "has no anchor"),
        ("a:\n\tb: 1", "a tab"),
        ("", "is empty"),
        ("# nothing", "is empty"),
        ("a: 1\n---\nb: 2", "second document"),
        ("a: \x07", "control character U+0007"),
        ('a: "\\ud800"', "surrogate"),
        ('a: "\\UFFFFFFFF"', "is not YAML"),
        ("a: [b", "is not YAML"),
        ("a: b: c", "is not YAML"),
        ("? {a: b}\n: c", "a key is a mapping"),
        ("[" * 51, "nested too deeply"),
    ],
)
def test_refused(text: str, what: str) -> None:
    """What could harm, hang or mean two things is refused with a message of one line."""
    message = refusal(text)

    assert what in message
    assert "\n" not in message


@pytest.mark.slow
def test_too_many_values_are_refused() -> None:
    """The number of values is bounded, since a full megabyte of them would take seconds to read."""
    assert "too many values" in refusal("- 1\n" * 20_001)


def test_fifty_levels_are_accepted() -> None:
    """Nesting up to the bound is read."""
    assert compose("[" * 50 + "]" * 50, notes()).size == 50


def test_alias_stands_for_its_anchor() -> None:
    """A few aliases save repetition."""
    assert value_of("a: &tide [3, 21]\nb: *tide") == {"a": [3, 21], "b": [3, 21]}


def test_many_aliases_are_refused() -> None:
    """The number of aliases is bounded, however small what they stand for."""
    assert "32 aliases" in refusal("a: &a 1\nb: [" + ", ".join(["*a"] * 33) + "]")


def test_doubling_aliases_are_refused() -> None:
    """What aliases stand for is bounded, so doubling cannot fill the memory."""
    lines = ["a0: &a0 [1, 1]"]
    lines += [f"a{n + 1}: &a{n + 1} [*a{n}, *a{n}]" for n in range(14)]

    assert "1000 values" in refusal("\n".join(lines))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("[1]", "a list"),
        ("{a: 1}", "a mapping"),
        ("null", "nothing"),
        ("0x10", "0x10 (int)"),
        ("true", "true (bool)"),
        ("1.50", "1.50 (float)"),
        ("tide", "'tide' (str)"),
    ],
)
def test_nodes_are_shown_with_value_and_type(text: str, shown: str) -> None:
    """Messages show a value as it was written, and its type."""
    assert str(compose(text, notes())) == shown


def test_long_values_are_cut_in_messages() -> None:
    """A message stays short however long the value is."""
    assert len(str(Node("x" * 5000, 1, 1))) < 80


def test_flaws_come_in_the_order_of_the_file() -> None:
    """Flaws are told by file, then line and column, in whatever order they were found."""
    kept = notes()
    other = kept.of_file("board.yaml", Path())
    kept.refuse_at(9, 1, "late")
    other.refuse_at(1, 1, "elsewhere")
    kept.refuse_at(2, 3, "early")

    with pytest.raises(InputError) as caught:
        kept.finish()

    assert [flaw.what for flaw in caught.value.flaws] == ["early", "late", "elsewhere"]


def test_flaws_are_not_endless() -> None:
    """A file full of flaws is answered with the first of them and the number of the rest."""
    kept = notes()
    for line in range(MOST_FLAWS + 7):
        kept.refuse_at(line + 1, 1, "wrong")

    with pytest.raises(InputError) as caught:
        kept.finish()

    assert len(caught.value.flaws) == MOST_FLAWS + 1
    assert "7 more flaws are not shown" in str(caught.value)


def test_input_error_crosses_processes() -> None:
    """The gathered flaws survive pickling, so workers can report them."""
    kept = notes()
    kept.refuse_at(1, 2, "wrong", fix="right")
    with pytest.raises(InputError) as caught:
        kept.finish()

    copy = pickle.loads(pickle.dumps(caught.value))  # noqa: S301 - our own bytes

    assert str(copy) == str(caught.value)


def read_refusal(path: Path) -> str:
    """Return the message with which a file is refused."""
    kept = Notes("gauge.yaml", path.parent)
    with pytest.raises(Refused):
        read_text(path, kept)
    return str(kept.flaws[0])


def test_text_is_utf8_with_or_without_a_mark(tmp_path: Path) -> None:
    """A byte-order mark in front of UTF-8 is not part of the text."""
    path = tmp_path / "gauge.yaml"
    path.write_bytes(b"\xef\xbb\xbfname: caf\xc3\xa9")

    assert read_text(path, notes()) == "name: caf\u00e9"


def test_other_encodings_are_refused(tmp_path: Path) -> None:
    """Bytes that are not UTF-8 are told with their place."""
    path = tmp_path / "gauge.yaml"
    path.write_bytes(b"a: 1\nname: caf\xe9")

    assert read_refusal(path).startswith("gauge.yaml:2:10: byte 0xe9 is not UTF-8")


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    """A missing file, a directory and an impossible name each get a message of their own."""
    assert "no such file" in read_refusal(tmp_path / "nothing.yaml")
    assert "is a directory" in read_refusal(tmp_path)
    assert "cannot be read" in read_refusal(Path("tide\0gauge.yaml"))
    assert "cannot be read" in read_refusal(Path("x" * 5000))
