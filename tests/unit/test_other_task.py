"""Another task that calls a driver in the middle of a call: where it may, and what is judged."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.scenario.driver_source import DriverName, load_driver
from emu.scenario.load import parse_scenario
from emu.scenario.port import DrivenPort
from emu.scenario.runner import Run
from emu.scenario.serial_stage import SerialStage
from emu.scenario.written import scenario_as_plain
from emu.search.explore import Plan
from emu.search.hunt import Hunted, hunt
from emu.search.schedule import Entry, Point, describe
from emu.search.trial import Trying
from tests.search_bench import SteadySender, at, scenario

ROOT = Path(__file__).resolve().parents[2]
ASKED = scenario("[open, {send: {count: 16}}, close]", far_end="sink")
CALLERS = ("close", "write")
DRIVERS = {
    name: load_driver(DriverName.parse(f"drivers_example/{name}", base=ROOT))
    for name in ("interrupt_driven.py:InterruptDriver", "polled.py:PolledDriver")
}


def _port(run: Run) -> DrivenPort:
    """Return the port that a run drove."""
    assert isinstance(run.stage, SerialStage)
    return run.stage.ports["telemetry"]


def hunted(name: str, callers: tuple[str, ...]) -> Hunted:
    """Hunt with calls by another task and nothing else, at the driver's calls."""
    plan = Plan(entries=1, manner="access", spurious=False, most=250)
    return hunt(replace(ASKED, callers=callers), DRIVERS[name], plan)


@pytest.mark.parametrize("caller", CALLERS)
def test_a_driver_that_allows_for_other_tasks(caller: str) -> None:
    """A driver that guards what its calls share keeps every promise, wherever another calls."""
    found = hunted("interrupt_driven.py:InterruptDriver", (caller,))
    assert found.found == []
    assert len(found.explored.behaviours) > 20


def test_a_driver_that_does_not() -> None:
    """A driver for one task looks, is entered, and writes into the FIFO that the other filled."""
    found = hunted("polled.py:PolledDriver", ("write",))
    (full,) = [one for one in found.found if one.failure.rule == "write-when-full"]
    assert [one.kind for one in full.trial.schedule] == ["write"]
    assert full.repeats


def test_nobody_calls_unless_the_scenario_says_so() -> None:
    """Without `callers` no other task calls, so a driver for one task is not accused."""
    nobody = hunted("polled.py:PolledDriver", ())
    assert nobody.found == []
    assert nobody.explored.runs > 100


class Reviver(SteadySender):
    """Turns the receive interrupt on again at the end of each write, open or not."""

    def write(self, data: bytes, timeout: float | None = None) -> int:
        count = super().write(data, timeout)
        self._io.write8(1 * self._io.stride, 1)
        return count


def test_what_a_call_does_to_a_port_that_another_has_closed() -> None:
    """A call that goes on after the port was closed under it must leave the device silent."""
    found = hunt(replace(ASKED, callers=("close",)), Reviver, Plan(manner="access", most=150))
    broken = {one.failure.rule for one in found.found}
    assert "promise quiet" in broken


class Raiser(SteadySender):
    """Cannot be closed while it writes."""

    writing = False

    def write(self, data: bytes, timeout: float | None = None) -> int:
        self.writing = True
        try:
            return super().write(data, timeout)
        finally:
            self.writing = False

    def close(self) -> None:
        if self.writing:
            raise RuntimeError("busy")
        super().close()


def test_a_call_in_between_that_raises_is_the_finding() -> None:
    """What the other task's call does wrong ends the run, and is told once, of that call."""
    found = hunt(replace(ASKED, callers=("close",)), Raiser, Plan(manner="access", most=150))
    told = [one.failure.message for one in found.found if one.failure.rule == "driver-raised"]
    assert told == ["close raised RuntimeError: busy"]


def test_points_at_which_nobody_can_enter() -> None:
    """No other task enters during open or close, in a handler, or under a mask."""
    seen = Trying(ASKED, DRIVERS["interrupt_driven.py:InterruptDriver"]).run(learn="access").seen
    assert any(one.open_to for one in seen.values())
    assert not any(one.open_to and (one.depth or one.masked) for one in seen.values())
    first, *_, last = seen.values()
    assert (first.open_to, last.open_to) == (False, False)


def test_characters_of_its_own() -> None:
    """Another task sends what the scenario does not, and nothing if that leaves nothing."""
    trying = Trying(replace(ASKED, callers=("write",)), SteadySender)
    calls = [point.call for point, one in trying.run(learn="access").seen.items() if one.open_to]
    sent: list[bytes] = []
    for asked in (ASKED, scenario("[open, {send: {count: 256}}, close]")):
        Trying(asked, SteadySender).run(
            (at(calls[1], kind="write"),),
            keep=lambda run: sent.append(_port(run).contract.between),
        )
    assert sent == [b"\xff\xfe\xfd", b""]


def test_in_words() -> None:
    """A call by another task is told as that."""
    assert describe(Entry(Point(7), "close"), "a.py:3") == (
        "another task's close at a.py:3 (before bench call 7)"
    )


def test_in_a_file() -> None:
    """The callers stand in the scenario, once each, and are written back."""
    assert scenario_as_plain(replace(ASKED, callers=CALLERS))["callers"] == ["close", "write"]
    text = "scenario: t\nboard: {devices: {u: {kind: uart16550, at: 0x0, clock: 1.8432 MHz}}}\n"
    assert parse_scenario(text + "callers: [write, close, write]").callers == ("write", "close")
    with pytest.raises(InputError, match=r":3:11: .*'read'.*close, write"):
        parse_scenario(text + "callers: [read]")
