"""Several drivers at once: whose step it is, what each promises, and what the others do to it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers_example.dispatcher import Dispatcher
from drivers_example.interrupt_driven import InterruptDriver
from drivers_example.message_seal import MessageSeal
from drivers_example.pin_keeper import PinKeeper
from drivers_example.smallest import Smallest
from drivers_example.timekeeper import STATUS, Timekeeper
from emu import Cpu, Window
from emu.errors import InputError
from emu.scenario.asked import least_ps, limit_ps, most_ps
from emu.scenario.driver_set import driver_set, load_driver_set
from emu.scenario.from_python import scenario_of
from emu.scenario.load import load_scenario
from emu.scenario.model import Scenario
from emu.scenario.outcome import Outcome
from emu.scenario.runner import run_scenario
from emu.scenario.written import scenario_as_plain

ROOT = Path(__file__).resolve().parents[2]
SEVERAL = ROOT / "fixtures" / "several"
TELEMETRY = {"driver": "drivers_example/interrupt_driven.py:InterruptDriver", "far_end": "echo"}
CONSOLE = {"driver": "drivers_example/smallest.py:Smallest", "line": "9600", "far_end": "echo"}
PINS = "drivers_example/pin_keeper.py:PinKeeper"
TIMER = "drivers_example/timekeeper.py:Timekeeper"
ROUTER = "drivers_example/dispatcher.py:Dispatcher"
DEVICES: dict[str, Any] = {
    "telemetry": {"kind": "uart16550", "at": 0x4000_1000, "stride": 4, "irq": 5},
    "console": {"kind": "serial_basic", "at": 0x4000_2000, "irq": 1, "through": "router"},
    "pins": {"kind": "gpio", "at": 0x4000_3000, "irq": 8},
    "sampling": {"kind": "timer", "at": 0x4000_4000, "irq": 8, "clock": "1 MHz"},
    "router": {"kind": "interrupt_controller", "at": 0x0C00_0000, "irq": 11},
}
CLASSES: dict[str, type] = {
    "telemetry": InterruptDriver, "console": Smallest, "pins": PinKeeper, "sampling": Timekeeper,
    "router": Dispatcher,
}  # fmt: skip
DRIVERS = {"telemetry": TELEMETRY, "pins": PINS, "sampling": TIMER}
ROUTED = {"console": CONSOLE, "router": ROUTER}


def scenario(drivers: dict[str, Any], *steps: Any, **more: Any) -> Scenario:
    """Return a scenario on the board above."""
    board = {"devices": DEVICES, "interrupts": {8: {"shared": True}}}
    body = {"scenario": "several", "board": board, "drivers": drivers, "do": list(steps), **more}
    return scenario_of(body, folder=ROOT)


def run(asked: Scenario, **other: type) -> Outcome:
    """Run with the example drivers, or with others for some devices."""
    members = {one.port: other.get(one.port, CLASSES[one.port]) for one in asked.drivers}
    return run_scenario(asked, driver_set(members))


def broken(outcome: Outcome) -> list[str]:
    """Return the promises that were broken."""
    return [one.promise for one in outcome.promises if not one.kept]


BUSY = (
    {"by": "sampling", "every": 250},
    {"by": "pins", "watch": 6, "edge": "both"},
    {"by": "pins", "pulse": 6, "length": "90 us", "times": 6, "gap": "70 us"},
    {"by": "telemetry", "exchange": {"send": "tide 3.21 m", "receive": 11}},
    {"by": "sampling", "periods": None},
    {"by": "pins", "edges": 6},
)


# how it goes


@pytest.mark.parametrize("name", sorted(one.stem for one in SEVERAL.glob("*.yaml")))
def test_fixtures_are_clean(name: str) -> None:
    """Every scenario of several drivers that comes with the project is clean."""
    outcome = run_scenario(load_scenario(SEVERAL / f"{name}.yaml"))
    assert outcome.clean, outcome
    assert not outcome.ended
    assert outcome.measures.interrupts > 20


def test_each_promise_is_that_of_a_device() -> None:
    """The promises of all trades are told, each under the name of its device."""
    outcome = run(scenario(DRIVERS, *BUSY))
    assert outcome.clean, outcome
    names = [one.promise for one in outcome.promises]
    assert {"telemetry.order", "pins.edges", "sampling.count", "sampling.quiet"} <= set(names)
    assert len(names) == len(set(names))
    assert outcome.errors["telemetry.overrun"] == 0
    assert outcome.measures.bytes_returned == 11
    assert outcome.driver.startswith("InterruptDriver on telemetry, PinKeeper on pins")


def test_the_order_of_opening_and_closing() -> None:
    """Controllers are opened first and closed last, the others in the order of the file."""
    order = [
        (one.by, one.action) for one in run(scenario({**ROUTED, **DRIVERS}, {"wait": "1 ms"})).steps
    ]
    names = ["router", "console", "telemetry", "pins", "sampling"]
    opened, closed = [(one, "open") for one in names], [(one, "close") for one in reversed(names)]
    assert order == [*opened, ("", "wait"), *closed]


def test_a_driver_may_be_opened_late() -> None:
    """A driver with an ``open`` of its own is opened there, while the others are at work."""
    steps = ({"by": "sampling", "every": 500}, {"wait": "2 ms"}, {"by": "pins", "open": None},
             {"by": "pins", "output": 3, "level": 1}, {"by": "pins", "close": None},
             {"by": "sampling", "periods": None})  # fmt: skip
    outcome = run(scenario(DRIVERS, *steps))
    assert outcome.clean, outcome
    pins = [one.action for one in outcome.steps if one.by == "pins"]
    assert pins == ["open", "output", "close"]


def test_handlers_come_by_way_of_the_controller() -> None:
    """A device behind a controller is served by the controller's driver, if that runs too."""
    asked = scenario(ROUTED, {"by": "console", "exchange": {"send": "ok", "receive": 2}})
    calls: list[int] = []

    class Counting(Dispatcher):
        def attach(self, source: int, handler: Any, priority: int = 1) -> None:
            def serve() -> None:
                calls.append(source)
                handler()

            super().attach(source, serve, priority)

    assert run(asked, router=Counting).clean
    assert len(calls) > 2
    assert set(calls) == {1}


def test_a_controller_that_nobody_drives_is_stood_in_for() -> None:
    """Without a driver of the controller its devices interrupt all the same."""
    drivers = {"console": CONSOLE, "pins": PINS}
    outcome = run(scenario(drivers, {"by": "console", "exchange": {"send": "ok", "receive": 2}}))
    assert outcome.clean
    assert outcome.measures.interrupts > 2


def test_the_time_of_all_is_added_up() -> None:
    """The bounds of a run follow from what is asked of all drivers, one after the other."""
    one = scenario({"sampling": TIMER}, {"by": "sampling", "alarm": 20_000})
    two = scenario(DRIVERS, {"by": "sampling", "alarm": 20_000}, {"wait": "30 ms"})
    assert least_ps(one) == 20 * 10**9
    assert least_ps(two) == 50 * 10**9
    assert most_ps(two) > most_ps(one)
    assert limit_ps(two) >= most_ps(two)


def test_what_is_written_reads_back() -> None:
    """A scenario of several drivers survives the way to a file and back."""
    asked = scenario({**ROUTED, **DRIVERS}, *BUSY)
    plain = scenario_as_plain(asked, ROOT)
    assert list(plain["drivers"]) == ["console", "router", "telemetry", "pins", "sampling"]
    assert plain["drivers"]["pins"] == PINS
    assert plain["drivers"]["console"]["line"] == "9600 8N1"
    assert not {"driver", "port", "line", "far_end"} & plain.keys()
    back = scenario_of(plain, folder=ROOT)
    assert replace(back, path=asked.path) == asked


def test_steps_as_data() -> None:
    """The data of an outcome say whose each step was."""
    steps = run(scenario(DRIVERS, *BUSY)).as_json()["steps"]
    assert {one["by"] for one in steps} == set(DRIVERS)


# who is to blame


class _Masking(PinKeeper):
    """Masks interrupts for as long as it takes to lose characters."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        super().__init__(io, cpu)
        self._processor = cpu

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        """Make a pin an output, and settle."""
        super().output(pin, level, open_drain)
        with self._processor.interrupts_masked():
            self._processor.work(200_000)  # 4 ms, of which the FIFO lasts 1.4


def test_who_masks_for_too_long_is_named() -> None:
    """Characters that are lost while another driver masks interrupts lead to its line."""
    far = {"kind": "source", "data": {"count": 120}}
    drivers = {"telemetry": {**TELEMETRY, "far_end": far}, "pins": PINS}
    asked = scenario(drivers, {"by": "pins", "output": 3, "level": 1},
                     {"by": "telemetry", "receive": "all"})  # fmt: skip
    outcome = run(asked, pins=_Masking)
    assert outcome.measures.bytes_lost
    assert [one.rule for one in outcome.findings] == ["masked-too-long"]
    assert outcome.findings[0].file == __file__
    assert broken(outcome) == ["pins.time"]


def test_a_handler_that_takes_the_line_for_its_own() -> None:
    """Who counts an interrupt of another device at the same line breaks its own promise."""

    class Counting(Timekeeper):
        def _serve(self) -> None:
            before = self._count
            super()._serve()
            self._count = before + 1

    outcome = run(scenario(DRIVERS, *BUSY), sampling=Counting)
    assert broken(outcome) == ["sampling.count"]


def test_a_shared_line_is_given_up_by_name() -> None:
    """Who takes the last handler off a shared line, whosever it is, is refused at its own line."""

    class Grabbing(PinKeeper):
        def close(self) -> None:
            self._cpu.disconnect(self._io.irq)

    outcome = run(scenario(DRIVERS, *BUSY, {"by": "pins", "close": None}), pins=Grabbing)
    assert [one.rule for one in outcome.findings] == ["refused-call"]
    assert "interrupt line 8 has 2 handlers; name the one" in outcome.findings[0].message


class _Forgetting(Dispatcher):
    """Completes no source after the third time."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        super().__init__(io, cpu)
        self._times = 0

    def _complete(self, source: int) -> None:
        self._times += 1
        if self._times < 4:
            super()._complete(source)


def test_a_driver_is_not_to_blame_for_its_controller() -> None:
    """Interrupts that the driver of a controller does not deliver are held against that alone."""
    devices = {**DEVICES, "sampling": {**DEVICES["sampling"], "irq": 2, "through": "router"}}
    drivers = {"sampling": TIMER, "router": ROUTER}
    steps = [{"by": "sampling", "every": 500}, {"by": "sampling", "alarm": 5000},
             {"by": "sampling", "periods": None}]  # fmt: skip
    body = {"scenario": "x", "board": {"devices": devices}, "drivers": drivers, "do": steps}
    asked = scenario_of(body, folder=ROOT)
    assert run(asked).clean
    outcome = run(asked, router=_Forgetting)
    assert broken(outcome) == ["router.delivered"]
    waived = [one for one in outcome.promises if one.waived]
    assert {one.promise.partition(".")[0] for one in waived} == {"sampling"}
    assert waived[0].detail.startswith("the driver of router does not deliver what sampling asks")
    [promise] = [one for one in outcome.promises if one.promise == "router.delivered"]
    assert "source 2, sampling.irq, has waited for" in promise.detail


def test_the_time_of_other_handlers_is_not_held_against_a_call() -> None:
    """A call is not too slow because another driver's handlers took the processor meanwhile."""

    class Slow(Timekeeper):
        def _serve(self) -> None:
            super()._serve()
            self._cpu.work(40_000)  # 800 us of each millisecond

    steps = ({"by": "sampling", "every": 1000},
             {"by": "pins", "output": 3, "level": 1},
             *({"by": "pins", "set": 3, "level": level} for level in (0, 1) * 40),
             {"by": "sampling", "periods": None})  # fmt: skip
    own = {"sampling": TIMER, "pins": PINS}
    outcome = run(scenario(own, *steps), sampling=Slow)
    assert outcome.clean, outcome


class _Leaving(Timekeeper):
    """Looks at what has come, and does not take it away."""

    def _serve(self) -> None:
        self._count += bool(self._io.read32(STATUS))


def test_who_leaves_a_shared_line_asserted_is_named() -> None:
    """A storm on a shared line is laid to the handler of the device that asks."""
    outcome = run(scenario(DRIVERS, *BUSY), sampling=_Leaving)
    assert [one.rule for one in outcome.findings] == ["interrupt-storm"]
    assert (outcome.findings[0].file, outcome.findings[0].line) == (
        __file__, _Leaving._serve.__code__.co_firstlineno,
    )  # fmt: skip


def test_who_leaves_a_source_asserted_is_named() -> None:
    """A storm by way of a controller is laid to the handler of the device behind it."""
    devices = {**DEVICES, "sampling": {**DEVICES["sampling"], "irq": 2, "through": "router"}}
    body = {"scenario": "x", "board": {"devices": devices},
            "drivers": {"sampling": TIMER, "router": ROUTER},
            "do": [{"by": "sampling", "every": 500}, {"wait": "2 ms"}]}  # fmt: skip
    outcome = run(scenario_of(body, folder=ROOT), sampling=_Leaving)
    assert [one.rule for one in outcome.findings] == ["interrupt-storm"]
    assert outcome.findings[0].line == _Leaving._serve.__code__.co_firstlineno


def test_handlers_without_an_end_accuse_no_call() -> None:
    """Where handlers have all of the time the run ends, and the call that waits is not accused."""
    devices = {**DEVICES, "sampling": {**DEVICES["sampling"], "irq": 2, "through": "router"}}
    body = {"scenario": "x", "board": {"devices": devices},
            "drivers": {"sampling": TIMER, "router": ROUTER},
            "do": [{"by": "sampling", "every": 500}, {"wait": "1 ms"},
                   {"by": "sampling", "alarm": 500}],
            "faults": [{"kind": "reset-in-flight", "target": "sampling", "from": "100 us"}],
            }  # fmt: skip
    outcome = run(scenario_of(body, folder=ROOT))
    assert outcome.ended == "handlers left the main code no time for alarm"
    assert outcome.clean


def test_a_driver_that_never_comes_back_is_named() -> None:
    """A call without an end is a finding about the driver whose call it is."""

    class Stuck(PinKeeper):
        def set(self, pin: int, level: int) -> None:
            super().set(pin, level)
            while True:
                self._io.read32(0)

    steps = (*BUSY, {"by": "pins", "output": 3, "level": 1}, {"by": "pins", "set": 3, "level": 0})
    outcome = run(scenario(DRIVERS, *steps), pins=Stuck)
    assert broken(outcome) == ["pins.time"]
    assert [one.rule for one in outcome.findings] == ["call-overdue"]
    assert outcome.steps[-1].by == "pins"


def test_faults_excuse_whom_they_concern() -> None:
    """Faults act on each device of the board, and drivers behind a controller share its faults."""
    asked = scenario(
        {**ROUTED, **DRIVERS}, *BUSY,
        {"by": "console", "exchange": {"send": "tide 3.21 m", "receive": 11}},
        faults=[{"kind": "reset-in-flight", "target": "router", "from": "3 ms"},
                {"kind": "spurious-interrupt", "target": "pins.irq", "every": "150 us",
                 "until": "5 ms"},
                {"kind": "spurious-interrupt", "target": "console.irq", "every": "150 us",
                 "until": "3 ms"}],
    )  # fmt: skip
    outcome = run(asked)
    assert outcome.clean, outcome
    assert len(outcome.measures.injections) == 3
    assert all(outcome.measures.injections.values())


def test_a_device_left_asking_on_a_shared_line() -> None:
    """A device that is found asking before its driver is opened accuses nobody at its line."""
    for seed in range(1, 9):
        faults = [{"kind": "random-state", "target": "pins"}]
        outcome = run(scenario(DRIVERS, *BUSY, faults=faults, seed=seed))
        assert outcome.clean, (seed, outcome)


def test_a_device_that_a_fault_left_asking() -> None:
    """Whoever shares a line with a device that could not be silenced is not to blame for it."""
    steps = ({"by": "pins", "follow": 1, "target": 2}, {"by": "sampling", "every": 250},
             {"wait": "1 ms"}, {"by": "sampling", "close": None},
             {"by": "pins", "output": 3, "level": 1})  # fmt: skip
    gone = {"kind": "dropped-write", "target": "sampling.CONTROL", "from": "600 us"}
    outcome = run(scenario(DRIVERS, *steps, faults=[gone], limits={"time": "6 ms"}))
    assert not outcome.findings, outcome
    assert outcome.measures.interrupts > 500


def test_who_lets_go_of_a_shared_line_and_leaves_its_device_asking() -> None:
    """A driver that takes its handler off and lets its device go on is named, not the others."""

    class Leaver(Timekeeper):
        def close(self) -> None:
            self._cpu.disconnect(self._io.irq, self._serve)

    steps = ({"by": "pins", "follow": 1, "target": 2}, {"by": "sampling", "every": 250},
             {"by": "sampling", "close": None},
             {"by": "pins", "output": 3, "level": 1})  # fmt: skip
    outcome = run(scenario(DRIVERS, *steps), sampling=Leaver)
    assert {one.file for one in outcome.findings} == {__file__}
    assert outcome.findings[-1].line == Leaver.close.__code__.co_firstlineno


# what is refused


def flaws_of(drivers: dict[str, Any], *steps: Any, **more: Any) -> list[str]:
    """Return what is said of a scenario."""
    with pytest.raises(InputError) as caught:
        scenario(drivers, *steps, **more)
    return [str(flaw) for flaw in caught.value.flaws]


@pytest.mark.parametrize(
    ("drivers", "steps", "more", "said"),
    [
        (DRIVERS, [{"periods": None}], {},
         "'periods' does not say by which driver; add by: one of telemetry, pins, sampling"),
        (DRIVERS, [{"by": "pin", "get": 1}], {}, "no driver on port 'pin'; did you mean 'pins'?"),
        (DRIVERS, [{"by": "pins", "periods": None}], {}, "a pins driver is not asked to 'periods'"),
        (DRIVERS, [], {"driver": PINS}, "driver says something of one driver alone; name it under"),
        (DRIVERS, [], {"port": "pins"}, "port says something of one driver alone; leave it out"),
        (DRIVERS, [], {"far_end": "echo"}, "far_end says something of one driver alone; say it"),
        (DRIVERS, [], {"callers": ["set"]}, "callers says something of one driver alone"),
        (DRIVERS, [], {"expect": {"received": "x"}}, "expect says something of one driver alone"),
        ({}, [], {}, "no driver is named; allowed: 1 or more"),
        ({"pin": PINS}, [], {}, "no driven device 'pin' on the board; did you mean 'pins'?"),
        ({"pins": {"driver": PINS, "line": "9600"}}, [], {}, "line says something of a serial"),
        ({"pins": {"line": "9600"}}, [], {}, "a driver without 'driver'"),
        ({"pins": "drivers_example/pin_keeper.py:PinKeper"}, [], {}, "has no class 'PinKeper'"),
        ({"telemetry": {**TELEMETRY, "line": "9601000"}}, [], {}, "cannot make 9601000 baud"),
        ({"telemetry": {**TELEMETRY, "far_end": {"kind": "port", "port": "console"}}}, [], {},
         "a cable has no place beside other drivers"),
        ({"console": {**CONSOLE, "far_end": {"kind": "echo", "flow": {"rts_cts": True}}}}, [], {},
         "console has no RTS for the far end to heed"),
        (ROUTED, [{"by": "router", "reopen": None}], {},
         "reopen of router, through which console interrupts; leave it out"),
        (ROUTED, [{"by": "router", "attach": 1}], {}, "source 1 of router is wired to console"),
        (ROUTED, [{"by": "router", "assert": [3, 1]}], {}, "source 1 of router is wired to"),
        (DRIVERS, [{"wait": "2 s"}], {"limits": {"time": "1 s"}}, "1 s is not enough for the"),
    ],
)  # fmt: skip
def test_flaws(drivers: dict[str, Any], steps: list[Any], more: dict[str, Any], said: str) -> None:
    """What does not go together is told in words, with what to do."""
    found = flaws_of(drivers, *steps, **more)
    assert any(said in one for one in found), found


def test_two_drivers_of_one_device() -> None:
    """A device that one driver is given besides its own cannot have another."""
    devices = {**DEVICES, "telemetry": {**DEVICES["telemetry"], "beside": ["pins"]}}
    board = {"devices": devices, "interrupts": {8: {"shared": True}}}
    with pytest.raises(InputError, match="pins is given to the driver of telemetry already"):
        scenario_of({"scenario": "x", "board": board, "drivers": DRIVERS}, folder=ROOT)


def test_a_shared_edge() -> None:
    """Two drivers at one edge-sensed line are refused: whichever asks hides the other's edge."""
    board = {"devices": DEVICES, "interrupts": {8: {"shared": True, "trigger": "edge"}}}
    with pytest.raises(InputError, match="share interrupt 8, which is edge-sensed"):
        scenario_of({"scenario": "x", "board": board, "drivers": DRIVERS}, folder=ROOT)
    alone = {"pins": PINS, "telemetry": TELEMETRY}
    scenario_of({"scenario": "x", "board": board, "drivers": alone}, folder=ROOT)


def test_leftovers_on_a_shared_line() -> None:
    """What is left in a closed controller could be served by nobody at a line that others share."""
    devices = {**DEVICES, "telemetry": {**DEVICES["telemetry"], "irq": 8}}
    board = {"devices": devices, "interrupts": {8: {"shared": True}}}
    steps = [{"by": "telemetry", "leftovers": {"IER": 1}}]
    with pytest.raises(InputError, match="nobody would serve what is left"):
        scenario_of({"scenario": "x", "board": board, "drivers": DRIVERS, "do": steps}, folder=ROOT)


def test_names_are_loaded_from_the_folder_of_the_file() -> None:
    """The drivers that a file names are found from its own folder."""
    found = load_driver_set(load_scenario(SEVERAL / "harbour.yaml"))
    assert found.members["seal"].__name__ == MessageSeal.__name__
