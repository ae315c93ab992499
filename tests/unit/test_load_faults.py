"""Faults of a scenario are read by what their kinds declare, and judged against its board."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.faults.plan import FaultSpec, When
from emu.scenario.load import load_scenario, parse_scenario

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
HEAD = "scenario: x\nboard: tide_gauge.yaml\nport: telemetry\nfaults:\n"
MS = 10**9


def faults(text: str) -> tuple[FaultSpec, ...]:
    """Return the faults that a list describes."""
    return parse_scenario(HEAD + text, path="storm.yaml", folder=FIXTURES).faults.faults


def flaws_of(text: str) -> list[str]:
    """Return the messages with which a list of faults is refused."""
    with pytest.raises(InputError) as caught:
        faults(text)
    return [str(flaw) for flaw in caught.value.flaws]


def test_every_key_arrives() -> None:
    """Where, when, how often and the kind's own parameters are read in the units of the plan."""
    assert faults(
        """  - kind: stuck-field
    target: telemetry.LSR.THRE
    value: 1
    from: 1 ms
    until: 2 ms
    first: 3
    count: 4
    probability: 1/8
"""
    ) == (
        FaultSpec(
            "stuck-field",
            "telemetry.LSR.THRE",
            When(MS, 2 * MS, 3, 4, Fraction(1, 8)),
            {"value": 1},
            row=5,
        ),
    )


def test_defaults_are_those_of_the_plan() -> None:
    """A fault that says nothing of when acts always."""
    assert faults("  - {kind: overrun, target: telemetry}\n") == (
        FaultSpec("overrun", "telemetry", row=5),
    )


def test_plan_in_a_file_of_its_own() -> None:
    """A path stands for the faults in that file, in its order."""
    found = load_scenario(FIXTURES / "storm.yaml").faults

    assert [one.kind for one in found] == ["noise", "flip-on-read", "lost-interrupt"]


@pytest.mark.parametrize(
    ("text", "flaw"),
    [
        ("  - {kind: overun, target: telemetry}", "did you mean 'overrun'?"),
        ("  - {kind: overrun, target: telemetrie}", "did you mean 'telemetry'?"),
        ("  - {kind: overrun}", "without 'target'"),
        ("  - {kind: overrun, target: telemetry.LSR}", "allowed: DEVICE"),
        ("  - {kind: overrun, target: telemetry, value: 3}", "unknown key 'value'"),
        ("  - {kind: stuck-field, target: telemetry.LSR.THRE}", "without 'value'"),
        ("  - {kind: stuck-field, target: telemetry.LSR.THRE, value: 2}", "allowed: 0 to 0x1"),
        ("  - {kind: overrun, target: telemetry, probability: 0}", "not above zero"),
        ("  - {kind: overrun, target: telemetry, count: 0}", "out of range"),
        ("  - {kind: overrun, target: telemetry, until: 0}", "ends before it begins"),
        ("  - overrun", "a mapping with the key kind"),
    ],
)
def test_one_flaw_each(text: str, flaw: str) -> None:
    """What is wrong with a fault is told once, with what is allowed or meant."""
    [found] = flaws_of(text)

    assert found.startswith("storm.yaml:5:")
    assert flaw in found


def test_flaws_of_all_faults_come_together() -> None:
    """A flaw in one fault does not hide that of the next."""
    assert len(flaws_of("  - {kind: overun, target: x}\n  - {kind: overrun, target: x}\n")) == 2


def test_plan_file_that_is_not_there() -> None:
    """A missing plan is told at the path, with the file that may have been meant."""
    with pytest.raises(InputError, match=r"did you mean 'storm\.yaml'"):
        parse_scenario(HEAD.replace("faults:\n", "faults: faults/strom.yaml\n"), folder=FIXTURES)
