"""Drivers that do what no driver should: the search survives each, and says the same twice.

The one idea: a driver is a good one with one method replaced by something hostile, run undisturbed,
watched line by line, watched by opcodes, and delayed; nothing may hang, leak or take the search
down, and two runs must come out the same.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from emu.scenario.driver_source import DriverName, load_driver
from emu.search import stepper
from emu.search.explore import Plan
from emu.search.hunt import hunt
from emu.search.schedule import Point, Schedule
from emu.search.trial import Trial, Trying
from tests.search_bench import SteadySender, at, impatient, scenario

ASKED = scenario()
WAYS: list[dict[str, Any]] = [
    {}, {"learn": "line"}, {"learn": "opcode"}, {"schedule": (at(20, 1, events=4),)},
    {"schedule": (at(3), at(21, 2), at(30, kind="pause"), at(33, 1, "spurious"))},
]  # fmt: skip


def tried(driver: type, way: dict[str, Any]) -> Trial:
    """Run a driver, and see that no tracer is left."""
    found = Trying(ASKED, driver).run(records=True, **way)
    assert sys.gettrace() is None
    return found


def rules(found: Trial) -> list[str]:
    """Return the rules of what speaks against a driver."""
    return [one.rule for one in found.failures if not one.is_promise]


class Recursing(SteadySender):
    """Calls itself for ever."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        return self.write(data, timeout)


class RecursingOnTheBus(SteadySender):
    """Calls itself for ever, with an access each time."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        self._io.read8(7 * self._io.stride)
        return self.write(data, timeout)


class Exiting(SteadySender):
    """Ends the program."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        sys.exit(5)


class RaisingInHandler(SteadySender):
    """Has a handler that fails."""

    def _handle(self) -> None:
        raise LookupError("no such cause")


class ExitingInHandler(SteadySender):
    """Has a handler that ends the program."""

    def _handle(self) -> None:
        sys.exit(1)


class Swallowing(SteadySender):
    """Catches whatever is raised, and goes on."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        for _ in range(200):
            with suppress(BaseException):
                self._cpu.sleep(-1)
        return 0


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    ("driver", "expected"),
    [
        (Recursing, ["driver-raised"]),
        (Exiting, ["driver-exited"]),
        (RaisingInHandler, ["driver-raised"]),
        (ExitingInHandler, ["driver-exited"]),
    ],
)
def test_a_driver_that_fails(driver: type, expected: list[str], way: dict[str, Any]) -> None:
    """However it is run, a driver that fails gets its finding, at a line of its own."""
    found = tried(driver, way)
    assert rules(found)[:1] == expected
    assert found.failures[0].file == __file__
    again = tried(driver, way)
    assert (again.record, again.failures) == (found.record, found.failures)


@pytest.mark.parametrize("way", WAYS)
def test_a_recursion_that_touches_the_bus(way: dict[str, Any]) -> None:
    """A recursion with an access on each level ends in a finding, wherever it ran out of stack."""
    assert rules(tried(RecursingOnTheBus, way))[:1] == ["driver-raised"]


@pytest.mark.parametrize("way", WAYS)
def test_a_driver_that_swallows_refusals(way: dict[str, Any]) -> None:
    """Refused calls that a driver swallows do no harm to points or tracing."""
    found = tried(Swallowing, way)
    again = tried(Swallowing, way)
    assert found.calls > 200
    assert (again.record, again.acted) == (found.record, found.acted)


class Spinning(SteadySender):
    """Runs in a circle without touching the bench."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        turns = 0
        while True:
            turns += 1


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS[:4])
def test_a_driver_that_spins(way: dict[str, Any]) -> None:
    """A driver that spins is ended at its loop, watched or not, and fills no memory meanwhile."""
    found = Trying(impatient(ASKED), Spinning).run(**way)
    assert sys.gettrace() is None
    assert rules(found) == ["spinning"]
    first = Spinning.write.__code__.co_firstlineno
    assert first < found.failures[0].line <= first + 3
    assert len(found.seen) <= stepper.MOST_POINTS


class Threading(SteadySender):
    """Lets a thread of its own do the writing."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        written: list[int] = []
        thread = threading.Thread(target=lambda: written.append(self._written(data)))
        thread.start()
        thread.join()
        return written[0]

    def _written(self, data: bytes) -> int:
        return super().write(data)


@pytest.mark.parametrize("way", WAYS)
def test_a_driver_with_a_thread(way: dict[str, Any]) -> None:
    """A thread that the driver waits for does its calls like main code; points count along."""
    found = tried(Threading, way)
    assert found.failures == ()
    assert found.calls == tried(Threading, way).calls


class Resuming(SteadySender):
    """Keeps a generator from call to call."""

    _turns: Iterator[int] | None = None

    def write(self, data: bytes, timeout: float | None = None) -> int:
        self._turns = self._turns or self._all()
        next(self._turns)
        sent = super().write(data, timeout)
        next(self._turns)
        return sent

    def _all(self) -> Iterator[int]:
        turn = 0
        while True:
            turn += 1
            yield self._io.read8(7 * self._io.stride)
            turn += 1


@pytest.mark.parametrize("manner", ["line", "opcode"])
def test_a_generator_that_outlives_a_call(manner: str) -> None:
    """Lines of a generator that rests between calls are the same points noted and acted on."""
    trying = Trying(scenario("[open, {send: a}, {send: b}]"), Resuming, manner=manner)
    seen = trying.run(learn=manner).seen
    first = Resuming._all.__code__.co_firstlineno
    inside = [point for point, what in seen.items() if first < what.place[1] <= first + 5]
    assert len(inside) >= 8
    for point in inside[:: max(1, len(inside) // 12)]:
        (acted,) = trying.run((at(*point),)).acted
        assert acted.place == seen[point].place


class Wordy(SteadySender):
    """Computes for long between two calls."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        total = 0
        for number in range(2_000):
            total += number
        self._total = total
        return super().write(data, timeout)


def test_a_long_stretch_is_decided_at_its_end() -> None:
    """Thousands of lines between two calls are thousands of points, and a handful of runs."""
    trying = Trying(scenario("[open, {send: a}]", far_end="sink"), Wordy)
    found = trying.run(learn="line")
    stretch = [point for point in found.seen if point.step > 4000]
    assert len(stretch) > 1
    (call,) = {point.call for point in stretch}
    after = trying.run((at(call + 1),))
    late = trying.run((at(*stretch[-1]),))
    assert (late.behaviour, late.acted[0].served) == (after.behaviour, after.acted[0].served)


class Timing(SteadySender):
    """Looks at the real clock, which is not the bench's."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        self._born = time.monotonic()
        return super().write(data, timeout)


@pytest.mark.parametrize("name", ["drivers_example.polled:PolledDriver",
                                  "drivers_example/polled.py:PolledDriver"])  # fmt: skip
def test_a_driver_by_module_or_file(name: str) -> None:
    """The lines of a driver are followed whether it was named by its module or its file."""
    root = Path(__file__).resolve().parents[2]
    driver = load_driver(DriverName.parse(name, base=root))
    trying = Trying(ASKED, driver)
    seen = trying.run(learn="line").seen
    assert sum(1 for point in seen if point.step) > len(seen) / 2
    point = next(point for point in seen if point.step == 2)
    (acted,) = trying.run((at(*point),)).acted
    assert acted.place == seen[point].place


@pytest.mark.parametrize(
    ("file", "is_driver"),
    [
        ("/home/gauge/driver.py", True),
        (f"{stepper._LIBRARY}site-packages/tide/driver.py", True),
        (f"{stepper._LIBRARY}dist-packages/tide/driver.py", True),
        (f"{stepper._LIBRARY}contextlib.py", False),
        (f"{stepper._BENCH}kernel/cpu.py", False),
        ("<string>", False),
        ("<frozen importlib._bootstrap>", False),
    ],
)
def test_whose_code_it_is(file: str, is_driver: bool) -> None:
    """Code is followed unless it is the bench's, the standard library's or made from text."""
    assert stepper.is_driver(compile("1", file, "exec")) is is_driver


def broken(name: str, method: Callable[..., Any]) -> type:
    """Return a good driver with one method replaced."""
    return type("Broken", (SteadySender,), {name: method})


@pytest.mark.parametrize("name", ["__init__", "open", "write", "read", "drain", "close"])
def test_a_hunt_of_a_driver_that_raises(name: str) -> None:
    """A driver that fails in any of its methods is hunted to the end, with that one cause."""

    def fails(_self: Any, *_arguments: Any) -> Any:
        raise LookupError(name)

    asked = scenario("[open, {send: a}, drain, {receive: 1}]")
    hunted = hunt(asked, broken(name, fails), Plan(entries=2, manner="access", most=30))
    assert hunted.found[0].failure.rule == "driver-raised"
    assert hunted.found[0].trial.schedule == ()
    assert name in hunted.found[0].failure.message


def test_points_that_no_run_reaches() -> None:
    """A schedule of points from nowhere is run like any other."""
    odd: Schedule = (at(0), at(0, 1), at(10**9), at(10**9, 10**9, "pause", 10**6))
    found = Trying(ASKED, SteadySender).run(odd)
    assert found.failures == ()
    assert [one.entry.point for one in found.acted] == [Point(0), Point(0, 1)]
