"""A drain that gives up: when another look was owed, and who is right to give up.

The one idea: only a look that is newer than the time that was read counts.
"""

from __future__ import annotations

import pytest

from emu.rules.finding import Finding
from tests.quality.snippets.bench import LINE, LSR, MCR, Bench
from tests.quality.snippets.flow import hand_over


class Drainer:
    """A driver that has written four characters and drains step by step."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        bench.open()
        bench.call("write", lambda: hand_over(bench, b"neap"))

    def drain(self, *steps: str, result: bool = False) -> list[Finding]:
        """Take `steps`: ``look``, ``time``, or a number of characters to sleep."""
        bench = self.bench

        def drain() -> bool:
            for step in steps:
                if step == "look":
                    bench.io.read8(LSR)
                elif step == "time":
                    bench.cpu.time()
                else:
                    bench.wait(float(step))
            return result

        bench.call("drain", drain)
        return bench.findings.all()


@pytest.fixture
def driver() -> Drainer:
    """Return a driver with something under way."""
    return Drainer(Bench())


def test_giving_up_by_an_old_look_is_told(driver: Drainer) -> None:
    """The time was read after the line had fallen idle, and nobody looked again."""
    (found,) = driver.drain("time", "look", "8", "time")

    assert found.rule == "verdict-without-look"
    assert "the line had been idle for" in found.message


@pytest.mark.parametrize(
    "steps",
    [
        ("look", "8", "time", "look"),
        ("look", "2", "time"),
        ("look", "2", "time", "8"),
        ("look", "4.5", "time"),
        ("look", "8", "look", "time"),
    ],
    ids=["looks again", "still busy", "falls idle later", "only just idle", "was shown it"],
)
def test_a_verdict_that_was_right_is_let_pass(driver: Drainer, steps: tuple[str, ...]) -> None:
    """Whoever looked after the time, or whose line was busy then, is not accused."""
    assert driver.drain(*steps) == []


def test_true_is_no_giving_up(driver: Drainer) -> None:
    """A drain that says True is judged by others."""
    assert driver.drain("look", "8", "time", result=True) == []


def test_after_a_fault_nothing_is_told(driver: Drainer) -> None:
    """A fault may have given a reason to give up."""
    driver.bench.calm = False

    assert driver.drain("look", "8", "time") == []


def test_what_is_still_queued_is_a_reason(driver: Drainer) -> None:
    """A driver that has accepted more than it has handed over is right to give up."""
    driver.bench.accepted = 5

    assert driver.drain("look", "8", "time") == []


def test_in_loopback_nothing_is_told(driver: Drainer) -> None:
    """In loopback the line is not what is waited for."""
    driver.bench.wait(8)
    driver.bench.call("read", lambda: driver.bench.io.write8(MCR, 0x1B))

    assert driver.drain("8", "time") == []


def test_the_clock_is_not_followed_after_drain(driver: Drainer) -> None:
    """Outside drain reading the time costs what it did before."""
    driver.drain("look", "8", "time", "look")

    assert driver.bench.cpu.on_time == []
    driver.bench.call("read", lambda: driver.bench.cpu.sleep(LINE.character_s))
    assert driver.bench.cpu.on_time == []
