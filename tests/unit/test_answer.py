"""What a driver answers is judged as the plain value that it is, and by nothing that it claims."""

from __future__ import annotations

import enum

import pytest

from emu.scenario.answer import plain_bytes, plain_int, plain_text


class Level(enum.IntEnum):
    """A number with a name."""

    HIGH = 1


class Claims:
    """What says of itself that it is a number."""

    __class__ = int  # type: ignore[assignment]


class Hollow(bytes):
    """Bytes that tell of others."""

    def __bytes__(self) -> bytes:
        return b"others"

    def __len__(self) -> int:
        return 0


class Word(str):
    """A text that reads otherwise."""

    __slots__ = ()

    def __str__(self) -> str:
        return "others"


@pytest.mark.parametrize(
    ("value", "plain"),
    [(3, 3), (Level.HIGH, 1), (True, None), (3.0, None), ("3", None), (None, None),
     pytest.param(Claims(), None, id="claims")],
)  # fmt: skip
def test_whole_numbers(value: object, plain: int | None) -> None:
    """Enums are numbers; truth values, and what only claims to be a number, are none."""
    found = plain_int(value)
    assert found == plain
    assert type(found) is type(plain)


@pytest.mark.parametrize(
    ("value", "plain"),
    [(b"ab", b"ab"), (bytearray(b"ab"), b"ab"), (Hollow(b"ab"), b"ab"), ("ab", None)],
)
def test_bytes(value: object, plain: bytes | None) -> None:
    """What counts is what is held, not what it is said to be."""
    found = plain_bytes(value)
    assert found == plain
    assert type(found) is type(plain)


@pytest.mark.parametrize(("value", "plain"), [("a", "a"), (Word("a"), "a"), (b"a", None)])
def test_texts(value: object, plain: str | None) -> None:
    """A text is what it holds."""
    found = plain_text(value)
    assert found == plain
    assert type(found) is type(plain)
