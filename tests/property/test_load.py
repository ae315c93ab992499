"""Whatever stands in a file, reading it ends in a model or in an `InputError`, never otherwise."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.errors import Flaw, InputError
from emu.scenario.build import build_board
from emu.scenario.load import SCENARIO, parse_board, parse_scenario
from emu.scenario.load_board import BOARD

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
TEXTS = [path.read_text(encoding="utf-8") for path in sorted(FIXTURES.glob("*.yaml"))]
KEYS = sorted(
    {key.name for table in (SCENARIO, BOARD) for key in table.keys}
    | {"kind", "at", "send", "receive", "target", "telemetry", "5", "port"}
)

leaves = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(allow_nan=False),
    st.text(max_size=8),
    st.sampled_from(
        ["115200 8N1", "5 ms", "50 MHz", "echo", "port", "uart16550", "open", "overrun", "all"]
    ),
)
trees = st.recursive(
    leaves,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=6)
    ),
    max_leaves=20,
)


def flaws_of(parse: Callable[[str], object], text: str) -> list[Flaw]:
    """Return what is wrong with a text, nothing when it is good."""
    try:
        parse(text)
    except InputError as error:
        return error.flaws or [Flaw("", 0, 0, "")]
    return []


def read(text: str) -> None:
    """Read a text as a scenario and as a board; only an `InputError` may come of it."""
    for parse in (parse_scenario, parse_board):
        found = flaws_of(partial(parse, folder=FIXTURES), text)
        assert all(flaw.what for flaw in found)


@given(st.text(max_size=200))
def test_any_text(text: str) -> None:
    """Any text at all is answered, and never with another exception."""
    read(text)


@pytest.mark.slow
@given(st.dictionaries(st.sampled_from(KEYS), trees, max_size=8))
@settings(max_examples=50)
def test_any_tree_of_known_keys(tree: dict[str, Any]) -> None:
    """Known keys with whatever beneath them are answered."""
    read(yaml.safe_dump(tree))


@pytest.mark.slow
@given(st.sampled_from(TEXTS), st.data())
@settings(max_examples=50)
def test_a_good_file_with_one_line_changed(text: str, data: st.DataObject) -> None:
    """A good file with a line left out, doubled or replaced is answered."""
    lines = text.splitlines()
    at = data.draw(st.integers(0, len(lines) - 1))
    line = data.draw(st.sampled_from([[], [lines[at]] * 2, [lines[at].replace(":", "")], ["x: 1"]]))
    read("\n".join([*lines[:at], *line, *lines[at + 1 :]]))


@pytest.mark.slow
@given(st.sampled_from(TEXTS), st.data())
@settings(max_examples=50)
def test_a_good_file_cut_short(text: str, data: st.DataObject) -> None:
    """A good file that ends in the middle is answered."""
    read(text[: data.draw(st.integers(0, len(text)))])


@pytest.mark.slow
@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.sampled_from(["ram", "uart16550"]), st.integers(0, 3)),
        min_size=1,
        max_size=5,
    )
)
def test_a_board_that_is_read_can_be_built(devices: list[tuple[int, str, int]]) -> None:
    """What the loader accepts the bench can build and power on, and what it refuses overlaps."""
    lines = [
        f"  d{number}: {{kind: {kind}, at: {16 * at}{f', irq: {irq}' if irq else ''}"
        f"{', size: 32' if kind == 'ram' else ''}}}"
        for number, (at, kind, irq) in enumerate(devices)
    ]
    shared = {irq: {"shared": True} for _, _, irq in devices if irq}
    text = "devices:\n" + "\n".join(lines) + "\n" + yaml.safe_dump({"interrupts": shared})
    found = flaws_of(parse_board, text)
    assert all("overlaps" in flaw.what for flaw in found)
    if not found:
        build_board(parse_board(text)).power_on()


@pytest.mark.parametrize("text", TEXTS)
def test_good_files_have_no_flaw(text: str) -> None:
    """The unchanged files of the property tests are good."""
    parse = parse_scenario if text.find("\nscenario:") >= 0 else parse_board
    assert parse(text, folder=FIXTURES)
