"""What the tests of the search share: short scenarios, and drivers made of a good one.

The one idea: a run of a few characters takes a few milliseconds, so a search of a hundred runs fits
into a test, and what breaks is put into a good driver by a subclass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import yaml

from emu.record.fingerprint import record_hash
from emu.scenario.load import parse_scenario
from emu.scenario.model import Scenario
from emu.scenario.runner import Run
from emu.search.explore import Explored, Explorer, Plan
from emu.search.schedule import Entry, Point, Schedule
from emu.search.stepper import Seen
from emu.search.suite import Bout
from emu.search.trial import Failure, Trial, Trying
from tests.small_driver import HastySender, SteadySender

__all__ = [
    "BOARD",
    "HastySender",
    "Script",
    "SteadySender",
    "at",
    "bout",
    "driver_text",
    "explored",
    "failing",
    "impatient",
    "plain_hash",
    "scenario",
    "trial",
]

BOARD = """
  name: tide gauge
  devices:
    telemetry: {kind: uart16550, at: 0x40001000, stride: 4, irq: 5, clock: 1.8432 MHz, fifo: 16}
"""
_WHOLE = """
scenario: a short reading
board:{board}
port: telemetry
line: 115200 8N1
far_end: {far_end}
do: {do}
"""


def scenario(do: str = "[open, {send: ab}, {receive: 2}]", *, far_end: str = "echo") -> Scenario:
    """Return a scenario with these steps."""
    return parse_scenario(_WHOLE.format(board=BOARD, do=do, far_end=far_end))


def impatient(asked: Scenario) -> Scenario:
    """Return a scenario in which a driver that spins is soon ended."""
    return replace(asked, limits=replace(asked.limits, wall_s=0.2))


def bout(title: str, do: str, *, hunted: bool = False, far_end: str = "echo") -> Bout:
    """Return a bout for a check."""
    body = yaml.safe_load(_WHOLE.format(board=BOARD, do=do, far_end=far_end))
    return Bout({**body, "scenario": title}, hunted=hunted)


def at(call: int, step: int = 0, kind: str = "stall", events: int = 1) -> Entry:
    """Return an entry of a schedule."""
    return Entry(Point(call, step), kind, events if kind in ("stall", "pause") else 0)


def plain_hash(asked: Scenario, driver: type) -> str:
    """Return the hash of the record of a run to which no stand-in was put."""
    run = Run(asked, driver)
    run.outcome()
    return record_hash(run.board)


def failing(rule: str = "promise order", line: int = 0) -> Failure:
    """Return a failure, of a finding if it has a line."""
    return Failure(rule, "gauge.py" if line else "", line, "", "it went wrong")


def trial(schedule: Schedule = (), *failures: Failure, **more: Any) -> Trial:
    """Return a trial as if it had been run."""
    values: dict[str, Any] = {"behaviour": "", "record": "", "acted": (), "calls": 0, **more}
    return Trial(schedule, failures, **values)


class Script:
    """Answer an explorer in place of a bench, and note what it asks for.

    Args:
        calls: how many bench calls the driver makes.
        lines: how many lines follow each of them.
        answer: returns the trial of a schedule.

    Attributes:
        asked: the schedules that were run, in order.
    """

    def __init__(self, calls: int, lines: int = 0, answer: Any = trial) -> None:
        self._answer = answer
        self.asked: list[Schedule] = []
        self.seen: dict[Point, Seen] = {}
        for call in range(1, calls + 1):
            self.seen[Point(call)] = Seen(0, False, ("gauge.py", call), call)
            for step in range(1, lines + 1):
                self.seen[Point(call, step)] = Seen(0, False, ("gauge.py", call), call + 1)

    def run(self, schedules: Any) -> Any:
        """Run schedules."""
        for schedule in schedules:
            self.asked.append(schedule)
            yield self._answer(schedule)

    def learn(self) -> Trial:
        """Run without a schedule."""
        found = self._answer(())
        found.seen = dict(self.seen)
        found.calls = len(self.seen)
        assert isinstance(found, Trial)
        return found

    def explorer(self, plan: Plan | None = None, **more: Any) -> Explorer:
        """Return an explorer that is answered by this."""
        return Explorer(plan or Plan(), self.run, self.learn, **more)


def explored(
    asked: Scenario, driver: type, plan: Plan, only: Callable[[Point], bool] = lambda _point: True
) -> Explored:
    """Explore a scenario on the bench, in this process, at some of the driver's points."""
    trying = Trying(asked, driver, manner=plan.manner)

    def learn() -> Trial:
        found = trying.run(learn=plan.manner)
        found.seen = {point: seen for point, seen in found.seen.items() if only(point)}
        return found

    return Explorer(plan, lambda all_of: (trying.run(one) for one in all_of), learn).explore()


def driver_text(body: str = "", *, base: str = "SteadySender", head: str = "") -> str:
    """Return the source of a driver file: a good driver with some of its methods replaced."""
    lines = "".join(f"    {line}\n" if line else "\n" for line in body.splitlines())
    return (
        "from tests.small_driver import HastySender, SteadySender\n"
        f"{head}\n\nclass Gauge({base}):\n    pass\n{lines}"
    )
