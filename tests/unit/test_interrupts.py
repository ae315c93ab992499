"""Interrupt lines: what makes one pending, which is served first, sharing, moderation."""

from __future__ import annotations

from typing import Any

import pytest

from emu.errors import AccessError, DeclarationError
from emu.kernel.clock import Clock
from emu.kernel.interrupts import InterruptLine, Interrupts
from emu.kernel.signal import Signal


class Bench:
    """A clock, the lines of a processor, and how often that was told to look."""

    def __init__(self) -> None:
        self.clock = Clock()
        self.told = 0
        self.lines = Interrupts(self.clock, self._tell)

    def _tell(self) -> None:
        self.told += 1

    def line(
        self,
        number: int,
        *wires: Signal,
        connected: bool = True,
        **rules: Any,
    ) -> InterruptLine:
        """Add a line, with a handler unless told otherwise."""
        line = self.lines.add(number, wires, **rules)
        if connected:
            line.handlers.append(lambda: None)
            self.lines.update(line)
        return line

    def wire(self, name: str = "tide.irq", level: int = 0) -> Signal:
        """Make a wire."""
        return Signal(self.clock, name, level=level)


def test_level_line_is_pending_as_long_as_its_wire_is_high() -> None:
    """Serving a level line does not make it quiet; letting the wire fall does."""
    bench = Bench()
    wire = bench.wire()
    line = bench.line(4, wire)
    seen = [line.pending]
    wire.set(1)
    seen.append(line.pending)
    bench.lines.taken(line)
    seen.append(line.pending)
    wire.set(0)
    seen.append(line.pending)

    assert seen == [False, True, True, False]


def test_edge_line_is_pending_from_a_rise_until_it_is_served() -> None:
    """A rise is remembered after the wire fell, until served; a wire that stays high is none."""
    bench = Bench()
    wire = bench.wire()
    line = bench.line(4, wire, edge=True)
    wire.set(1)
    wire.set(0)
    seen = [line.pending]
    wire.set(1)
    bench.lines.taken(line)
    seen.append(line.pending)
    wire.set(0)
    seen.append(line.pending)
    wire.set(1)
    seen.append(line.pending)

    assert seen == [True, False, False, True]


@pytest.mark.parametrize("edge", [False, True])
def test_latched_line_asks_once(edge: bool) -> None:
    """A software or spurious interrupt is pending until served, whatever the trigger."""
    bench = Bench()
    line = bench.line(4, edge=edge)
    line.latch()
    line.latch()
    pending = line.pending
    bench.lines.taken(line)

    assert (pending, line.pending, line.deliveries) == (True, False, 1)


def test_wire_that_is_high_when_the_line_is_added() -> None:
    """A level line sees a wire that was high before; an edge line has seen no rise."""
    bench = Bench()
    level = bench.line(1, bench.wire(level=1))
    edge = bench.line(2, bench.wire(level=1), edge=True)

    assert (level.pending, edge.pending, bench.lines.best) == (True, False, level)


def test_best_is_the_highest_priority_and_then_the_lowest_number() -> None:
    """Priority decides, the number breaks ties, the order of arrival never does."""
    bench = Bench()
    lines: dict[int, InterruptLine] = {
        number: bench.line(number, priority=priority)
        for number, priority in ((9, 2), (3, 1), (5, 2), (7, 1))
    }
    order = []
    for number in (7, 9, 3, 5):
        lines[number].latch()
    while bench.lines.best is not None:
        order.append(bench.lines.best.number)
        bench.lines.taken(bench.lines.best)

    assert order == [5, 9, 3, 7]


def test_line_without_a_handler_is_pending_but_never_best() -> None:
    """Nobody is connected, so nobody is called; once connected it is served at once."""
    bench = Bench()
    line = bench.line(4, connected=False)
    line.latch()
    before = (line.pending, bench.lines.best, bench.told)
    line.handlers.append(lambda: None)
    bench.lines.update(line)

    assert before == (True, None, 0)
    assert (bench.lines.best, bench.told) == (line, 1)


def test_moderation_keeps_a_line_back() -> None:
    """After a delivery the line is not best until the time is over, and then is, by itself."""
    bench = Bench()
    wire = bench.wire()
    line = bench.line(4, wire, moderation_ps=100)
    wire.set(1)
    first = bench.lines.best
    bench.lines.taken(line)
    seen = []
    for at_ps in (0, 99, 100):
        bench.clock.run_until(at_ps)
        seen.append(bench.lines.best)

    assert (first, seen) == (line, [None, None, line])


def test_moderated_line_does_not_hold_up_others() -> None:
    """While one line waits for its time, a less important one is served."""
    bench = Bench()
    urgent = bench.line(1, priority=5, moderation_ps=100)
    other = bench.line(2)
    for line in (urgent, other):
        line.latch()
    bench.lines.taken(urgent)
    urgent.latch()

    assert bench.lines.best is other


def test_shared_line_is_the_or_of_its_wires() -> None:
    """The line is high while any wire is, and one device falling does not hide another."""
    bench = Bench()
    wires = [bench.wire(name) for name in ("tide.irq", "wind.irq")]
    line = bench.line(4, *wires, shared=True)
    seen = []
    for index, level in ((0, 1), (1, 1), (0, 0), (1, 0)):
        wires[index].set(level)
        seen.append(line.asserted)

    assert seen == [1, 1, 1, 0]


def test_shared_edge_line_rises_only_with_the_or() -> None:
    """A second wire that rises while the first is high makes no edge, as on a real wired-or."""
    bench = Bench()
    wires = [bench.wire(name) for name in ("tide.irq", "wind.irq")]
    line = bench.line(4, *wires, shared=True, edge=True)
    wires[0].set(1)
    bench.lines.taken(line)
    wires[1].set(1)
    while_high = line.pending
    for wire in wires:
        wire.set(0)
    wires[1].set(1)

    assert (while_high, line.pending) == (False, True)


def test_what_stands_in_front_of_a_shared_line_hears_every_change() -> None:
    """Whoever replaces `take` is told each rise and fall once, even if it passes none on."""
    bench = Bench()
    wires = [bench.wire(name) for name in ("tide.irq", "wind.irq")]
    line = bench.line(4, *wires, shared=True)
    heard: list[int] = []
    line.take = heard.append
    for index, level in ((0, 1), (1, 1), (0, 0), (1, 0), (1, 1)):
        wires[index].set(level)

    assert (heard, line.asserted) == ([1, 0, 1], 0)


def test_second_wire_needs_a_shared_line() -> None:
    """Two devices on one number are a mistake unless the line is shared; both are named."""
    bench = Bench()

    with pytest.raises(DeclarationError, match=r"irq 4: interrupt 4 is claimed by tide\.irq, wind"):
        bench.lines.add(4, [bench.wire(), bench.wire("wind.irq")])

    assert bench.lines.lines == {}


def test_number_is_declared_once() -> None:
    """A line that exists is not silently replaced."""
    bench = Bench()
    first = bench.line(4)

    with pytest.raises(DeclarationError, match="interrupt 4 is declared twice"):
        bench.lines.add(4)

    assert bench.lines.line(4) is first


@pytest.mark.parametrize(("numbers", "allowed"), [((), "none on this board"), ((9, 4), "4, 9")])
def test_unknown_line_lists_the_known_ones(numbers: tuple[int, ...], allowed: str) -> None:
    """A wrong number is answered with the numbers there are; -1 is what an unwired device shows."""
    bench = Bench()
    for number in numbers:
        bench.line(number)

    with pytest.raises(
        AccessError, match=rf"cpu: no interrupt line -1 \(int\); allowed: {allowed}"
    ):
        bench.lines.line(-1)


def test_line_takes_the_name_of_its_wire() -> None:
    """Messages call a line by its purpose, its only wire or its number, in this order."""
    bench = Bench()
    names = [bench.line(1, name="alarm").name, bench.line(2, bench.wire()).name, bench.line(3).name]

    assert names == ["alarm", "tide.irq", "irq3"]
