"""What pins show and what their driver says, compared: right drivers pass, wrong ones do not."""

from __future__ import annotations

from typing import Any

import pytest
import yaml

from drivers_example.pin_keeper import CLEAR, DIR, ENABLE, IN, OUT, PENDING, SET, PinKeeper
from emu.errors import InputError
from emu.record.events import Note
from emu.record.tape import read_tape
from emu.scenario.load import parse_scenario
from emu.scenario.outcome import Outcome
from emu.scenario.runner import Run
from emu.scenario.written import scenario_as_plain
from emu.search.explore import Plan
from emu.search.hunt import hunt
from tests.device_trial import asked, line_of, lines_of, promises_of, trial
from tests.driven_run import broken

FLOAT, LAMP, POWER = 3, 5, 7
FOLLOW = {"follow": FLOAT, "target": LAMP}


def run(driver: type, *steps: Any, idle: int = 1, **more: Any) -> Outcome:
    """Run steps on pins whose outside idles at a level."""
    return trial(driver, {"kind": "gpio", "idle": idle}, *steps, **more)


def output(pin: int, level: int, **more: Any) -> dict[str, Any]:
    """Return the step that makes a pin an output."""
    return {"output": pin, "level": level, **more}


def level(pin: int, value: int) -> dict[str, Any]:
    """Return the step that sets a pin."""
    return {"set": pin, "level": value}


def watch(edge: str = "both") -> dict[str, Any]:
    """Return the step that begins to count edges of the float."""
    return {"watch": FLOAT, "edge": edge}


def pulse(length: str = "200 us", **more: Any) -> dict[str, Any]:
    """Return the step that moves the float."""
    return {"pulse": FLOAT, "length": length, **more}


# levels


@pytest.mark.parametrize("idle", [0, 1])
def test_a_good_driver_keeps_all_promises(idle: int) -> None:
    """Outputs, inputs, open drain, a watch and a follower, whichever level the outside has."""
    outcome = run(
        PinKeeper, output(POWER, 1), level(POWER, 0), {"get": POWER}, {"input": POWER},
        output(POWER, 1, open_drain=True), {"get": POWER}, watch(), pulse(times=3),
        {"wait": "2 ms"}, {"edges": FLOAT}, FOLLOW, pulse(), {"wait": "1 ms"}, idle=idle,
    )  # fmt: skip
    assert outcome.clean
    assert not outcome.findings
    assert [one.text for one in outcome.steps if one.action == "edges"] == ["6 edges of pin 3"]


class Idle(PinKeeper):
    """Sets nothing."""

    def set(self, pin: int, level: int) -> None:
        pass


class Holder(PinKeeper):
    """Never lets go of a pin."""

    def input(self, pin: int) -> None:
        pass


class Shy(PinKeeper):
    """Prepares outputs and does not make them."""

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        self._io.write32(SET if level else CLEAR, 1 << pin)


@pytest.mark.parametrize(
    ("driver", "steps", "told"),
    [
        (
            Idle,
            [output(LAMP, 0), level(LAMP, 1)],
            "pin 5 is driven to 0 after set, not driven to 1",
        ),
        (
            Holder,
            [output(LAMP, 1), {"input": LAMP}],
            "pin 5 is driven to 1 after input, not let go",
        ),
        (Shy, [output(LAMP, 1)], "pin 5 is let go after output, not driven to 1"),
    ],
)
def test_a_pin_that_is_not_as_it_was_asked_to_be(driver: type, steps: list[Any], told: str) -> None:
    """After each call every pin is compared with what it was last asked to be."""
    assert broken(run(driver, *steps)) == {"level": told}


class Strong(PinKeeper):
    """Takes open drain for an ordinary output."""

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        super().output(pin, level)


def test_an_open_drain_that_is_driven_high() -> None:
    """An open drain at 1 is let go, so the outside says what it shows."""
    steps = [output(LAMP, 1, open_drain=True)]
    assert promises_of(run(Strong, *steps)) == ["level"]
    assert promises_of(run(Strong, *steps, idle=0)) == ["level", "glitch"]


# edges that nobody asked for


class Hasty(PinKeeper):
    """Makes a pin an output before it has its level."""

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        self._change(DIR, 1 << pin, 1)  # <- here
        super().output(pin, level, open_drain)


@pytest.mark.parametrize("idle", [0, 1])
def test_direction_before_value(idle: int) -> None:
    """The other level shows only where the outside has the one that is asked for."""
    steps = [output(LAMP, 1 - idle), {"input": LAMP}]
    one = run(Hasty, *steps, output(LAMP, idle), idle=idle)
    other = run(Hasty, *steps, output(LAMP, 1 - idle), idle=idle)
    assert promises_of(one) == ["glitch"]
    assert lines_of(one) == {"direction-before-value": line_of(Hasty)}
    assert other.clean


class Bold(PinKeeper):
    """Writes one bit and clears all others."""

    def set(self, pin: int, level: int) -> None:
        self._io.write32(OUT, level << pin)  # <- here


def test_other_pins_are_overwritten() -> None:
    """A write that changes a pin of somebody else is named, and only where it does."""
    outcome = run(Bold, output(LAMP, 1), output(POWER, 0), level(POWER, 1))
    assert promises_of(outcome) == ["level", "glitch"]
    assert lines_of(outcome) == {"port-overwritten": line_of(Bold)}
    assert run(Bold, output(LAMP, 0), output(POWER, 0), level(POWER, 1)).clean


class Blinker(PinKeeper):
    """Clears before it sets."""

    def set(self, pin: int, level: int) -> None:
        self._io.write32(CLEAR, 1 << pin)  # <- here
        super().set(pin, level)


def test_a_pulse_on_the_way() -> None:
    """A pin that is set to the level that it has does not show the other one meanwhile."""
    outcome = run(Blinker, output(LAMP, 1), level(LAMP, 1))
    assert broken(outcome) == {"glitch": "pin 5 fell at a write of CLEAR, which nobody asked for"}
    assert lines_of(outcome) == {"pin-glitch": line_of(Blinker)}
    assert run(Blinker, output(LAMP, 0), level(LAMP, 1)).clean


class Reader(PinKeeper):
    """Reads the port, changes a bit, and writes it back."""

    def set(self, pin: int, level: int) -> None:
        before = self._io.read32(OUT)
        self._io.write32(OUT, before & ~(1 << pin) | level << pin)  # <- here


@pytest.mark.parametrize(
    ("steps", "callers"),
    [
        ([output(LAMP, 0), level(LAMP, 1)], ["set"]),
        ([output(POWER, 0), FOLLOW, pulse("2 us", after="1 us"), level(POWER, 1),
          {"wait": "1 ms"}], []),
    ],
    ids=["another task", "the handler"],
)  # fmt: skip
def test_a_race_for_the_port(steps: list[Any], callers: list[str]) -> None:
    """What another task or the handler has set is taken back at some timing, at one line."""
    scenario = asked({"kind": "gpio"}, *steps, callers=callers)
    plan = Plan(entries=1, spurious=False, most=400)
    found = {one.failure.rule: one.failure for one in hunt(scenario, Reader, plan).found}
    assert set(found) == {"port-rmw-race"}
    assert found["port-rmw-race"].line == line_of(Reader)
    assert hunt(scenario, PinKeeper, plan).found == []


# reading


class Latch(PinKeeper):
    """Takes what it wrote for what the pin shows."""

    def get(self, pin: int) -> int:
        return self._io.read32(OUT) >> pin & 1


class Bits(PinKeeper):
    """Returns the bit where it stands."""

    def get(self, pin: int) -> int:
        return self._io.read32(IN) & 1 << pin


def test_a_level_that_the_pin_has_not() -> None:
    """What get returns is a level that the pin showed during the call."""
    outcome = run(Latch, {"drive": LAMP, "level": 1}, {"get": LAMP})
    assert broken(outcome) == {"read": "get returned 0 for pin 5, which showed 1"}
    assert run(Latch, output(LAMP, 1), {"get": LAMP}).clean


def test_a_level_that_is_none() -> None:
    """A level is 0 or 1."""
    outcome = run(Bits, {"get": LAMP})
    assert lines_of(outcome) == {"bad-return-value": line_of(Bits, "def get")}


# edges


class Twice(PinKeeper):
    """Counts whenever it is entered."""

    def _serve(self) -> None:  # <- here
        self._counts = {pin: count + 1 for pin, count in self._counts.items()}
        self._io.write32(PENDING, 0xFFFF)


class Deaf(PinKeeper):
    """Clears what it does not count."""

    def _serve(self) -> None:
        self._io.write32(PENDING, 0xFFFF)  # <- here


def test_edges_that_are_counted_and_cleared_as_they_should() -> None:
    """Each kind of edge is counted since the watch alone, and those that merge count as one."""
    early = [{"drive": FLOAT, "level": value} for value in (0, 1)]
    for edge, count in (("rising", 4), ("falling", 4), ("both", 8)):
        outcome = run(PinKeeper, *early, watch(edge), pulse(times=4), {"wait": "2 ms"},
                      {"edges": FLOAT})  # fmt: skip
        assert outcome.clean
        assert outcome.steps[-2].text == f"{count} edges of pin 3"
    merged = run(PinKeeper, watch(), pulse("100 ns", times=9), {"wait": "2 ms"}, {"edges": FLOAT})
    assert merged.clean
    assert int(merged.steps[-2].text.split()[0]) < 18


def test_an_edge_that_came_just_now_need_not_count() -> None:
    """A driver may be a little later than the device, and no more than that."""

    class Late(PinKeeper):
        def edges(self, pin: int) -> int:
            return 0

    def after(time: str) -> Outcome:
        steps = [watch("falling"), pulse(), {"wait": time}, {"edges": FLOAT}, watch()]
        return run(Late, *steps)

    assert after("50 us").clean
    assert promises_of(after("150 us")) == ["edges"]


def test_an_edge_that_nobody_saw() -> None:
    """Where edges go uncounted, the line that cleared them is named."""
    outcome = run(Deaf, watch(), pulse(), {"wait": "1 ms"}, {"edges": FLOAT})
    told = {"edges": "edges returned 0 for pin 3, of which 2 came since watch"}
    assert broken(outcome) == told
    assert lines_of(outcome) == {"event-cleared-uncounted": line_of(Deaf)}


def test_an_edge_that_was_none() -> None:
    """A handler that is entered for nothing must not count."""
    spurious = {"kind": "spurious-interrupt", "target": "panel.irq", "from": "100 us"}
    steps = [watch(), {"wait": "1 ms"}, {"edges": FLOAT}]
    outcome = run(Twice, *steps, faults=[spurious])
    assert promises_of(outcome) == ["edges"]
    assert lines_of(outcome) == {"counted-twice": line_of(Twice)}
    assert run(Twice, *steps).clean
    assert run(PinKeeper, *steps, faults=[spurious]).clean


def test_an_edge_from_before_the_watch() -> None:
    """What was latched before is no edge of this watch."""
    steps = [pulse(), {"wait": "1 ms"}, watch("falling"), {"wait": "1 ms"}, {"edges": FLOAT}]

    class Trusting(PinKeeper):
        def _sense(self, bit: int, edge: str) -> None:
            self._served |= bit
            self._io.write32(ENABLE, bit)  # <- here

    outcome = run(Trusting, *steps)
    assert promises_of(outcome) == ["edges"]
    assert lines_of(outcome) == {"stale-event-counted": line_of(Trusting)}
    assert run(PinKeeper, *steps).clean


# following


class Stubborn(PinKeeper):
    """Gives the output the level of its source once."""

    def _serve(self) -> None:
        self._io.write32(PENDING, 0xFFFF)  # <- here


class Contrary(PinKeeper):
    """Gives the output the other level."""

    def get(self, pin: int) -> int:
        return 1 - super().get(pin)


def test_an_output_that_stays_behind() -> None:
    """The output has the level of its source soon after the last edge, and may be late by a bit."""
    outcome = run(Stubborn, FOLLOW, pulse(times=2), {"wait": "550 us"})
    told = {"follow": "pin 5 has level 1 long after pin 3 came to 0"}
    assert broken(outcome) == told
    assert lines_of(outcome) == {"event-cleared-uncounted": line_of(Stubborn)}
    assert run(Stubborn, FOLLOW, pulse("50 us"), {"wait": "500 us"}).clean
    assert run(PinKeeper, FOLLOW, pulse(times=2), {"wait": "500 us"}).clean


def test_an_output_that_does_the_contrary() -> None:
    """The output never has a level that its source did not have since the last change."""
    assert set(promises_of(run(Contrary, FOLLOW, pulse(), {"wait": "1 ms"}))) == {
        "glitch",
        "follow",
    }


def test_what_ends_following() -> None:
    """An output that is set, made an output or let go again is no longer led by another pin."""

    class Clinging(PinKeeper):
        def _end_following(self, target: int) -> None:
            pass

    for end in (level(LAMP, 1), output(LAMP, 1), {"input": LAMP}, {"watch": FLOAT, "edge": "both"}):
        steps = [FOLLOW, end, pulse(), {"wait": "1 ms"}]
        assert run(PinKeeper, *steps).clean
        assert run(Clinging, *steps).clean == (end.get("watch") == FLOAT or "input" in end)


# the rest


def test_a_pin_that_is_not_there() -> None:
    """A pin that cannot be had is refused, and a fault excuses nobody from that."""

    class Generous(PinKeeper):
        def get(self, pin: int) -> int:
            return self._io.read32(IN) >> pin & 1

    gone = {"kind": "all-ones", "target": "panel"}
    for faults in ([], [gone]):
        outcome = run(Generous, {"get": 16}, {"input": 31}, faults=faults)
        assert broken(outcome) == {"range": "get took pin 16"}
        assert lines_of(outcome) == {"unchecked-range": line_of(Generous, "def get")}
    assert run(PinKeeper, {"get": 16}).clean


def test_a_start_from_any_state() -> None:
    """What the pins were before open is no excuse: they are let go, and by one edge at most."""

    class Forgetful(PinKeeper):
        def open(self) -> None:
            self._io.write32(ENABLE, 0)
            self._cpu.connect(self._io.irq, self._serve)

    class Rough(PinKeeper):
        def open(self) -> None:
            self._io.write32(OUT, 0)  # <- here
            super().open()

    state = {"faults": [{"kind": "random-state", "target": "panel"}]}
    assert "start" in promises_of(run(Forgetful, **state))
    outcome = run(Rough, **state)
    assert promises_of(outcome) == ["start"]
    assert lines_of(outcome) == {"pin-glitch": line_of(Rough)}
    assert run(PinKeeper, **state).clean


def test_what_goes_on_after_close() -> None:
    """After close no pin is driven, and none interrupts."""

    class Leaver(PinKeeper):
        def close(self) -> None:
            self._cpu.disconnect(self._io.irq)

    outcome = run(Leaver, output(LAMP, 0), watch())
    assert broken(outcome) == {"quiet": "after close pin 5 is driven, ENABLE is 0x8"}


def test_a_fault_excuses_until_the_next_open() -> None:
    """What a reset in flight undoes is held against nobody, and what comes after a reopen is."""
    reset = {"kind": "reset-in-flight", "target": "panel", "from": "100 us"}
    steps = [output(LAMP, 0), {"wait": "1 ms"}, {"get": LAMP}]
    assert run(PinKeeper, *steps, faults=[reset]).clean
    after = run(Idle, *steps, "reopen", output(LAMP, 0), level(LAMP, 1), faults=[reset])
    assert promises_of(after) == ["level"]


def test_levels_on_the_timeline() -> None:
    """Whoever follows the driver's lines sees each pin rise and fall at its time."""
    run = Run(asked({"kind": "gpio"}, output(LAMP, 0), pulse("5 us"), {"wait": "20 us"}), PinKeeper,
              places=True)  # fmt: skip
    run.outcome()
    notes = [one for one in read_tape(run.board).events if isinstance(one, Note)]
    assert [(one.what, one.value) for one in notes] == [
        ("pin 5", "falls"), ("pin 3", "falls"), ("pin 3", "rises"), ("pin 5", "rises"),
    ]  # fmt: skip


def test_in_a_file() -> None:
    """Steps and callers stand in the scenario and are written back as they can be read."""
    steps = [output(LAMP, 1, open_drain=True), pulse("5 us", times=4, gap="100 us"), FOLLOW]
    scenario = asked({"kind": "gpio"}, *steps, callers=["set"])
    plain = scenario_as_plain(scenario)
    assert plain["do"] == steps
    assert plain["callers"] == ["set"]
    assert scenario_as_plain(parse_scenario(yaml.safe_dump(plain))) == plain
    with pytest.raises(InputError, match=r"'close' .* is not one of the choices; .* set, output"):
        asked({"kind": "gpio"}, callers=["close"])
    with pytest.raises(InputError, match="no other task calls 'set' of a timer driver"):
        asked({"kind": "timer"}, callers=["set"])


def test_a_caller_of_another_driver_on_the_board() -> None:
    """What another task may call follows from the device that is driven, not from all there are."""
    other = {"kind": "uart16550", "at": 0x5000_0000, "clock": "1.8432 MHz"}
    pins = {"kind": "gpio", "at": 0x4000_0000}
    board = {"devices": {"pins": pins, "telemetry": other}}
    with pytest.raises(InputError, match="no other task calls 'write' of a pins driver"):
        asked({}, board=board, port="pins", callers=["set", "write"])
