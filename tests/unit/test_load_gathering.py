"""Nothing hides a flaw: whatever else is wrong with an input, each flaw is told.

The one idea: one sound scenario and a list of slips, each with a line of its own. Every slip alone
gives its messages, and any two of them together give the messages of both.
"""

from __future__ import annotations

from functools import cache
from itertools import combinations
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.scenario.file_kind import kind_of_file
from emu.scenario.load import load_scenario, parse_board, parse_scenario
from emu.scenario.source import Notes, compose

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
SOUND = """scenario: a night on the quay
seed: 3
port: telemetry
line: 115200 8N1
driver: ../drivers_example/polled.py:PolledDriver
far_end:
  kind: port
  port: console
  driver: ../drivers_example/polled.py:PolledDriver
do:
  - open
  - send: tide
    by: far
  - line: 9600 8N1
  - drain
faults:
  - kind: stuck-field
    target: telemetry.LSR.THRE
    value: 0
expect:
  errors: {overrun: 0}
limits: {time: 1 s}
board:
  cpu: {clock: 50 MHz}
  devices:
    telemetry:
      kind: uart16550
      at: 0x1000
      irq: 5
    console:
      kind: uart16550
      at: 0x2000
      irq: 6
  interrupts:
    5: {priority: 2}
    6: {priority: 1}
"""
SLIPS = {
    "unknown key": ("seed: 3", "seeds: 3"),
    "no such port": ("port: telemetry", "port: telemtry"),
    "bad line": ("line: 115200 8N1", "line: 115200 8X1"),
    "no such class": ("driver: ../drivers_example/polled.py:PolledDriver\nfar",
                      "driver: ../drivers_example/polled.py:PoledDriver\nfar"),
    "no such far driver": ("  driver: ../drivers_example/polled.py", "  driver: ../polled.py"),
    "no such far port": ("  port: console", "  port: consol"),
    "step without a colon": ("- open", "- open: now"),
    "unknown option of a step": ("    by: far", "    bye: far"),
    "baud rate that cannot be made": ("- line: 9600 8N1", "- line: 92160 8N1"),
    "no such step": ("- drain", "- drian"),
    "no such field": ("LSR.THRE", "LSR.THRR"),
    "value of a fault left out": ("    value: 0\n", ""),
    "unknown counter": ("{overrun: 0}", "{overran: 0}"),
    "bad unit": ("{time: 1 s}", "{time: 1 sec}"),
    "unknown key of the board": ("{clock: 50 MHz}", "{clok: 50 MHz}"),
    "misaligned address": ("      at: 0x1000", "      at: 0x1000\n      stride: 3"),
    "overlap": ("at: 0x2000", "at: 0x1004"),
    "no such interrupt": ("6: {priority: 1}", "7: {priority: 1}"),
}  # fmt: skip
DEPENDENT = {  # the second cannot be told, or reads otherwise, while the first is there
    ("no such port", "no such far port"), ("bad line", "baud rate that cannot be made"),
    ("no such port", "baud rate that cannot be made"),
    ("no such field", "value of a fault left out"),
    ("misaligned address", "overlap"),
}  # fmt: skip


@cache
def messages(*slips: str) -> frozenset[str]:
    """Return what is said of the scenario with some slips in it, without places."""
    text = SOUND
    for old, new in (SLIPS[one] for one in slips):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    try:
        parse_scenario(text, path="night.yaml", folder=FIXTURES)
    except InputError as error:
        flaws = error.flaws
    else:
        flaws = []
    assert all(flaw.line and flaw.column for flaw in flaws)
    return frozenset(f"{flaw.what}; {flaw.fix}" for flaw in flaws)


def test_the_scenario_is_sound() -> None:
    """Without a slip there is nothing to say."""
    assert messages() == frozenset()


@pytest.mark.parametrize("slip", SLIPS)
def test_one_slip_is_one_flaw(slip: str) -> None:
    """A slip is told once, and nothing that only follows from it."""
    assert len(messages(slip)) == 1


@pytest.mark.parametrize("slip", SLIPS)
def test_no_slip_hides_another(slip: str) -> None:
    """Beside any other slip each is told as it is alone."""
    for pair in combinations(SLIPS, 2):
        if slip == pair[0] and pair not in DEPENDENT:
            assert messages(*pair) == messages(pair[0]) | messages(pair[1]), pair


def test_all_slips_at_once() -> None:
    """A file with everything wrong has at least as many flaws as slips that are independent."""
    assert len(messages(*SLIPS)) >= len(SLIPS) - len(DEPENDENT)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("devices: {}", "a board"),
        ("cpu: {clock: 1 MHz}", "a board"),
        ("scenario: x", "a scenario"),
        ("do: [open]", "a scenario"),
        ("{scenario: x, devices: {}}", "a scenario"),
        ("[{kind: noise}]", "a fault plan"),
        ("[open]", ""),
        ("line: 9600 8N1", "a scenario"),
        ("{line: 9600 8N1, cpu: {}}", "a board"),
        ("name: x", ""),
        ("x", ""),
    ],
)
def test_kinds_of_files(text: str, kind: str) -> None:
    """A file is known by the keys that only its kind has; without any nothing is claimed."""
    assert kind_of_file(compose(text, Notes("a.yaml", Path()))) == kind


def test_a_board_is_no_scenario() -> None:
    """A file of another kind is told as what it is, in one flaw with what takes it."""
    board, plan = FIXTURES / "tide_gauge.yaml", FIXTURES / "faults" / "storm.yaml"
    for read, path, said in (
        (load_scenario, board, f"this is a board, not a scenario; 'emu map {board}' prints it"),
        (load_scenario, plan, "this is a fault plan, not a scenario; a scenario names it under f"),
    ):
        with pytest.raises(InputError, match="this is") as refused:
            read(path)
        (flaw,) = refused.value.flaws
        assert said in str(flaw)
    with pytest.raises(InputError, match=r"this is a scenario, not a board; 'emu run night\.yaml'"):
        parse_board("scenario: x\nboard: y.yaml\n", path="night.yaml")
