"""A sizing on a screen of 100 columns: each way twice, computed and simulated, one above the other.

The order is that of the reader's questions: what was asked, what each way costs and how far it
goes, and what to take.
"""

from __future__ import annotations

from collections.abc import Iterator

from emu.report.run_summary import WIDTH, Paint, plain, wrapped
from emu.report.size_figure import figure, unbroken
from emu.report.size_notes import notes
from emu.report.size_plot import plot
from emu.sizing.recommend import recommend, recommend_depth
from emu.sizing.strategies import BIT_BANGED
from emu.sizing.study import Row, Study
from emu.sizing.workload import Workload
from emu.units import format_duration, format_frequency, show_duration

__all__ = ["LETTERS", "render_study", "render_sweep"]

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_NAME = 24
_WIDTHS = (6, 7, 6, 8, 8, 6, 7, 8, 8, 6, 6)
_HEAD = (
    ("CPU", "int/s", "acc/", "worst", "mean", "lost", "limit", "up to", "load", "speed", "whole"),
    ("load %", "", "byte", "us", "us", "%", "us", "baud", "differs", "-up", "prog."),
)


def render_study(found: Study, paint: Paint = plain, *, next_step: str = "") -> str:
    """Return a sizing as text that ends in a newline.

    Args:
        found: what was computed and simulated.
        paint: colours a text by its tone; the words alone carry the meaning.
        next_step: what the reader may want to do now.
    """
    lines = [
        *_asked(found.workload, paint),
        "",
        *_table(found, paint),
        "",
        *notes(found, LETTERS),
        "",
        *plot(found, LETTERS),
        "",
        *_advice(found, paint),
    ]
    if next_step:
        lines += ["", *wrapped(next_step, "", "Next: ")]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def render_sweep(
    name: str,
    values: tuple[int, ...],
    studies: list[Study],
    paint: Paint = plain,
    *,
    next_step: str = "",
) -> str:
    """Return a sweep as text: for each value the load of some ways, and what to take.

    Args:
        name: what was changed.
        values: to which values.
        studies: what came of each.
        paint: colours a text by its tone.
        next_step: what the reader may want to do now.
    """
    lines = [*_asked(studies[0].workload, paint, without=name), ""]
    lines += ["CPU load in %, computed / simulated, - for none; ! where characters are lost", ""]
    names = _swept_names(studies)
    lines.append(paint(f"{name:>8} " + "".join(f"{one:>15}" for one in names), "name"))
    for value, found in zip(values, studies, strict=True):
        cells = [_cell(_row_of(found, one)) for one in names]
        lines.append(f"{value:>8} " + "".join(f"{cell:>15}" for cell in cells))
    lines += ["", "What to take, with the FIFO that is there"]
    for value, found in zip(values, studies, strict=True):
        lines += unbroken(recommend(found).short, "", f"{value:>8}  ")
    if name == "fifo" and len(values) > 1:
        lines += ["", *unbroken(recommend_depth(studies), "", "Advice: ")]
    if next_step:
        lines += ["", *wrapped(next_step, "", "Next: ")]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _asked(workload: Workload, paint: Paint, without: str = "") -> Iterator[str]:
    """Yield what was asked, in words."""
    line, traffic, cpu, masked = workload.line, workload.traffic, workload.cpu, workload.masked
    how = {"steady": "steady", "bursty": f"in bursts of {traffic.burst_bytes}"}
    pattern = how.get(traffic.shape, "at random")
    if without == "baud":
        yield paint(f"{str(line).partition(' ')[2]} at several rates, {pattern}", "name")
    else:
        rate_hz = workload.rate_hz
        rate = f"{f'{rate_hz:,.0f}' if rate_hz >= 10 else f'{rate_hz:.3g}'} characters/s"
        yield paint(f"{line}, {pattern}, {100 * traffic.share:.3g} % of the line: {rate}", "name")
    access = show_duration(workload.access_ps)
    fifo = f"FIFO of {workload.fifo}" if workload.fifo > 1 else "no FIFO"
    fifo = "FIFOs of several sizes" if without == "fifo" else fifo
    yield (
        f"processor at {format_frequency(cpu.clock_hz)}, access {workload.access_cycles} cycles "
        f"({access}), handler entry {cpu.entry_cycles} and exit {cpu.exit_cycles}; {fifo}"
    )
    yield from wrapped(
        "; ".join([*_others(workload), _masked(masked.length_ps, masked.period_ps)]), ""
    )
    cycles = workload.compute_cycles
    time = show_duration(workload.cycles_ps(cycles))
    yield f"the program computes {cycles} cycles ({time}) for each character"


def _others(workload: Workload) -> Iterator[str]:
    if not workload.others:
        yield "nothing else interrupts"
    for one in workload.others:
        side = "before" if one.above else "after"
        yield (
            f"every {format_duration(one.period_ps)} another handler of {one.handler_cycles} "
            f"cycles, served {side} this one"
        )


def _masked(length_ps: int, period_ps: int) -> str:
    if not length_ps:
        return "interrupts are never masked"
    return f"masked for {format_duration(length_ps)} every {format_duration(period_ps)}"


def _table(found: Study, paint: Paint) -> Iterator[str]:
    is_simulated = any(row.measured for row in found.rows)
    for number, head in enumerate(_HEAD):
        name = "way" if number else ""
        yield paint(f"{name:<{_NAME}}" + _cells(head), "name")
    for letter, row in zip(LETTERS, found.rows, strict=False):
        yield f"{letter} {row.strategy.name[: _NAME - 3]:<{_NAME - 2}}" + _cells(_computed(row))
        if row.measured is not None:
            yield f"{'  simulated':<{_NAME}}" + _cells(_simulated(row))
        elif is_simulated:
            yield f"  simulated: {row.note}"[:WIDTH]


def _cells(texts: tuple[str, ...]) -> str:
    return "".join(f"{text:>{width}}" for text, width in zip(texts, _WIDTHS, strict=True))


def _computed(row: Row) -> tuple[str, ...]:
    one = row.computed
    worst = None if one.worst_latency_s is None else 1e6 * one.worst_latency_s
    is_worth = one.loss == 0 or row.strategy.kind == BIT_BANGED
    worth = (one.speed_up, one.program_speed_up) if is_worth else (None, None)
    return (
        figure(100 * one.load), figure(one.interrupts_hz), figure(one.accesses_per_byte),
        figure(worst), figure(1e6 * one.mean_latency_s),
        figure(None if one.loss is None else 100 * one.loss), figure(1e6 * one.tolerable_s),
        figure(one.highest_baud), "", *map(figure, worth),
    )  # fmt: skip


def _simulated(row: Row) -> tuple[str, ...]:
    one = row.measured
    assert one is not None
    percent = None if row.difference is None else round(100 * row.difference, 1) + 0.0
    differs = "-" if percent is None else f"{percent:+.1f} %"
    return (
        figure(100 * one.load), figure(one.interrupts_hz), figure(one.accesses_per_byte),
        figure(1e6 * one.worst_latency_s), figure(1e6 * one.mean_latency_s),
        figure(100 * one.loss), "", "", differs, "", "",
    )  # fmt: skip


def _advice(found: Study, paint: Paint) -> Iterator[str]:
    advice = recommend(found)
    tone = "good" if advice.row else "bad"
    first, *rest = unbroken(advice.text, "", "Advice: ")
    yield first.replace("Advice", paint("Advice", tone), 1)
    yield from rest


def _swept_names(studies: list[Study]) -> list[str]:
    """Return short names of the ways that a sweep shows, one of each kind."""
    found = [_short(row) for one in studies for row in one.rows]
    order = ["bit-banged", "polled", "polled FIFO", "int/byte", "int at half", "moderated", "DMA"]
    return [one for one in order if one in found][:6]


def _short(row: Row) -> str:
    strategy = row.strategy
    if strategy.kind == "interrupts" and strategy.depth > 1:
        half = strategy.trigger == max(strategy.depth // 2, 1)
        return "int at half" if half else ""
    return {
        "bit-banged": "bit-banged", "polled": "", "paced": "polled FIFO", "interrupts": "int/byte",
        "moderated": "moderated", "dma": "DMA",
    }[strategy.kind]  # fmt: skip


def _row_of(found: Study, name: str) -> Row | None:
    return next((row for row in found.rows if _short(row) == name), None)


def _cell(row: Row | None) -> str:
    """Return computed and simulated load, and a mark where characters are lost."""
    if row is None:
        return "-"
    measured = figure(100 * row.measured.load) if row.measured else "-"
    lost = row.computed.loss != 0 or (row.measured is not None and row.measured.loss > 0)
    return f"{figure(100 * row.computed.load)}/{measured}{'!' if lost else ' '}"
