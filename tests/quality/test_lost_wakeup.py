"""A driver that sleeps through its interrupt is told so, and one that does not is left alone."""

from __future__ import annotations

import pytest

from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.polled import PolledDriver
from emu.line.plan import FarEndPlan
from emu.scenario.model import Step
from tests.driven_run import MS, broken, outcome_of

BURST = FarEndPlan(kind="source", data=b"tide 321", start_ps=MS)


class Sleeper(InterruptDriver):
    """Test first and sleep afterwards, with the whole time-out in between: a lost wake-up."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Sleep until the time-out whatever comes meanwhile."""
        part = super().read(size, 0)
        if len(part) == size:
            return part
        self._cpu.sleep(timeout or 0)
        return part + super().read(size - len(part), 0)


def test_sleeping_through_the_interrupt_breaks_time() -> None:
    """Bytes that lie there for most of a time-out before read returns them were slept through."""
    outcome = outcome_of(Sleeper, Step("receive", count=8, timeout_ps=50 * MS), far_end=BURST)
    assert list(broken(outcome)) == ["time"]
    assert "read returned only when its time-out of 50 ms was over" in broken(outcome)["time"]


@pytest.mark.parametrize("driver", [InterruptDriver, PolledDriver])
@pytest.mark.parametrize("timeout_ms", [1, 2, 3, 5, 50])
def test_a_driver_that_wakes_is_left_alone(driver: type, timeout_ms: int) -> None:
    """Whether the time-out ends before, with or after the burst, a driver that wakes is clean."""
    outcome = outcome_of(
        driver, Step("receive", count=8, timeout_ps=timeout_ms * MS), far_end=BURST
    )
    assert outcome.clean, broken(outcome)


def test_traffic_after_close_opens_the_port_again() -> None:
    """A step that needs an open port gets one, and a second close asks nothing of the driver."""
    outcome = outcome_of(
        InterruptDriver, Step("close"), Step("send", data=b"tide"), Step("close"), Step("close")
    )
    assert outcome.clean, broken(outcome)
    assert [one.action for one in outcome.steps] == [
        "open", "close", "open", "send", "close", "close"
    ]  # fmt: skip
