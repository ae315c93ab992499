"""The steps of a scenario: what each asks of a driver, how it is noted, and that none goes on."""

from __future__ import annotations

from fractions import Fraction

import pytest

from emu import LineSettings
from emu.faults.plan import FaultPlan, FaultSpec, When
from emu.line.plan import BreakPlan, FarEndPlan
from emu.scenario.model import NEVER_PS, Leftovers, Limits, Step
from emu.scenario.whole_steps import whole_steps
from tests.driven_run import MS, PolledDriver, broken, outcome_of, prepared


def texts(driver: type, *steps: Step, **changes: object) -> list[tuple[str, str]]:
    """Run and return action and text of each step."""
    return [(one.action, one.text) for one in outcome_of(driver, *steps, **changes).steps]


@pytest.mark.parametrize(
    ("step", "far_end", "text"),
    [
        (Step("send", data=b"tide"), "sink", "4 of 4 bytes accepted"),
        (Step("send"), "sink", "0 of 0 bytes accepted"),
        (Step("send", data=b"tide", chunk=3), "sink", "4 of 4 bytes accepted"),
        (Step("receive", count=2), "sink", "0 of 2 bytes"),
        (Step("receive"), "sink", "0 bytes"),
        (Step("exchange", data=b"tide", count=4), "echo", "4 of 4 bytes accepted, 4 of 4 received"),
        (Step("exchange", data=b"tide", count=0), "sink", "4 of 4 bytes accepted, 0 of 0 received"),
        (Step("exchange", data=b"ti", count=4), "echo", "2 of 2 bytes accepted, 2 of 4 received"),
        (Step("echo", count=2), "sink", "0 of 2 bytes received, 0 given back"),
        (Step("drain"), "sink", "the driver says: idle"),
        (Step("wait", duration_ps=3 * MS), "sink", "away for 3 ms"),
        (Step("work", cycles=1000), "sink", "1000 cycles"),
        (Step("reopen"), "sink", "telemetry at 115200 8N1"),
        (Step("reopen", line=LineSettings(9600)), "sink", "telemetry at 9600 8N1"),
        (Step("line", line=LineSettings(9600, 7)), "sink", "9600 7N1"),
        (Step("open"), "sink", "telemetry at 115200 8N1"),
        (Step("close"), "sink", "telemetry"),
        (Step("close", how="now"), "sink", "telemetry"),
        (Step("leftovers"), "sink", "registers as they were, 0 unread"),
        (Step("leftovers", leftovers=Leftovers({"IER": 15}, b"y\r")), "sink", "IER 0x0f, 2 unread"),
        (Step("drain", timeout_ps=NEVER_PS), "sink", "the driver says: idle"),
    ],
)
def test_each_step_is_noted(step: Step, far_end: str, text: str) -> None:
    """Every action says in a few words how it went, and a good driver is clean in each."""
    outcome = outcome_of(PolledDriver, step, far_end=far_end)
    assert text in [one.text for one in outcome.steps if one.action == step.action]
    assert outcome.clean


def test_receive_takes_what_a_source_sends() -> None:
    """Receiving everything ends when the far end has fallen silent, its pauses waited for."""
    plan = FarEndPlan(kind="source", data=bytes(range(60)), burst_bytes=20, pause_ps=30 * MS)
    outcome = outcome_of(PolledDriver, Step("receive"), far_end=plan)
    assert outcome.steps[1].text == "60 bytes"
    assert outcome.clean


def test_receive_waits_for_a_break_to_come() -> None:
    """A break that is still to come is waited for, as it brings a character."""
    plan = FarEndPlan(kind="source", data=b"t", breaks=(BreakPlan(20 * MS, 1 * MS),))
    outcome = outcome_of(PolledDriver, Step("receive"), far_end=plan)
    assert outcome.errors["breaks"] == 1
    assert outcome.clean


def test_echo_gives_back() -> None:
    """The driver's user can be the one who echoes."""
    plan = FarEndPlan(kind="source", data=b"tide")
    run = prepared(PolledDriver, Step("echo", count=4), far_end=plan)
    outcome = run.outcome()
    assert outcome.steps[1].text == "4 of 4 bytes received, 4 given back"
    assert outcome.measures.bytes_sent == 4


def test_a_step_cut_off_says_so() -> None:
    """A step in which the run ended is noted as one that did not finish."""

    class Fails(PolledDriver):
        def write(self, data: bytes, timeout: float | None = None) -> int:
            raise ValueError(data)

    assert texts(Fails, Step("send", data=b"tide"))[-1] == ("send", "did not finish")


@pytest.mark.parametrize(
    ("steps", "whole"),
    [
        ((), ["open", "close"]),
        (("send",), ["open", "send", "close"]),
        (("open", "send"), ["open", "send", "close"]),
        (("send", "close"), ["open", "send", "close"]),
        (("open", "close", "open"), ["open", "close", "open", "close"]),
        (("wait", "open"), ["wait", "open", "close"]),
        (("wait", "send"), ["open", "wait", "send", "close"]),
        (("leftovers",), ["leftovers", "open", "close"]),
        (("leftovers", "wait", "send"), ["leftovers", "open", "wait", "send", "close"]),
        (
            ("wait", "leftovers", "leftovers", "open"),
            ["wait", "leftovers", "leftovers", "open", "close"],
        ),
        (
            ("wait", "leftovers", "wait", "send"),
            ["wait", "leftovers", "open", "wait", "send", "close"],
        ),
    ],
)
def test_open_and_close_are_added(steps: tuple[str, ...], whole: list[str]) -> None:
    """Steps begin with open and end with close, put there where they are missing."""
    scenario = prepared(PolledDriver, *(Step(one) for one in steps)).scenario
    assert [one.action for one in whole_steps(scenario, ("telemetry",))] == whole


def test_a_close_again_comes_before_open_when_it_is_first() -> None:
    """A close that is asked of a closed port is not preceded by an open, and needs none after."""
    steps = (
        Step("close", how="again"),
        Step("send", data=b"t"),
        Step("close"),
        Step("close", how="again"),
    )
    scenario = prepared(PolledDriver, *steps).scenario
    found = [(one.action, one.how) for one in whole_steps(scenario, ("telemetry",))]
    assert found == [
        ("close", "again"),
        ("open", ""),
        ("send", ""),
        ("close", ""),
        ("close", "again"),
    ]
    outcome = outcome_of(PolledDriver, *steps)
    assert outcome.clean
    assert outcome.steps[0].text == "telemetry, which was closed already"


def test_recovery_is_tried_before_the_last_close_that_closes() -> None:
    """A close that finds the port closed does not keep the check of recovery from being made."""
    fault = FaultSpec("spurious-interrupt", "telemetry.irq", When(0, MS, 1, 1, Fraction(1)))
    steps = (
        Step("send", data=b"tide"),
        Step("wait", duration_ps=5 * MS),
        Step("close"),
        Step("close", how="again"),
    )
    outcome = outcome_of(PolledDriver, *steps, faults=FaultPlan((fault,)))
    assert outcome.clean
    assert [one.action for one in outcome.steps][-3:] == ["recovery", "close", "close"]


def test_the_far_port_is_opened_first() -> None:
    """A port at the far end of a cable is there when the driver speaks, and closes last."""
    scenario = prepared(PolledDriver, Step("send", data=b"t")).scenario
    found = [(one.action, one.by) for one in whole_steps(scenario, ("telemetry", "console"))]
    assert found == [
        ("open", "console"), ("open", ""), ("send", ""), ("close", ""), ("close", "console")
    ]  # fmt: skip


def test_what_is_left_is_read_before_every_close() -> None:
    """What a step did not ask for is read before the port closes, in every session."""

    class LosesLater(PolledDriver):
        sessions = 0

        def open(self, line: LineSettings) -> None:
            super().open(line)
            self.sessions += 1

        def read(self, size: int, timeout: float | None = None) -> bytes:
            data = super().read(size, timeout)
            return data[1:] if self.sessions == 2 else data

    talk = (Step("send", data=b"tide"), Step("wait", duration_ps=1 * MS))
    session = (Step("open"), *talk, Step("close"))
    good = outcome_of(PolledDriver, *session, *session)
    assert (good.clean, good.measures.bytes_returned) == (True, 8)
    assert list(broken(outcome_of(LosesLater, *session, *session, *session))) == ["loss"]


def test_close_is_asked_while_bytes_are_going_out() -> None:
    """On a quiet line close comes right after a send, so that its waiting is put to the test."""

    class Hurries(PolledDriver):
        def drain(self, timeout: float | None = None) -> bool:
            return False

    data = Step("send", data=bytes(16))
    assert list(broken(outcome_of(Hurries, data, far_end="sink"))) == ["sent"]


class NoWaiting(PolledDriver):
    """Never wait for anything."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        return super().read(size, 0)

    def write(self, data: bytes, timeout: float | None = None) -> int:
        return super().write(data, 0)


@pytest.mark.parametrize(
    "step",
    [
        Step("exchange", data=bytes(100), count=100),
        Step("send", data=bytes(100)),
        Step("receive", count=10),
        Step("receive"),
    ],
)
def test_a_driver_that_never_waits(step: Step) -> None:
    """A driver whose calls come back at once is given the time that it did not take."""
    outcome = outcome_of(NoWaiting, step)
    assert broken(outcome) == {}
    assert outcome.steps[1].text.startswith(("100 of 100 bytes accepted", "0 "))


def test_time_outs() -> None:
    """A call gets the step's time-out, else the scenario's, else what the wire needs and more."""
    seen: list[float | None] = []

    class Notes(PolledDriver):
        def write(self, data: bytes, timeout: float | None = None) -> int:
            seen.append(timeout)
            return super().write(data, timeout)

    send = Step("send", data=bytes(10))
    outcome_of(Notes, send, Step("send", data=b"t", timeout_ps=5 * MS), far_end="sink")
    outcome_of(Notes, send, far_end="sink", limits=Limits(call_ps=9 * MS))
    assert seen == [pytest.approx(20 * 10 / 115_200 + 0.02), 0.005, 0.009]


def test_no_time_out_is_none() -> None:
    """A step without a time-out hands the driver None, and gives up only by what moves."""
    seen: list[float | None] = []

    class Notes(PolledDriver):
        def write(self, data: bytes, timeout: float | None = None) -> int:
            seen.append(timeout)
            return super().write(data, timeout) if len(seen) > 1 else 0

    outcome = outcome_of(Notes, Step("send", data=b"t", timeout_ps=NEVER_PS), far_end="sink")
    assert seen == [None, None]
    assert outcome.clean


def test_chunks() -> None:
    """A chunk is the most that one call is handed."""
    sizes = []

    class Notes(PolledDriver):
        def write(self, data: bytes, timeout: float | None = None) -> int:
            sizes.append(len(data))
            return super().write(data, timeout)

    outcome_of(Notes, Step("send", data=bytes(10), chunk=4), far_end="sink")
    assert sizes == [4, 4, 2]
