"""Drivers with one known mistake each: a good driver, edited in a place that is known.

The one idea: a seeded bug is a few replacements in the text of a good driver, kept as data beside a
story of how somebody came to write it. So the line that a finding must lead to is known, whatever
is changed around it. What a run shows is for whoever uses the seeds; here they are only made.

`STYLES` names the good drivers that the seeds are made of, each in another style.
"""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import msgspec
import yaml

from emu.scenario.load import load_any_board
from emu.scenario.load_checks import driven_devices
from emu.scenario.trade import find_trade
from emu.search.own_board import on_board
from emu.search.suite import Bout, suite

__all__ = [
    "FOLDER",
    "ROOT",
    "STYLES",
    "STYLES_FOLDER",
    "Edit",
    "Seeded",
    "class_of",
    "load_seeded",
    "seeds",
]

ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(__file__).resolve().parent / "seeded"
STYLES_FOLDER = Path(__file__).resolve().parent / "styles"


class Edit(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Replace `old`, which stands in the base exactly once, by `new`."""

    old: str
    new: str


class Seeded(msgspec.Struct, frozen=True, forbid_unknown_fields=True, rename={"family": "class"}):
    """Hold one seeded bug.

    Args:
        name: the file's name without its ending.
        bug: what is wrong, by the name that bugs of its kind go by.
        family: the class of such bugs.
        base: the good driver, as a path from the project's root.
        story: what the developer was thinking.
        edits: what makes the bug out of the base.
        at: text that one line of the edited source contains, or several such texts: what has to
            be changed, or stands next to what is missing.
        words: at least one of them should stand in what leads to the bug.
        shown_by: what it takes to see it, and what was seen.
        scenario: keys of a scenario in which it shows; None if none is known. Board, port, line
            and far end need not be given.
        seen: rules and promises that this scenario brings up; ``unmet`` for an expectation.
        trade: what the driver is tried with; only serial seeds have scenarios of their own.
        board: file of the board that it is tried on, as a path from the project's root; the usual
            one if it is empty.
    """

    bug: str
    family: str
    base: str
    story: str
    edits: list[Edit]
    at: str | list[str]
    words: list[str]
    shown_by: str
    scenario: dict[str, Any] | None = None
    seen: list[str] = []
    trade: str = "serial"
    board: str = ""
    name: str = ""

    @property
    def base_source(self) -> str:
        """The text of the good driver."""
        return (ROOT / self.base).read_text(encoding="utf-8")

    @property
    def source(self) -> str:
        """The text of the driver with the bug.

        Raises:
            ValueError: an edit does not fit the base.
        """
        text = self.base_source
        for edit in self.edits:
            if text.count(edit.old) != 1:
                raise ValueError(f"{self.name}: stands {text.count(edit.old)} times: {edit.old!r}")
            text = text.replace(edit.old, edit.new)
        return text

    @property
    def lines(self) -> list[int]:
        """Numbers of the lines of `source` that the bug is at, from 1.

        Raises:
            ValueError: some text of `at` does not stand in exactly one line.
        """
        return [
            self._line_of(text) for text in ([self.at] if isinstance(self.at, str) else self.at)
        ]

    @property
    def good_driver(self) -> str:
        """The base as drivers are named."""
        return f"{ROOT / self.base}:{class_of(self.base_source)}"

    @property
    def bouts(self) -> list[Bout]:
        """What the driver is tried with."""
        usual = suite(self.trade)
        if not self.board:
            return usual
        model, _ = load_any_board(ROOT / self.board)
        port = next(name for name, one in driven_devices(model).items() if one == self.trade)
        return on_board(usual, model, port)

    @property
    def methods(self) -> tuple[str, ...]:
        """What the driver must have."""
        return find_trade(self.trade).methods

    def write(self, folder: Path) -> str:
        """Write the driver with the bug into `folder` and return its name."""
        path = folder / f"{self.name.replace('-', '_')}.py"
        path.write_text(self.source, encoding="utf-8")
        return f"{path}:{class_of(self.source)}"

    def write_scenario(self, folder: Path) -> Path:
        """Write the scenario in which the bug shows into `folder` and return its path."""
        whole = {
            "scenario": self.name,
            "board": str(ROOT / "fixtures" / "tide_gauge.yaml"),
            "port": "telemetry",
            "driver": self.good_driver,
            "line": "115200 8N1",
            "far_end": "echo",
        } | (self.scenario or {})
        path = folder / f"{self.name}.yaml"
        path.write_text(yaml.safe_dump(whole, sort_keys=False), encoding="utf-8")
        return path

    def _line_of(self, text: str) -> int:
        found = [number for number, line in enumerate(self.source.splitlines(), 1) if text in line]
        if len(found) != 1:
            raise ValueError(f"{self.name}: stands in lines {found}: {text!r}")
        return found[0]


def class_of(source: str) -> str:
    """Return the name of the one class of a driver's module."""
    (found,) = (node.name for node in ast.parse(source).body if isinstance(node, ast.ClassDef))
    return found


def load_seeded(path: Path) -> Seeded:
    """Read one seeded bug.

    Raises:
        msgspec.ValidationError: a key is missing, unknown or of the wrong type.
    """
    data = yaml.safe_load(path.read_text(encoding="utf-8"))
    return msgspec.convert({**data, "name": path.stem}, Seeded)


def seeds() -> list[Seeded]:
    """Read all seeded bugs, in the order of their names."""
    return [load_seeded(path) for path in sorted(FOLDER.glob("*.yaml"))]


STYLES = {
    path.stem: f"{path}:{class_of(path.read_text(encoding='utf-8'))}"
    for path in sorted(STYLES_FOLDER.glob("*.py"))
}
