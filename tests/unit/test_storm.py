"""Interrupt storms that something else than the handler makes: told apart, counted, and ended."""

from __future__ import annotations

import pytest

from emu.errors import RunEnded
from emu.kernel import storm
from emu.kernel.interrupts import InterruptLine
from emu.kernel.storm import EXCUSED_ENTRIES, NOTED_ROW, STORM_ENTRIES
from tests.unit.cpu_bench import US, Bench

ENTRY_PS = 710_000  # of a handler that does nothing: entry, exit, and what is between


class Stuck:
    """A bench whose gauge asks for `entries` in a row, whatever its handler does."""

    def __init__(self, entries: int, cause: str = "a wire is loose") -> None:
        self.bench = Bench()
        self.asked: list[tuple[int, int, int]] = []
        self.cause = cause
        self.left = entries
        self.bench.cpu.storms.cause = self.tell
        self.bench.cpu.connect(4, self.handle)

    def handle(self) -> None:
        """Take the line down when it has asked often enough."""
        self.left -= 1
        if not self.left:
            self.bench.wire().set(0)

    def tell(self, line: InterruptLine, since_ps: int, entries: int) -> str:
        """Answer for the storm."""
        self.asked.append((line.number, since_ps, entries))
        return self.cause

    def run(self) -> int:
        """Let the gauge ask and return the time that this took."""
        start_ps = self.bench.clock.now_ps
        self.bench.wire().set(1)
        self.bench.cpu.sleep(0)
        return self.bench.clock.now_ps - start_ps


def test_a_storm_with_a_cause_of_its_own_goes_on() -> None:
    """A row that is not the handler's doing does not end the run, and its time is kept count of."""
    stuck = Stuck(3 * STORM_ENTRIES)

    took_ps = stuck.run()

    assert stuck.bench.cpu.ended is None
    asked = [entries for _, _, entries in stuck.asked if entries % NOTED_ROW]
    assert asked == [STORM_ENTRIES] * 2 + [STORM_ENTRIES - 1]
    assert len(stuck.asked) > len(asked)
    assert took_ps * 0.99 < stuck.bench.cpu.storms.taken_ps <= took_ps


def test_it_is_asked_about_the_line_and_since_when() -> None:
    """Whoever answers is told which line asked, since when, and how often."""
    stuck = Stuck(NOTED_ROW + 1)
    stuck.bench.cpu.sleep(1e-6)

    stuck.run()

    assert stuck.asked == [(4, US, NOTED_ROW)] * 2  # while the line is up, and when it is let go


def test_a_short_row_is_nothing_to_ask_about() -> None:
    """A few entries in a row are every handler's life; nobody is asked and nothing is counted."""
    stuck = Stuck(NOTED_ROW)

    stuck.run()

    assert stuck.asked == []
    assert stuck.bench.cpu.storms.taken_ps == 0


def test_a_storm_without_another_cause_is_the_handlers() -> None:
    """Nothing to excuse it: the run ends at the handler."""
    stuck = Stuck(2 * STORM_ENTRIES, cause="")

    with pytest.raises(RunEnded) as caught:
        stuck.run()

    assert (caught.value.rule, caught.value.cause) == ("interrupt-storm", "")
    assert caught.value.line == Stuck.handle.__code__.co_firstlineno
    assert stuck.bench.cpu.storms.taken_ps == 0


def test_an_endless_storm_ends_with_its_cause(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cause that never goes ends the run after so many entries, and is named as the cause."""
    monkeypatch.setattr(storm, "EXCUSED_ENTRIES", 4 * STORM_ENTRIES)
    stuck = Stuck(10**9)

    with pytest.raises(RunEnded) as caught:
        stuck.run()

    assert caught.value.cause == "a wire is loose"
    assert "came 4000 times and left the main code no time: a wire is loose" in caught.value.message
    assert 10**9 - stuck.left == 4 * STORM_ENTRIES


def test_a_driver_has_time_to_give_the_line_up() -> None:
    """One that masks a line after 100,000 entries for nothing gets that far."""
    assert EXCUSED_ENTRIES > 100_000
