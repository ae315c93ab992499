"""Figures of a sizing are short, and screens fit whatever is asked."""

from __future__ import annotations

import pytest

from emu.kernel.board import CpuSettings
from emu.report.size_figure import figure, unbroken
from emu.report.size_notes import notes
from emu.report.size_plot import plot
from emu.report.size_table import LETTERS, render_study
from emu.sizing.study import study
from emu.sizing.workload import Neighbour, Traffic, Workload
from emu.units import LineSettings


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "-"), (0, "0"), (0.0001, "<.001"), (0.00172, ".0017"), (0.0342, "0.034"),
        (0.5184, "0.518"),
        (1.728, "1.73"), (99.33, "99.3"), (1388.9, "1389"), (11_520, "11.5k"),
        (391_872, "392k"), (6_266_880, "6.27M"), (100_000_000, "100M"),
        (2.1556e11, "216G"), (3e12, "3T"),
    ],
)  # fmt: skip
def test_a_figure_has_three_digits(value: float | None, text: str) -> None:
    """Numbers are short enough for their column and keep the digits that matter."""
    assert figure(value) == text


@pytest.mark.parametrize(
    "workload",
    [
        Workload(),
        Workload(fifo=1),
        Workload(fifo=65_536, line=LineSettings(100_000_000)),
        Workload(cpu=CpuSettings(clock_hz=1_000_000), line=LineSettings(300, 7, "even", 2)),
        Workload(traffic=Traffic("random", 0.001), others=(Neighbour(),) * 3),
        Workload(line=LineSettings(1)),
    ],
)
def test_screens_fit(workload: Workload) -> None:
    """No screen is wider than 100 columns, and none of its columns runs into the next."""
    found = study(workload, simulated=False)
    lines = render_study(found).splitlines()

    assert max(map(len, lines)) <= 100
    for letter, row in zip(LETTERS, found.rows, strict=False):
        (line,) = [one for one in lines if one.startswith(f"{letter} {row.strategy.name[:21]}")]
        assert len(line[24:].split()) == 10


def test_a_curve_ends_where_characters_are_lost() -> None:
    """Bit-banging, at the first letter, ends left of an interrupt for each character."""
    lines = list(plot(study(Workload(), simulated=False), LETTERS))[2:-2]

    def last(letter: str) -> int:
        return max(line.rfind(letter) for line in lines)

    assert 0 < last("A") < last("D") < last("E")
    assert sum(line.count("J") for line in lines) > 0


def test_the_legend_explains_every_column() -> None:
    """Each column of the table, and what a dash in it means, stands in the legend."""
    found = study(Workload(), simulated=False)
    legend = " ".join(" ".join(notes(found, LETTERS)).split())

    for name in ("CPU load", "load differs", "int/s", "acc/byte", "worst, mean", "lost", "limit",
                 "up to", "speed-up", "whole prog."):  # fmt: skip
        assert f"{name} " in legend or f"{name}: " in legend, name
    assert "- where no sum tells" in legend
    assert "- where characters are lost or the program gets no time" in legend


def test_what_the_program_computes_is_on_the_screen() -> None:
    """The input of Amdahl's law stands with the other inputs."""
    lines = render_study(study(Workload(compute_cycles=250), simulated=False)).splitlines()

    assert lines[3] == "the program computes 250 cycles (5 us) for each character"


def test_a_way_that_loses_characters_has_no_worth() -> None:
    """Where four of five characters are lost there is no speed-up to print."""
    lines = render_study(study(Workload(fifo=1), simulated=False)).splitlines()
    (line,) = [one for one in lines if one.startswith("D moderated interrupts")]

    assert line.split()[-2:] == ["-", "-"]


def test_no_line_of_an_advice_begins_with_a_per_cent_sign() -> None:
    """A number stays with its per cent sign wherever a line ends."""
    for length in range(80, 100):
        lines = list(unbroken(f"{'x' * length} 60.8 % of it", ""))
        assert not any(line.startswith("%") for line in lines)
        assert " ".join(lines).endswith("60.8 % of it")
