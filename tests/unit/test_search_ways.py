"""Where one way through a driver parts from others that did what it left undone."""

from __future__ import annotations

from collections.abc import Iterable

from emu.search.ways import Ways


def handler() -> None:
    """Lend its code to steps."""


CODE = handler.__code__


def walk(ways: Ways, lines: Iterable[int], *registers: str, depth: int = 1) -> None:
    """Go one way."""
    ways.begin("handler", depth)
    for line in lines:
        ways.line(CODE, line)
    for register in registers:
        ways.accessed(register)
    ways.end(depth)


def test_the_line_after_which_it_parts() -> None:
    """Named is the line before the first that every good way has and this one has not."""
    ways = Ways()
    walk(ways, [10, 11, 12, 13, 20], "IIR", "RBR")
    walk(ways, [10, 11, 12, 14, 13, 20], "RBR")
    walk(ways, [10, 11, 20], "IIR")
    assert ways.parting("handler", "RBR") == (__file__, 11)


def test_no_line_without_a_good_way() -> None:
    """Where nothing ever went to the register, or the latest did, there is nothing to compare."""
    ways = Ways()
    assert ways.parting("handler", "RBR") is None
    walk(ways, [10, 11], "IIR")
    assert ways.parting("handler", "RBR") is None
    walk(ways, [10, 12], "RBR")
    assert ways.parting("handler", "RBR") is None


def test_what_interrupts_is_not_part_of_it() -> None:
    """Lines of a handler, and lines after it, stay apart from those of the call beneath."""
    ways = Ways()
    ways.begin("open", 0)
    ways.line(CODE, 1)
    ways.accessed("DLL")
    walk(ways, [50], "RBR")
    ways.line(CODE, 2)
    ways.end(0)
    ways.line(CODE, 3)  # between two calls
    walk(ways, [60], "RBR")
    ways.begin("open", 0)
    ways.line(CODE, 1)
    ways.line(CODE, 50)
    ways.end(0)
    assert ways.parting("open", "DLL") == (__file__, 1)


def test_a_handler_that_raised_is_over() -> None:
    """A way that never ended does not take the lines of the next call."""
    ways = Ways()
    ways.begin("handler", 2)
    ways.line(CODE, 70)
    ways.begin("open", 0)
    ways.line(CODE, 1)
    ways.line(CODE, 2)
    ways.accessed("DLL")
    ways.end(0)
    ways.begin("open", 0)
    ways.line(CODE, 1)
    ways.end(0)
    assert ways.parting("open", "DLL") == (__file__, 1)
