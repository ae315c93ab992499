"""Measure how fast the bench is, as ratios within one run, and check that the work was done.

Ratios compare two things measured side by side, so they mean the same on a fast machine and a slow
one. `python tests/bench/ratios.py [--json]` prints each with its bound and exits 1 if one is
missed. SimPy is needed for one of them: ``pip install -e '.[bench]'``.
"""

from __future__ import annotations

import gc
import json
import random
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import Mock

import simpy

from emu.devices.uart16550 import Uart16550
from emu.faults.plan import FaultPlan
from emu.kernel.board import Board
from emu.kernel.clock import PS_PER_S, Clock
from emu.line.plan import FarEndPlan
from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.load import load_scenario
from emu.scenario.model import Limits, Scenario, Step
from emu.scenario.runner import Run
from emu.search.explore import Plan
from emu.search.hunt import hunt

ROOT = Path(__file__).resolve().parents[2]
LSR, SCR = 5 * 4, 7 * 4
STREAM_BYTES = 1 << 20
STREAM_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured figure and what it must reach."""

    name: str
    value: float
    bound: float
    most: bool  # the bound is the most, not the least, that is allowed
    unit: str = ""

    @property
    def reached(self) -> bool:
        """Whether the figure is good enough."""
        return self.value <= self.bound if self.most else self.value >= self.bound


def best_s(work: Callable[[], None], rounds: int = 7) -> float:
    """Return the shortest time of several runs of `work`, with the collector out of the way."""
    times = []
    for _ in range(rounds):
        gc.collect()
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


class Bare:
    """An object with a method that does as little as a device could."""

    def __init__(self) -> None:
        self.value = 0x60

    def read8(self, _offset: int) -> int:
        """Return the value."""
        return self.value


def board_with(count: int) -> Board:
    """Return a board with `count` serial controllers, powered on."""
    board = Board()
    for number in range(count):
        at = 0x4000_0000 + 0x1000 * number
        board.attach(Uart16550, f"port{number}", at, stride=4, irq=number)
    board.power_on()
    board.clock.schedule(10**18, lambda: None)  # something to wait for: polling is no dead end
    return board


def access_ratios() -> list[Figure]:
    """Compare a register read with a bare method call, a mock, and itself on a crowded board."""
    reads = 100_000
    small, crowd, single = board_with(16), board_with(1000), board_with(1)

    def reading(board: Board, second: int) -> Callable[[], None]:
        """Read LSR and the register at `second` by turns."""
        io = board.window("port0")
        io.write8(SCR, 0x5A)

        def work() -> None:
            for _ in range(reads // 2):
                io.read8(LSR)
                io.read8(second)

        return work

    bare, mock = Bare(), Mock()
    mock.read8.return_value = 0x60

    def calling() -> None:
        for _ in range(reads // 2):
            bare.read8(LSR)
            bare.read8(SCR)

    def mocking() -> None:
        for _ in range(reads // 100):
            mock.read8(LSR)
            mock.read8(SCR)

    def counted(second: int) -> float:
        """Return the time of a read, having checked that each was counted and is on the tape."""
        before = sum(small.bus.accesses()["port0"])
        seconds = best_s(reading(small, second)) / reads
        small.journal.settle()
        assert sum(small.bus.accesses()["port0"]) - before == 7 * reads + 1
        assert small.journal.entries[-1][3] in (0x5A, 7 * reads - 1)
        return seconds

    call_s = best_s(calling) / reads
    access_s, changing_s = counted(LSR), counted(SCR)
    mock_s = best_s(mocking) / (reads // 50)
    work_crowd, work_single = reading(crowd, LSR), reading(single, LSR)
    pairs = [(best_s(work_crowd, 3), best_s(work_single, 3)) for _ in range(5)]
    growth = min(many for many, _ in pairs) / min(one for _, one in pairs)
    return [
        Figure("access_vs_call", access_s / call_s, 6, most=True),
        Figure("changing_vs_call", changing_s / call_s, 8, most=True),
        Figure("mock_vs_access", mock_s / access_s, 25, most=False),
        Figure("access_growth", growth, 1.1, most=True),
        Figure("access_ns", access_s * 1e9, float("inf"), most=True, unit="ns"),
    ]


def event_ratio() -> list[Figure]:
    """Compare an event of our clock with a timeout of SimPy, each rescheduling itself."""
    events = 50_000

    def ours() -> None:
        clock = Clock()
        left = events

        def again() -> None:
            nonlocal left
            left -= 1
            if left:
                clock.schedule(clock.now_ps + 1000, again)

        clock.schedule(1000, again)
        clock.run_until(events * 1000)
        assert clock.events == events
        assert left == 0

    def theirs() -> None:
        environment = simpy.Environment()
        done = 0

        def process() -> Generator[simpy.Event, None, None]:
            nonlocal done
            for _ in range(events):
                yield environment.timeout(1)
                done += 1

        environment.process(process())
        environment.run()
        assert done == events

    return [Figure("simpy_vs_event", best_s(theirs) / best_s(ours), 2, most=False)]


def stream_ratio() -> list[Figure]:
    """Receive 1 MiB at 115200 8N1 by interrupts, contract and rules on, and compare the clocks."""
    quiet = load_scenario(ROOT / "fixtures" / "quiet.yaml")
    data = random.Random(20).randbytes(STREAM_BYTES)
    scenario = Scenario(
        title="1 MiB of tide readings",
        board=quiet.board,
        port=quiet.port,
        line=quiet.line,
        far_end=FarEndPlan(kind="source", data=data),
        steps=(Step("open"), Step("receive", count=STREAM_BYTES), Step("close")),
        faults=FaultPlan(),
        limits=Limits(time_ps=200 * PS_PER_S),
        path=quiet.path,
    )
    driver = str(ROOT / "drivers_example" / "interrupt_driven.py") + ":InterruptDriver"
    speeds = []
    for _ in range(STREAM_ROUNDS):
        run = Run(scenario, driver)
        start = time.perf_counter()
        outcome = run.outcome()
        wall_s = time.perf_counter() - start
        assert outcome.clean, outcome.as_json()
        assert outcome.measures.bytes_returned == STREAM_BYTES
        assert len(run.board.journal.entries) <= 4096
        speeds.append(outcome.measures.time_ps / PS_PER_S / wall_s)
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return [
        Figure("stream_speedup", max(speeds), 20, most=False),
        Figure("stream_memory_mb", memory_mb, 200, most=True, unit="MB"),
    ]


def search_ratios() -> list[Figure]:
    """Try a 16-byte echo at every line of the interrupt driver, in one process and in two."""
    quiet = load_scenario(ROOT / "fixtures" / "quiet.yaml")
    echo = Scenario(
        title="an echo",
        board=quiet.board,
        port=quiet.port,
        line=quiet.line,
        far_end=FarEndPlan(kind="echo"),
        steps=(
            Step("open"),
            Step("send", data=bytes(16)),
            Step("receive", count=16),
            Step("close"),
        ),
        path=quiet.path,
    )
    driver = load_driver(
        DriverName.parse("drivers_example/interrupt_driven.py:InterruptDriver", base=ROOT)
    )
    one = hunt(echo, driver, Plan(entries=1))
    assert one.explored.complete
    assert not one.found
    pairs = Plan(entries=2, most=2000)
    alone, both = (hunt(echo, driver, pairs, workers=count) for count in (1, 2))
    assert alone.explored.runs == both.explored.runs == 2000
    assert alone.explored.behaviours == both.explored.behaviours
    return [
        Figure("schedules_per_s", one.explored.decided / one.seconds, 1000, most=False),
        Figure("runs_per_s", one.explored.runs / one.seconds, 0, most=False),
        Figure("behaviours", len(alone.explored.behaviours), 2, most=False),
        Figure("worker_scaling", alone.seconds / both.seconds, 1.7, most=False),
    ]


def whole_process_s(*words: str, rounds: int = 7) -> float:
    """Return the median time of a Python process, checking that it succeeds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, capture_output=True, cwd=ROOT)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def start_up() -> list[Figure]:
    """Measure whole processes against a bare start of Python."""
    bare_s = whole_process_s("-c", "pass")
    import_s = whole_process_s("-c", "import emu")
    help_s = whole_process_s("-m", "emu.cli.main", "--help")
    run_s = whole_process_s("-m", "emu.cli.main", "run", "fixtures/quiet.yaml", rounds=3)
    return [
        Figure("run_quiet_s", run_s, 1, most=True, unit="s"),
        Figure("import_ms", (import_s - bare_s) * 1000, 60, most=True, unit="ms"),
        Figure("help_ms", (help_s - bare_s) * 1000, 120, most=True, unit="ms"),
    ]


def main() -> int:
    """Measure everything, print it, and say whether every bound was reached."""
    figures = [
        *access_ratios(), *event_ratio(), *stream_ratio(), *search_ratios(), *start_up(),
    ]  # fmt: skip
    if "--json" in sys.argv:
        print(json.dumps({one.name: one.value for one in figures}, indent=2))
    else:
        for one in figures:
            sign = "at most" if one.most else "at least"
            bound = "" if one.bound == float("inf") else f"{sign} {one.bound:g}"
            word = "" if one.reached else "  MISSED"
            print(f"{one.name:<18} {one.value:>10.2f} {one.unit:<3} {bound}{word}")
    return 0 if all(one.reached for one in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
