"""Points of a driver: counted alike whether it is watched, delayed or left alone.

The one idea: a point that was noted in a run must be the same moment in every run that goes the
same way up to it, or no schedule means anything.
"""

from __future__ import annotations

import random
import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drivers_example.first_try import FirstTry
from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.polled import PolledDriver
from emu import Cpu, Window
from emu.errors import RunEnded
from emu.scenario.load import load_scenario
from emu.scenario.runner import Run
from emu.search import stepper as stepper_module
from emu.search.schedule import Entry, Point
from emu.search.stepper import Acted, Stepper
from emu.search.trial import Trial, Trying
from tests.search_bench import HastySender, SteadySender, at, plain_hash, scenario
from tests.unit.cpu_bench import US, Bench

ROOT = Path(__file__).resolve().parents[2]
SCENARIOS = ("first_day", "busy_both_ways", "cable", "reopen", "spurious_interrupts", "stuck_thre",
             "masked_cpu", "dirty_start", "word_access")  # fmt: skip


class Winding(SteadySender):
    """Makes its bench calls from every kind of code that Python has."""

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Read in roundabout ways."""
        self._looks = [self._look(number) for number in range(2)]
        total = sum(look for look in (self._look(number) for number in range(2)))
        for value in self._each(2):
            total += value
        peek = lambda: self._look(3)  # noqa: E731 - what is to be tried
        try:
            total += peek()
        finally:
            total += self._deep(3)
        with self._cpu.interrupts_masked():
            total += self._look(
                4,
            )
        del total
        return super().read(size, timeout)

    def _look(self, _number: int) -> int:
        return self._io.read8(3 * self._io.stride)

    def _each(self, count: int) -> Any:
        for number in range(count):
            yield self._look(number)
            yield self._look(-number)

    def _deep(self, levels: int) -> int:
        if levels:
            return self._deep(levels - 1)
        return self._look(0)


def stood_in(asked: Any, driver: type, learn: str = "") -> str:
    """Return the hash of the record of a run with stand-ins and without a schedule."""
    return Trying(asked, driver).run(learn=learn, records=True).record


# nothing changes


@pytest.mark.parametrize("driver", [PolledDriver, InterruptDriver, FirstTry])
@pytest.mark.parametrize("name", SCENARIOS)
def test_stand_ins_change_nothing(name: str, driver: type) -> None:
    """A run with an empty schedule has the same record as one without stand-ins."""
    asked = load_scenario(ROOT / f"fixtures/{name}.yaml")
    assert stood_in(asked, driver) == plain_hash(asked, driver)


@pytest.mark.parametrize("driver", [HastySender, Winding])
@pytest.mark.parametrize("learn", ["access", "line", "opcode"])
def test_watching_changes_nothing(driver: type, learn: str) -> None:
    """A run in which all points are noted has the same record as one that nobody watched."""
    asked = scenario()
    assert stood_in(asked, driver, learn) == plain_hash(asked, driver)


class Inquisitive(SteadySender):
    """Uses what a driver may rightly use of its window and processor."""

    found: list[Any]

    def open(self, line: Any) -> None:
        """Open, having looked at everything."""
        io, cpu = self._io, self._cpu
        status = io.read8(offset=5 * io.stride)
        cpu.sleep(seconds=1e-6)
        cpu.work(cycles=10)
        cpu.wait_for_interrupt(timeout=1e-6)
        type(self).found = [
            isinstance(cpu, Cpu), isinstance(io, Window), io.name, io.irq, io.clock_hz, status,
            cpu.clock_hz, io.read8_rep(7 * io.stride, 3), io.write8_rep(7 * io.stride, b"ab"),
            io.read8_rep(7 * io.stride, 0),
        ]  # fmt: skip
        super().open(line)


def test_stand_ins_look_like_the_real_ones() -> None:
    """Types, facts, and arguments by name are those of the real window and processor."""
    asked = scenario()
    outcome = Run(asked, Inquisitive).outcome()
    real = Inquisitive.found
    trying = Trying(asked, Inquisitive)
    trying.run()
    assert Inquisitive.found == real
    assert trying.outcome is not None
    assert outcome.findings == trying.outcome.findings


@pytest.mark.parametrize(
    "line",
    [
        "cpu.slep(1)", "cpu.sleep()", "cpu.sleep(-1)", "cpu.sleep('1')", "io.read8()",
        "io.read8('LSR')", "io.read9(0)", "io.write8(0)", "io.write8(0, 256)", "io.read8_rep(0)",
        "io.read8_rep(0, '1')", "io.read8_rep(0x99, 2)", "io.write8_rep(0, 1)",
        "cpu.interrupts_masked(1)", "cpu.connect(99, print)", "cpu.connect(io.irq, 3)",
    ],
)  # fmt: skip
def test_a_refused_call_is_refused_alike(line: str) -> None:
    """A wrong call of the bench gives the same finding with stand-ins as without."""
    space: dict[str, Any] = {"SteadySender": SteadySender}
    code = (
        "class Gauge(SteadySender):\n    def open(self, line):\n"
        f"        io, cpu = self._io, self._cpu\n        {line}\n"
    )
    exec(compile(code, "gauge.py", "exec"), space)  # noqa: S102 - a driver made of one line
    asked = scenario()
    (real, *_) = Run(asked, space["Gauge"]).outcome().findings
    trying = Trying(asked, space["Gauge"])
    trying.run()
    assert trying.outcome is not None
    (found, *_) = trying.outcome.findings
    assert (found.rule, found.message, found.line) == (real.rule, real.message, real.line)


# points


def acted_at(trying: Trying, point: Point) -> Acted:
    """Return what a stall at a point did."""
    (acted,) = trying.run((Entry(point, "stall", 1),)).acted
    return acted


@pytest.mark.parametrize("manner", ["line", "opcode"])
@pytest.mark.parametrize("driver", [Winding, InterruptDriver])
def test_a_point_is_the_same_line_when_acted_on(driver: type, manner: str) -> None:
    """In main code and in handlers a point lies where it was when it was noted."""
    trying = Trying(scenario("[open, {send: ab}, {receive: 2}]"), driver, manner=manner)
    seen = trying.run(learn=manner).seen
    chosen = random.Random(3).sample(sorted(seen), 25)
    chosen += [one for one, what in seen.items() if what.depth][:10]
    for point in chosen:
        acted = acted_at(trying, point)
        assert (acted.place, acted.depth) == (seen[point].place, seen[point].depth)
    assert any(seen[point].depth for point in chosen)


def test_all_code_of_the_driver_has_points() -> None:
    """Generators, comprehensions, lambdas, nested calls and blocks are all followed."""
    seen = Trying(scenario("[open, {receive: 0}]"), Winding).run(learn="line").seen
    lines = {what.place[1] for what in seen.values() if what.place[0] == __file__}
    code = Winding.read.__code__.co_firstlineno
    assert {code + offset for offset in (2, 3, 4, 5, 8, 10, 12)} <= lines
    assert Winding._each.__code__.co_firstlineno + 2 in lines
    assert Winding._deep.__code__.co_firstlineno + 2 in lines


def test_points_are_counted_from_call_to_call() -> None:
    """Calls are numbered from 1 without a gap, and the steps after each of them too."""
    found = Trying(scenario(), SteadySender).run(learn="line")
    calls = [point.call for point in found.seen if not point.step]
    assert calls == list(range(1, found.calls + 1))
    before = Point(0)
    for point in found.seen:
        assert point == (before.call, before.step + 1) or point == (before.call + 1, 0)
        before = point


def test_steps_of_accesses_alone() -> None:
    """Noting accesses notes the calls that noting lines notes, and nothing else."""
    asked = scenario()
    lines = Trying(asked, SteadySender).run(learn="line").seen
    calls = Trying(asked, SteadySender, manner="access").run(learn="access").seen
    assert list(calls) == [point for point in lines if not point.step]


def test_each_access_of_a_row_is_a_step() -> None:
    """A repeated read or write counts as so many accesses, and is noted as one all the same."""

    class Rowing(SteadySender):
        def open(self, line: Any) -> None:
            self._io.read8_rep(7 * self._io.stride, 5)
            self._io.write8_rep(7 * self._io.stride, (1, 2, 3))
            super().open(line)

    asked = scenario("[open]")
    plain = Trying(asked, SteadySender).run()
    assert Trying(asked, Rowing).run().calls == plain.calls + 8
    assert stood_in(asked, Rowing) == plain_hash(asked, Rowing)


def test_masking_is_two_steps() -> None:
    """Entering and leaving a masked block are calls that the processor may be late at."""
    bench = Bench()
    stepper = Stepper(bench.board)
    cpu = stepper.cpu(bench.cpu)
    with cpu.interrupts_masked():
        assert (stepper.calls, bench.cpu.masked) == (1, True)
    assert (stepper.calls, bench.cpu.masked) == (2, False)


def test_points_beyond_a_number_are_not_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run without end fills no memory with points, and goes on as it would."""
    monkeypatch.setattr(stepper_module, "MOST_POINTS", 50)
    asked = scenario()
    found = Trying(asked, SteadySender).run(learn="line", records=True)
    assert len(found.seen) == 50
    assert found.record == plain_hash(asked, SteadySender)
    assert sys.gettrace() is None


# what entries do


def late(entry: Entry, then: Callable[[Any, Any], None], **pulses: int) -> tuple[Bench, Stepper]:
    """Play a few accesses with an entry, a gauge pulsing meanwhile; return bench and stepper."""
    bench = Bench()
    bench.pulse(pulses.get("first_us", 3) * US)
    bench.pulse(pulses.get("second_us", 90) * US)
    stepper = Stepper(bench.board, (entry,), line=4)
    io, cpu = stepper.window(bench.io[0]), stepper.cpu(bench.cpu)
    cpu.connect(4, bench.handler())
    then(io, cpu)
    return bench, stepper


def test_a_stall_before_an_access() -> None:
    """A stall comes before its access takes effect, and the handler that it let in before both."""

    def play(io: Window, _cpu: Cpu) -> None:
        io.write8(0, 1)

    bench, stepper = late(at(2), play)
    assert bench.served == [0]
    (acted,) = stepper.acted
    assert (acted.entry, acted.served, acted.depth) == (at(2), True, 0)
    journal = bench.board.journal
    writes = [one[2:] for one in journal.entries if journal.sources[one[1]].kind == "write"]
    assert writes == [(1, 0), (0, 1)]  # the handler's, then that of main code


def test_a_masked_stall_is_served_at_the_unmask() -> None:
    """A stall in a masked block lets nothing in until the block ends."""
    bench = Bench()
    bench.pulse(3 * US)
    stepper = Stepper(bench.board, (at(3),))
    io, cpu = stepper.window(bench.io[0]), stepper.cpu(bench.cpu)
    cpu.connect(4, bench.handler())
    with cpu.interrupts_masked():
        io.read8(0)
        assert bench.served == []
    assert bench.served == [0]
    assert [one.served for one in stepper.acted] == [False]


@pytest.mark.parametrize("kind", ["pause", "spurious"])
def test_nothing_comes_between_where_interrupts_are_masked(kind: str) -> None:
    """A pause or a spurious interrupt is impossible in a masked block, and does nothing."""

    def play(io: Window, cpu: Cpu) -> None:
        with cpu.interrupts_masked():
            io.read8(0)

    bench, stepper = late(at(3, kind=kind), play)
    assert stepper.acted == []
    assert bench.clock.stalled_ps == 0
    assert bench.served == []


@pytest.mark.parametrize("kind", ["pause", "spurious"])
def test_nothing_comes_between_in_a_handler(kind: str) -> None:
    """A pause or a spurious interrupt is impossible in a handler."""
    asked = scenario()
    seen = Trying(asked, SteadySender).run(learn="line").seen
    inside = next(point for point, what in seen.items() if what.depth)
    found = Trying(asked, SteadySender).run((at(*inside, kind=kind),), records=True)
    assert found.acted == ()
    assert found.record == plain_hash(asked, SteadySender)


def test_a_spurious_interrupt() -> None:
    """A spurious interrupt runs the handler once although no device asked for it."""

    def play(io: Window, _cpu: Cpu) -> None:
        io.read8(0)
        io.read8(0)

    bench, stepper = late(at(3, kind="spurious"), play, first_us=80)
    assert bench.served == [0]
    assert [one.served for one in stepper.acted] == [True]


def test_a_spurious_interrupt_that_nobody_waits_for() -> None:
    """Before a handler is connected a spurious interrupt is left for whoever connects one."""
    bench = Bench()
    stepper = Stepper(bench.board, (at(1, kind="spurious"),), line=4)
    io, cpu = stepper.window(bench.io[0]), stepper.cpu(bench.cpu)
    io.read8(0)
    assert [one.served for one in stepper.acted] == [False]
    cpu.connect(4, bench.handler())
    assert bench.served == [0]


def test_a_spurious_interrupt_without_a_line() -> None:
    """A device that has no interrupt line is not interrupted for nothing."""
    bench = Bench()
    stepper = Stepper(bench.board, (at(1, kind="spurious"),))
    stepper.window(bench.io[0]).read8(0)
    assert stepper.acted == []


def test_an_entry_that_ends_the_run_is_noted() -> None:
    """A delay until an event that resets the board did so, and is not taken for one left out."""
    bench = Bench()
    stepper = Stepper(bench.board, (at(1),), line=4)
    bench.clock.schedule(3 * US, lambda: bench.board.reset("dog bit"))
    with pytest.raises(RunEnded):
        stepper.window(bench.io[0]).read8(0)
    (acted,) = stepper.acted
    assert (acted.entry, acted.served, acted.from_ps, acted.until_ps) == (at(1), False, 0, 3 * US)


def test_entries_come_in_their_order() -> None:
    """Entries act one after the other by their points, in whatever order they are given."""
    entries = (at(9), at(2, events=4), at(2), at(5, 1))
    found = Trying(scenario(), SteadySender).run(entries)
    assert [one.entry for one in found.acted] == sorted(entries)


def test_an_entry_beyond_the_end_is_not_acted_on() -> None:
    """A point that a run never reaches leaves the run as it is."""
    asked = scenario()
    found = Trying(asked, SteadySender).run((at(10_000), at(10_000, 3)), records=True)
    assert found.acted == ()
    assert found.record == plain_hash(asked, SteadySender)


def test_a_step_that_is_not_there_is_taken_at_the_next_call() -> None:
    """A point after more lines than there are before the next call acts at that call."""
    trying = Trying(scenario(), SteadySender)
    (acted,) = trying.run((at(5, 9_999),)).acted
    (after,) = trying.run((at(6),)).acted
    assert acted.place == after.place


def test_the_last_lines_of_a_driver_have_points() -> None:
    """The processor can be late after the last call that a driver makes."""

    class Lingering(SteadySender):
        def close(self) -> None:
            super().close()
            self.closed = True

    trying = Trying(scenario(), Lingering)
    seen = trying.run(learn="line").seen
    last = list(seen)[-1]
    assert last.step
    (acted,) = trying.run((Entry(last, "stall", 1),)).acted
    assert acted.place == seen[last].place


class EarlyBird(SteadySender):
    """Touches the device before it is opened."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        super().__init__(io, cpu)
        cpu.time()
        self.born = True


@pytest.mark.parametrize("entry", [at(1), at(1, 1), at(1, kind="pause"), at(1, kind="spurious")])
def test_a_point_where_the_driver_is_made(entry: Entry) -> None:
    """The processor may be late while the driver is being made; nothing breaks by that."""
    found = Trying(scenario(), EarlyBird).run((entry,))
    assert [one.entry for one in found.acted] == [entry]
    assert found.failures == ()


def test_points_in_close() -> None:
    """The processor may be late anywhere in close, and a good driver stays good."""
    trying = Trying(scenario("[open, {send: a}, close]"), SteadySender)
    seen = trying.run(learn="line").seen
    first, last = SteadySender.close.__code__.co_firstlineno, SteadySender.write.__code__
    inside = [
        point for point, what in seen.items()
        if first < what.place[1] < last.co_firstlineno and what.place[0] == last.co_filename
    ]  # fmt: skip
    assert len(inside) >= 4
    for point in inside:
        for kind in ("stall", "pause"):
            assert trying.run((Entry(point, kind, 4),)).failures == ()


def test_two_drivers_on_a_cable_are_counted_together() -> None:
    """Where a driver is at both ends, the calls of both are points, of the same on each run."""
    trying = Trying(load_scenario(ROOT / "fixtures/cable.yaml"), InterruptDriver)
    one, two = trying.run(learn="access"), trying.run(learn="access")
    assert one.seen == two.seen
    found: Trial = trying.run((at(one.calls // 2), at(one.calls // 2 + 1, kind="pause")))
    assert found.failures == ()


def test_stretches() -> None:
    """A stretch ends where time passes, the mask changes, or a handler begins or ends."""
    seen = Trying(scenario(), SteadySender).run(learn="line").seen
    by_stretch: dict[int, set[tuple[int, bool]]] = {}
    for what in seen.values():
        by_stretch.setdefault(what.stretch, set()).add((what.depth, what.masked))
    assert all(len(states) == 1 for states in by_stretch.values())
    numbers = [what.stretch for what in seen.values()]
    assert numbers == sorted(numbers)
    assert len(by_stretch) > 20


# tracing


def test_nobody_is_traced_afterwards() -> None:
    """Neither noting lines nor acting between them leaves a tracer behind."""
    trying = Trying(scenario(), SteadySender)
    for arguments in ({"learn": "line"}, {"schedule": (at(5, 1),)}, {"schedule": (at(9_999, 1),)}):
        trying.run(**arguments)  # type: ignore[arg-type]
        assert sys.gettrace() is None


def test_whoever_traced_before_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """A debugger or a measurement of coverage is given back what it traced."""
    traced: list[str] = []

    def tracer(frame: types.FrameType, event: str, _argument: object) -> Any:
        traced.append(f"{event} {frame.f_code.co_name}")
        return tracer

    monkeypatch.setattr(sys, "gettrace", sys.gettrace)  # no tool of ours in between
    trying = Trying(scenario(), SteadySender)
    sys.settrace(tracer)
    try:
        trying.run((at(5, 1),))
        after = sys.gettrace()
        traced.clear()
        scenario()
    finally:
        sys.settrace(None)
    assert after is tracer
    assert "call scenario" in traced


class Tracing(SteadySender):
    """Takes tracing for itself."""

    def open(self, line: Any) -> None:
        """Open with a tracer in place."""
        sys.settrace(None)
        super().open(line)
        sys.settrace(lambda *_: None)


@pytest.mark.parametrize("entry", [at(3, 1), at(8, 2), at(40, 1), at(40)])
def test_a_driver_that_traces(entry: Entry) -> None:
    """A driver that takes tracing for itself is run to its end, and delayed at calls at least."""
    try:
        trying = Trying(scenario(), Tracing)
        assert trying.run(learn="line").failures == ()
        found = trying.run((entry,))
    finally:
        sys.settrace(None)
    assert found.failures == ()
    assert [one.entry for one in found.acted] == [entry]


class Stumbling(SteadySender):
    """Its handler fails once, and its calls do not mind."""

    failed = False

    def _handle(self) -> None:
        if not self.failed:
            self.failed = True
            raise LookupError("no cause")
        super()._handle()

    def read(self, size: int, timeout: float | None = None) -> bytes:
        """Read, whatever happens meanwhile."""
        for _ in range(40):
            try:
                self._cpu.time()
                self._marks = 1
                self._marks = 2
            except LookupError:
                pass
        return super().read(size, timeout)


def test_a_handler_that_fails_between_lines() -> None:
    """What a handler raises when let in between lines goes to the driver, as it does at calls."""
    far_end = "{kind: source, data: ab, start: 1 ms}"
    trying = Trying(scenario("[open, {receive: 2}]", far_end=far_end), Stumbling)
    seen = trying.run(learn="line").seen
    points = [p for p, what in seen.items() if what.place[0] == __file__ and p.step == 1]
    late = trying.run((at(*points[3], events=64), at(points[20].call, 1)))
    assert late.failures == ()
    assert [one.entry.point for one in late.acted] == [points[3], points[20]]
    assert {one.place[0] for one in late.acted} == {__file__}
    assert sys.gettrace() is None
