"""Lanes show a moment side by side: main code, handler, line, buffers and interrupt line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from emu.record.gauges import Gauges, Reading
from emu.record.lanes import Remark, lanes
from emu.record.tape import read_tape
from emu.scenario.load import load_scenario
from emu.scenario.runner import Run

ROOT = Path(__file__).resolve().parents[2]


def watched(name: str) -> tuple[Run, Gauges]:
    """Run a scenario of the fixtures with its gauges read."""
    scenario = load_scenario(ROOT / "fixtures" / name)
    run = Run(scenario, events=None, places=True)
    gauges = Gauges(run.board, scenario.port)
    run.outcome()
    return run, gauges


@pytest.fixture(scope="module")
def evening() -> tuple[Run, Gauges]:
    """Return a run with a handler, both directions of the line, and FIFOs."""
    return watched("evening_tide.yaml")


def test_each_lane_has_its_column(evening: tuple[Run, Gauges]) -> None:
    """What main code does stands left of what the handler does, and characters right of both."""
    run, gauges = evening
    events = read_tape(run.board).events
    text = lanes(events, gauges, moment_ps=run.board.clock.now_ps, rows=1000)
    lines = text.splitlines()
    columns = [lines[0].index(one) for one in ("main code", "handler", "line", "FIFO", "irq")]
    assert columns == sorted(columns)
    assert max(map(len, lines)) <= 100
    entered = [one for one in lines if "-->" in one]
    assert {one.index("-->") for one in entered} == {columns[1]}
    wire = {one.index(arrow) for one in lines for arrow in ("-> '", "<- '") if arrow in one}
    assert wire == {columns[2]}
    assert {one.index("send of") for one in lines if "send of" in one} <= {columns[0]}


def test_gauges_say_what_stood_there(evening: tuple[Run, Gauges]) -> None:
    """Levels of buffers and interrupt line are those of the moment and not those of the end."""
    run, gauges = evening
    readings = {gauges.at(one.time_ps) for one in read_tape(run.board).events}
    assert any(one.received for one in readings)
    assert any(one.sending for one in readings)
    assert {one.irq for one in readings} == {0, 1}
    assert gauges.at(run.board.clock.now_ps) == Reading(0, 0, 0)


def test_a_moment_is_cut_out(evening: tuple[Run, Gauges]) -> None:
    """So many rows are shown, most of them before the moment, and the rest is counted."""
    run, gauges = evening
    events = read_tape(run.board).events
    middle = events[len(events) // 2].time_ps
    lines = lanes(events, gauges, moment_ps=middle, rows=12).splitlines()
    stamps = [float(one[0]) for one in map(str.split, lines) if re.fullmatch(r"\d+\.\d", one[0])]
    assert len(stamps) == 12
    assert sum(one * 10**6 <= middle for one in stamps) >= 6
    earlier, later = (int(one[1:].split()[0]) for one in lines if one.startswith("("))
    assert earlier > 0
    assert later > 0


def test_remarks_stand_across_the_lanes(evening: tuple[Run, Gauges]) -> None:
    """What is to be said at a time stands in its place, marked, and is wrapped."""
    run, gauges = evening
    events = read_tape(run.board).events
    middle = events[len(events) // 2].time_ps
    remark = Remark(middle, "the processor stands still here " * 5)
    lines = lanes(events, gauges, moment_ps=middle, remarks=[remark], rows=10).splitlines()
    marked = [one for one in lines if one[10:].startswith("  * ")]
    assert len(marked) == 2
    assert float(marked[0].split()[0]) == round(middle / 10**6, 1)


def test_a_device_without_buffers_has_no_lane_for_them() -> None:
    """A timer has no FIFO, so no lane claims one."""
    run, gauges = watched("trades/sampling.yaml")
    text = lanes(read_tape(run.board).events, gauges, moment_ps=run.board.clock.now_ps, rows=10)
    assert "FIFO" not in text.splitlines()[0]
