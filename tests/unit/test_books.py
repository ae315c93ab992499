"""The books of line errors: what a counter may show for what the controller flagged."""

from __future__ import annotations

import pytest

from emu.line.frame import BREAK, FRAMING_ERROR, PARITY_ERROR
from emu.scenario.books import Bounds, ErrorBooks

BOTH = PARITY_ERROR | FRAMING_ERROR


def complaints(books: ErrorBooks, parity: int = 0, framing: int = 0, breaks: int = 0) -> list[str]:
    """Return what is wrong with three counters."""
    return list(
        books.complaints({"parity": parity, "framing": framing, "breaks": breaks}.__getitem__)
    )


def books_of(*flags: int, sure: bool = True) -> ErrorBooks:
    """Return books with characters entered."""
    books = ErrorBooks()
    for one in flags:
        books.enter(one, sure=sure)
    return books


@pytest.mark.parametrize(
    ("flags", "counters"),
    [
        ((), (0, 0, 0)),
        ((PARITY_ERROR,), (1, 0, 0)),
        ((FRAMING_ERROR, FRAMING_ERROR), (0, 2, 0)),
        ((BOTH,), (1, 1, 0)),
        ((BOTH,), (1, 0, 0)),
        ((BOTH,), (0, 1, 0)),
        ((BREAK | FRAMING_ERROR,), (0, 0, 1)),
        ((BREAK | FRAMING_ERROR,), (0, 1, 1)),
        ((BREAK | BOTH,), (1, 1, 1)),
    ],
)
def test_what_may_be_counted(flags: tuple[int, ...], counters: tuple[int, int, int]) -> None:
    """Each of the usual ways to count is let pass."""
    assert complaints(books_of(*flags), *counters) == []


@pytest.mark.parametrize(
    ("flags", "counters", "said"),
    [
        ((PARITY_ERROR,), (0, 0, 0), "errors.parity is 0, the device flagged 1"),
        ((), (0, 1, 0), "errors.framing is 1, the device flagged 0"),
        ((BREAK | FRAMING_ERROR,), (0, 2, 1), "errors.framing is 2, the device flagged 0 to 1"),
        ((BOTH,), (0, 0, 0), "parity and framing errors counted: 0, flagged: at least 1"),
    ],
)
def test_what_may_not(flags: tuple[int, ...], counters: tuple[int, int, int], said: str) -> None:
    """Too few and too many are told with what was flagged."""
    assert complaints(books_of(*flags), *counters)[0] == said


@pytest.mark.parametrize("flags", [PARITY_ERROR, FRAMING_ERROR, BOTH, BREAK, BREAK | BOTH])
def test_what_is_let_go_may_be_counted_or_not(flags: int) -> None:
    """A character let go may be missing, and its flags may be counted all the same."""
    books = books_of(flags)
    assert complaints(books) != []
    books.let_go(flags)
    assert complaints(books) == []
    parity, framing = int(flags & PARITY_ERROR > 0), int(flags & FRAMING_ERROR > 0)
    assert complaints(books, parity, framing, int(flags & BREAK > 0)) == []


def test_what_is_not_sure_need_not_be_counted() -> None:
    """Flags that may be counted need not be."""
    assert complaints(books_of(PARITY_ERROR, BOTH, BREAK, sure=False)) == []


def test_bounds_in_words() -> None:
    """Equal bounds are one number, and none falls below 0."""
    bounds = Bounds(2, 2)
    assert str(bounds) == "2"
    bounds.lower(3)
    assert str(bounds) == "0 to 2"
