"""Where a named constant of a driver is given its value."""

from __future__ import annotations

import enum
from pathlib import Path
from types import CodeType

import pytest

from emu.search.constants import names_on, place_of_constant

SOURCE = """\
import enum
PARITY, FRAMING = 0x08, 0x04
BOTH: int = 0x0C
class Status(enum.IntFlag):
    BREAK = 0x10
class Driver:
    OVERRUN = 0x01
    def count(self, status):
        self.parity += bool(status & PARITY)
        self.framing += bool(status & BOTH and not status & FRAMING)
        self.breaks += bool(status & Status.BREAK)
        self.overrun += bool(status & self.OVERRUN)
        self.plain += bool(status & 0x08)
"""


@pytest.fixture
def driver(tmp_path: Path) -> tuple[CodeType, dict[str, object]]:
    """Return the function that counts, and what names mean in it."""
    path = tmp_path / "driver.py"
    path.write_text(SOURCE, encoding="utf-8")
    names: dict[str, object] = {"__name__": "driver", "enum": enum}
    exec(compile(SOURCE, str(path), "exec"), names)  # noqa: S102 - the text above
    kind = names["Driver"]
    return kind.count.__code__, names | vars(kind)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("line", "bits", "assigned"),
    [
        (9, 0x08, 2),  # one of several names in an assignment
        (9, 0x04, None),  # it is not that bit
        (10, 0x0C, 2),  # a mask of two bits is no bit; the other name on the line is
        (11, 0x10, 5),  # a member of an enumeration
        (12, 0x01, 7),  # an attribute of the driver's class
        (13, 0x08, None),  # a number has no name
    ],
)
def test_the_assignment_of_the_bit(
    driver: tuple[CodeType, dict[str, object]], line: int, bits: int, assigned: int | None
) -> None:
    """The name on a line that stands for the bit leads to the line that gives it its value."""
    code, names = driver
    place = place_of_constant(code, line, names, bits)
    assert place == (None if assigned is None else (code.co_filename, assigned))


def test_a_source_that_is_gone(driver: tuple[CodeType, dict[str, object]]) -> None:
    """Without the source there is no line to name, and no error either."""
    code, names = driver
    Path(code.co_filename).unlink()
    assert place_of_constant(code, 9, names, 0x08) is None


def test_names_are_those_of_the_line(driver: tuple[CodeType, dict[str, object]]) -> None:
    """Only what the line itself loads counts."""
    code, _ = driver
    assert "PARITY" in names_on(code, 9)
    assert "FRAMING" not in names_on(code, 9)
