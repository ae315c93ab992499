"""What a driver prints: the beginning is kept, the rest is counted."""

from __future__ import annotations

import contextlib

import pytest

from emu.scenario.printed import MOST_CHARACTERS, Printed


def test_what_is_printed_is_kept() -> None:
    """Text arrives as it was printed, and write says how much it took."""
    printed = Printed()
    with contextlib.redirect_stdout(printed):
        print("tide", 3.21, flush=True)
    assert printed.write("m") == 1
    assert printed.text == "tide 3.21\nm"
    assert printed.writable()
    assert not printed.isatty()


def test_only_the_beginning_is_kept() -> None:
    """Beyond the bound characters are counted and not kept."""
    printed = Printed()
    for _ in range(3):
        assert printed.write("x" * MOST_CHARACTERS) == MOST_CHARACTERS
    assert printed.dropped == 2 * MOST_CHARACTERS
    assert printed.text == "x" * MOST_CHARACTERS + f"... and {2 * MOST_CHARACTERS} characters more"


def test_bytes_go_to_the_buffer() -> None:
    """As with any standard output, bytes are for its buffer, and odd ones do no harm."""
    printed = Printed()
    assert printed.buffer.writable()
    assert printed.buffer.write(b"tide\xff") == 5
    printed.buffer.flush()
    assert printed.text == "tide\ufffd"
    with pytest.raises(TypeError, match="must be str, not bytes"):
        printed.write(b"tide")  # type: ignore[arg-type]
