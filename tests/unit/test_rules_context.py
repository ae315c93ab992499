"""Suspicions wait until the call or handler that they are about is over."""

from __future__ import annotations

import pytest

from emu.errors import RunEnded
from emu.kernel.board import Board, LineRules
from emu.rules.context import Context
from emu.rules.finding import Findings


@pytest.fixture
def board() -> Board:
    """Return a board whose interrupt 9 is raised by software."""
    board = Board()
    board.interrupt(9, LineRules(software=True))
    board.power_on()
    return board


@pytest.fixture
def findings(board: Board) -> Findings:
    """Return where findings go."""
    return Findings(board.clock)


@pytest.fixture
def context(board: Board, findings: Findings) -> Context:
    """Return the stack of activations."""
    return Context(board.cpu, findings)


def names(findings: Findings) -> list[str]:
    """Return the rules that were found broken."""
    return [one.rule for one in findings.all()]


def test_a_suspicion_waits_for_the_end_of_the_call(context: Context, findings: Findings) -> None:
    """Nothing is reported while the call runs, everything once it has returned."""
    context.call_begins("read", "gauge")
    context.hold("read-when-empty", "read of nothing")
    assert names(findings) == []

    context.call_ends("read", "gauge")
    assert names(findings) == ["read-when-empty"]


def test_an_excuse_that_turns_up_later_counts(context: Context, findings: Findings) -> None:
    """What the driver does after a suspicious access can explain it."""
    context.call_begins("read", "gauge")
    here = context.here()
    context.hold("read-when-empty", "read of nothing", excused=lambda: here.troubled)
    here.configured = True

    context.call_ends("read", "gauge")

    assert names(findings) == []


def test_a_call_that_never_returns_is_not_judged(context: Context, findings: Findings) -> None:
    """A run that was cut off proves nothing about what would have come."""
    context.call_begins("read", "gauge")
    context.hold("read-when-empty", "read of nothing")

    context.finish()

    assert names(findings) == []
    assert context.nobody


def test_a_suspicion_in_a_handler_is_judged_when_the_handler_returns(
    board: Board, context: Context, findings: Findings
) -> None:
    """A handler is an activation of its own, with a port of nobody's and the mark of its call."""
    seen = []

    def handler() -> None:
        here = context.here()
        seen.append((here.name, here.setting_up))
        context.hold("slow-handler", "long")

    board.cpu.connect(9, handler)
    context.call_begins("open", "gauge")
    board.cpu.raise_interrupt(9)

    assert seen == [("handler", True)]
    assert names(findings) == ["slow-handler"]
    assert context.here().name == "open"


def test_a_handler_that_raised_is_not_taken_for_running(board: Board, context: Context) -> None:
    """After an exception out of a handler the interrupted call is the one that runs."""

    def handler() -> None:
        raise ValueError("the float is stuck")

    board.cpu.connect(9, handler)
    context.call_begins("read", "gauge")
    with pytest.raises(ValueError, match="stuck"):
        board.cpu.raise_interrupt(9)

    assert context.here().name == "read"


def test_a_call_in_a_call_is_judged_by_itself(context: Context, findings: Findings) -> None:
    """A higher-priority caller may enter the driver; each call ends on its own."""
    context.call_begins("write", "gauge")
    context.hold("write-when-full", "outer")
    context.call_begins("close", "gauge")
    context.hold("break-left-on", "inner")

    context.call_ends("close", "gauge")
    assert names(findings) == ["break-left-on"]

    context.call_ends("write", "gauge")
    assert names(findings) == ["break-left-on", "write-when-full"]


def test_an_end_without_a_beginning_is_let_pass(context: Context) -> None:
    """A call that was never announced ends nothing."""
    assert context.call_ends("read", "gauge") is None


def test_a_call_that_was_cut_off_is_not_judged(
    board: Board, context: Context, findings: Findings
) -> None:
    """What ends the run, or resets the board, ends a call that proves nothing."""
    context.call_begins("write", "gauge")
    context.hold("write-when-full", "outer")
    with pytest.raises(RunEnded):
        board.reset("dog bit")

    assert context.call_ends("write", "gauge") is None
    assert (context.here().name, names(findings)) == ("", [])
