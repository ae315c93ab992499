"""What happens between the calls of a driver is judged too: handlers that raise, late arrivals."""

from __future__ import annotations

import sys
from fractions import Fraction

import pytest

from drivers_example.interrupt_driven import InterruptDriver
from emu.faults.plan import FaultPlan, FaultSpec, When
from emu.line.plan import FarEndPlan
from emu.scenario.model import Step
from emu.units import LineSettings
from tests.driven_run import MS, broken, outcome_of, rules_of

READINGS = FarEndPlan(kind="source", data=b"tide 3.21 m\r\n" * 4, start_ps=MS // 10)


class Raises(InterruptDriver):
    """Fail in the handler, in one of several ways."""

    error: type[BaseException] = IndexError

    def _handle_interrupt(self) -> None:
        """Raise."""
        raise self.error("out of rings")


def deeper() -> None:
    """Recurse without end."""
    deeper()


class Recurses(InterruptDriver):
    """Recurse in the handler."""

    def _handle_interrupt(self) -> None:
        """Recurse."""
        deeper()


@pytest.mark.parametrize(
    ("error", "rule"),
    [(IndexError, "driver-raised"), (SystemExit, "driver-exited"), (MemoryError, "driver-raised")],
)
def test_a_handler_that_raises_while_the_program_is_away(
    error: type[BaseException], rule: str
) -> None:
    """A handler that raises between two calls gets its finding at its own line."""
    driver = type("Raises", (Raises,), {"error": error})
    outcome = outcome_of(driver, Step("open"), Step("wait", duration_ps=3 * MS), far_end=READINGS)
    assert rules_of(outcome) == [rule]
    assert outcome.findings[0].file == __file__
    assert outcome.findings[0].line


def test_a_handler_that_recurses_while_the_program_is_away() -> None:
    """Endless recursion in a handler is a verdict, not a crash of the bench."""
    assert sys.getrecursionlimit() < 100_000
    outcome = outcome_of(Recurses, Step("open"), Step("wait", duration_ps=3 * MS), far_end=READINGS)
    assert rules_of(outcome) == ["driver-raised"]
    assert "RecursionError" in outcome.findings[0].message


class Relies(InterruptDriver):
    """Rely on trigger level and character time-out alone: never look by hand."""

    def _check_up(self) -> None:
        """Trust the device."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Give what the handler has put by, and sleep if there is nothing."""
        with self._cpu.interrupts_masked():
            if not self._received and timeout:
                self._cpu.wait_for_interrupt(timeout)
        return self._take(size)


def test_characters_that_the_device_has_not_told_of_are_not_lost() -> None:
    """Characters less than four character times apart put the time-out off: none is missing yet."""
    spaced = FarEndPlan(kind="source", data=bytes(range(40)), start_ps=MS, gap_ps=MS // 4)
    outcome = outcome_of(
        Relies, Step("open"), Step("wait", duration_ps=2 * MS), Step("close"), far_end=spaced
    )
    assert outcome.clean, (broken(outcome), rules_of(outcome))


def test_recovery_waits_for_a_far_end_that_takes_its_time() -> None:
    """A far end that leaves 10 ms between characters is waited for."""
    fault = FaultSpec("spurious-interrupt", "telemetry.irq", When(MS, 2 * MS, 1, 1, Fraction(1)))
    outcome = outcome_of(
        InterruptDriver, Step("open"), Step("wait", duration_ps=5 * MS), Step("close"),
        far_end=FarEndPlan(kind="sink", gap_ps=10 * MS), faults=FaultPlan((fault,)),
        line=LineSettings(115_200),
    )  # fmt: skip
    assert outcome.clean, broken(outcome)
    assert "recovery" in [one.action for one in outcome.steps]


class Counts(InterruptDriver):
    """Bound a wait by a count of looks, as drivers without a clock do."""

    def drain(self, timeout: float | None = None) -> bool:
        """Look 20,000 times at a bit that does not come, with a little work in between."""
        for _ in range(20_000):
            if self._io.read8(6 * self._io.stride) & 0x40:
                break
            self._cpu.work(40)
        return super().drain(timeout)


def test_a_wait_bounded_by_a_count_is_no_endless_poll() -> None:
    """A call has a bound of its own; within it a long look at one register is no dead end."""
    step = Step("drain", timeout_ps=100 * MS)
    assert rules_of(outcome_of(Counts, step, far_end="sink")) == []
