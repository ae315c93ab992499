"""A sizing file is read with its units, and every flaw is told at its line and column."""

from __future__ import annotations

from pathlib import Path

import pytest

from emu.errors import InputError
from emu.kernel.board import CpuSettings
from emu.sizing.load import load_workload, parse_workload
from emu.sizing.workload import Dma, Masked, Neighbour, Traffic, Workload
from emu.units import LineSettings

WHOLE = """
clock: 16 MHz
access: 6
entry: 12 cycles
exit: 9
time: 4
nesting: true
line: 38400 8E1
traffic: {pattern: bursty, use: 25 %, burst: 20}
fifo: 64
triggers: [32, 16]
others:
  - {every: 1 ms, handler: 90}
  - {every: 50 us, handler: 20, above: false, jitter: 3 us}
masked: {longest: 40 us, every: 2 ms}
moderation: 1 ms
dma: {block: 32, accesses: 4}
compute: 700
"""


def test_everything_can_be_said() -> None:
    """Each key means what it says."""
    assert parse_workload(WHOLE) == Workload(
        cpu=CpuSettings(16_000_000, 12, 9, 4, nesting=True),
        access_cycles=6,
        line=LineSettings(38_400, parity="even"),
        traffic=Traffic("bursty", 0.25, 20),
        fifo=64,
        triggers=(16, 32),
        others=(Neighbour(10**9, 90), Neighbour(50 * 10**6, 20, above=False, jitter_ps=3 * 10**6)),
        masked=Masked(40 * 10**6, 2 * 10**9),
        moderation_ps=10**9,
        dma=Dma(32, 4),
        compute_cycles=700,
    )


def test_what_is_left_out_has_its_default() -> None:
    """A file with one key changes one thing; no other interrupts can be asked for."""
    assert parse_workload("fifo: 1\n") == Workload(fifo=1)
    assert parse_workload("others: []\n").others == ()


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("clock: 50 MHzz", "1:8", "did you mean 'MHz'?"),
        ("fifo: 16\nfifi: 3", "2:1", "did you mean 'fifo'?"),
        ("others: [{every: 1 ms}]", "1:10", "without 'handler'"),
        ("traffic: {use: 200 %}", "1:16", "out of range"),
        ("traffic: {pattern: even}", "1:20", "allowed: steady, bursty, random"),
        ("masked: {longest: 3}", "1:19", "the unit is missing"),
        ("fifo: 0", "1:7", "allowed: 1 to 65536"),
        ("line: 9600 8X1", "1:7", "unknown parity 'X'"),
        ("fifo: 16\ntriggers: 20", "2:11", "a trigger of 20 in a FIFO of 16"),
        ("masked: {longest: 3 ms, every: 2 ms}", "1:9", "follow one another without a pause"),
        ("others: [{every: 1 ms, handler: 60000}]", "1:9", "take 120 % of the processor"),
        ("access: 0", "1:9", "an access that takes no time"),
        ("scenario: a\nline: 9600", "1:1", "this is a scenario"),
        ("devices: {}", "1:1", "this is a board"),
        ("- 3", "1:1", "a list where a sizing belongs"),
    ],
)
def test_flaws_are_told_in_place(text: str, place: str, words: str) -> None:
    """A flaw names the file, the line and the column, and what would have been accepted."""
    with pytest.raises(InputError) as caught:
        parse_workload(text + "\n", path="tide.yaml")

    (flaw,) = caught.value.flaws
    assert str(flaw).startswith(f"tide.yaml:{place}: ")
    assert words in str(flaw)


def test_all_flaws_are_told_at_once(tmp_path: Path) -> None:
    """Several flaws of a file come in the order of the file."""
    path = tmp_path / "tide.yaml"
    path.write_text("clock: fast\nline: 9600 8X1\nfifo: many\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_workload(path)

    assert [flaw.line for flaw in caught.value.flaws] == [1, 2, 3]


def test_the_file_of_the_fixtures_can_be_read(root: Path) -> None:
    """The sizing file that comes along describes the tide gauge."""
    assert load_workload(root / "fixtures" / "sizing" / "tide_gauge.yaml").fifo == 16
