"""Random programs on random hardware: every picosecond has one account, and interrupts keep order.

The reference adds up what each step of the main program costs by itself. Whatever else passes is
a handler's, a sleep's or a stall's, and those are checked against the journal.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from emu.kernel.board import LineRules
from emu.kernel.cpu import ENTER, EXIT
from tests.unit.cpu_bench import ACCESS_PS, CYCLE_PS, TIME_PS, Bench

NS = 1_000
Program = list[tuple[str, "int | Program"]]
STEPS: st.SearchStrategy[Program] = st.deferred(
    lambda: st.lists(
        st.one_of(
            st.tuples(st.sampled_from(["read", "poll", "write", "time", "raise"]), st.just(0)),
            st.tuples(st.just("work"), st.integers(0, 400)),
            st.tuples(st.sampled_from(["sleep", "wait"]), st.integers(0, 9_000)),
            st.tuples(st.just("masked"), STEPS),
        ),
        max_size=6,
    )
)
# Not at 0: what is due before the first step has not happened yet when the step is priced.
PULSES = st.lists(st.tuples(st.integers(1, 40_000), st.integers(0, 1)), max_size=6)
HOLDS = st.lists(st.tuples(st.integers(0, 30_000), st.integers(1, 5_000)), max_size=3)
IN_HANDLERS = st.sampled_from(["nothing", "read", "work", "sleep", "masked"])
SOFTWARE = 9


@dataclass
class Books:
    """What main code spends, by the price of each step."""

    work_ps: int = 0
    times: int = 0


class Machine(Bench):
    """Two gauges whose handlers do something, and a line that only software raises."""

    def __init__(self, *, nesting: bool, inside: str) -> None:
        rules = {4: LineRules(priority=1), 5: LineRules(priority=2, edge=True),
                 SOFTWARE: LineRules(software=True, priority=3)}  # fmt: skip
        super().__init__(gauges=(4, 5, 8), lines=rules, nesting=nesting)
        self.books = Books()
        for number in (0, 1):
            self.serve(number, lambda: self.inside(inside))
        self.cpu.connect(SOFTWARE, lambda: self.inside(inside))

    def inside(self, kind: str) -> None:
        """Do something in a handler, on a window that main code never touches."""
        io = self.io[1]
        if kind == "read":
            io.read8(0)
            io.read8(0)
        elif kind == "work":
            self.cpu.work(30)
        elif kind == "sleep":
            self.cpu.sleep(700e-9)
        elif kind == "masked":
            with self.cpu.interrupts_masked():
                io.read8(2)

    def run(self, program: Program) -> None:
        """Run main code and keep the books."""
        for kind, value in program:
            if isinstance(value, list):
                with self.cpu.interrupts_masked():
                    self.run(value)
            else:
                self.step(kind, value)

    def step(self, kind: str, value: int) -> None:
        """Do one step."""
        cpu, io, books = self.cpu, self.io[2], self.books
        if kind == "read":
            io.read8(0)
        elif kind == "poll":
            for _ in range(5):
                io.read8(0)
        elif kind == "write":
            io.write8(0, self.clock.events & 0xFF)
        elif kind == "time":
            books.times += 1
            cpu.time()
        elif kind == "raise":
            books.work_ps += TIME_PS
            cpu.raise_interrupt(SOFTWARE)
        elif kind == "work":
            books.work_ps += value * CYCLE_PS
            cpu.work(value)
        elif kind == "sleep":
            cpu.sleep(value / 1e9)
        else:
            self.wait(value)

    def wait(self, nanoseconds: int) -> None:
        """Wait, which takes as long as a look at the time where there is nothing to wait for."""
        at_once = self.cpu.interrupts.best is not None or not nanoseconds
        self.books.work_ps += at_once * TIME_PS
        self.cpu.wait_for_interrupt(nanoseconds / 1e9)

    def outermost(self) -> list[tuple[int, int]]:
        """Return when handlers were entered and left, nested ones being part of the outer."""
        spans, depth, began_ps = [], 0, 0
        for at_ps, who, what, *_ in self.board.journal.entries:
            if who or what not in (ENTER, EXIT):
                continue
            depth += 1 if what == ENTER else -1
            if what == ENTER and depth == 1:
                began_ps = at_ps
            elif not depth:
                spans.append((began_ps, at_ps))
        return spans


def machine(
    pulses: list[tuple[int, int]], holds: list[tuple[int, int]], inside: str, *, nesting: bool
) -> Machine:
    """Make a machine with events to come."""
    bench = Machine(nesting=nesting, inside=inside)
    for at_ns, number in pulses:
        bench.pulse(at_ns * NS, number)
    for at_ns, length_ns in holds:
        until_ps = (at_ns + length_ns) * NS
        bench.clock.schedule(at_ns * NS, lambda until_ps=until_ps: bench.clock.hold(until_ps))  # type: ignore[misc]
    return bench


@settings(max_examples=150)
@given(program=STEPS, pulses=PULSES, holds=HOLDS, inside=IN_HANDLERS, nesting=st.booleans())
def test_every_picosecond_has_one_account(
    program: Program,
    pulses: list[tuple[int, int]],
    holds: list[tuple[int, int]],
    inside: str,
    nesting: bool,
) -> None:
    """Main work and polling are the price of the program's own steps, whatever interrupts them.

    The five accounts add up to the time on the clock, and none is below zero.
    """
    bench = machine(pulses, holds, inside, nesting=nesting)

    bench.run(program)

    split = bench.split()
    fresh, again, written = bench.board.bus.accesses()["gauge2"]
    assert split["main"] == bench.books.work_ps + (fresh + written) * ACCESS_PS
    assert split["polled"] == bench.books.times * TIME_PS + again * ACCESS_PS
    assert sum(split.values()) == bench.clock.now_ps
    assert min(split.values()) >= 0
    if not holds:
        assert split["handler"] == sum(end - start for start, end in bench.outermost())


@given(program=STEPS, pulses=PULSES, holds=HOLDS, inside=IN_HANDLERS, nesting=st.booleans())
def test_handlers_nest_by_priority_and_only_when_allowed(
    program: Program,
    pulses: list[tuple[int, int]],
    holds: list[tuple[int, int]],
    inside: str,
    nesting: bool,
) -> None:
    """A handler is only ever interrupted by a line of higher priority, and only with nesting."""
    bench = machine(pulses, holds, inside, nesting=nesting)
    priority = {4: 1, 5: 2, SOFTWARE: 3}
    running: list[int] = []

    bench.run(program)

    for _, who, what, number, *_ in bench.board.journal.entries:
        if who == 0 and what == ENTER:
            assert not running or (nesting and priority[number] > priority[running[-1]])
            running.append(number)
        elif who == 0 and what == EXIT:
            assert running.pop() == number
    assert running == []
    assert not bench.cpu.masked


@given(program=STEPS, pulses=PULSES, holds=HOLDS, inside=IN_HANDLERS, nesting=st.booleans())
def test_same_program_same_journal(
    program: Program,
    pulses: list[tuple[int, int]],
    holds: list[tuple[int, int]],
    inside: str,
    nesting: bool,
) -> None:
    """Two runs of the same give the same journal, and its times never go back."""
    journals = []
    for _ in range(2):
        bench = machine(pulses, holds, inside, nesting=nesting)
        bench.run(program)
        journals.append(list(bench.board.journal.entries))

    assert journals[0] == journals[1]
    assert all(one[0] <= two[0] for one, two in pairwise(journals[0]))


@given(
    pulses=st.lists(st.integers(0, 400), max_size=40), period_us=st.integers(1, 60),
    edge=st.booleans(),
)  # fmt: skip
def test_moderation_spaces_deliveries(pulses: list[int], period_us: int, edge: bool) -> None:
    """Deliveries start at least the period apart, and the last request is served in the end."""
    rules = LineRules(moderation_ps=period_us * 1_000 * NS, edge=edge)
    bench = Bench(lines={4: rules})
    bench.serve()
    for at_us in pulses:
        bench.pulse(at_us * 1_000 * NS)

    bench.cpu.sleep(600e-6)

    starts = [one[0] for one in bench.board.journal.entries if one[1:] == (0, ENTER, 4)]
    assert all(two - one >= period_us * 1_000 * NS for one, two in pairwise(starts))
    assert bool(starts) == bool(pulses)
    assert not bench.wire().level
