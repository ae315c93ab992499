"""Devices that are wired to an interrupt controller, and how their drivers get their handlers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers_example.dispatcher import Dispatcher
from drivers_example.smallest import Smallest
from drivers_example.timekeeper import Timekeeper
from emu import routed
from emu.devices.interrupt_controller import InterruptController
from emu.devices.timer import IntervalTimer
from emu.errors import AccessError, DeclarationError, InputError
from emu.faults.arm import arm
from emu.faults.plan import FaultPlan
from emu.faults.spell import fault
from emu.kernel.board import Board
from emu.kernel.cpu import Cpu
from emu.kernel.device import Device
from emu.scenario.c_header import c_header
from emu.scenario.from_python import board_of, scenario_of
from emu.scenario.memory_map import board_map, markdown_map, text_map
from emu.scenario.runner import run_scenario
from emu.scenario.written import board_as_plain

PLAIN: dict[str, Any] = {
    "name": "harbour",
    "devices": {
        "sampling": {"kind": "timer", "at": 0x4000_0000, "irq": 9, "through": "router"},
        "router": {"kind": "interrupt_controller", "at": 0x0C00_0000, "irq": 11},
        "ticks": {"kind": "timer", "at": 0x4000_1000, "irq": 9},
    },
}
SOURCE = 10_009  # source 9 of the first controller


class Bench:
    """A timer behind a controller, another one at a line of the processor with the same number."""

    def __init__(self) -> None:
        self.board = board = Board("harbour")
        board.attach(IntervalTimer, "sampling", 0x4000_0000, irq=9, through="router")
        board.attach(InterruptController, "router", 0x0C00_0000, irq=11)
        board.attach(IntervalTimer, "ticks", 0x4000_1000, irq=9)
        board.power_on()
        self.wire = board.device("sampling").irq
        self.dispatcher = Dispatcher(board.window("router"), board.cpu)
        self.dispatcher.open()
        self.cpu = routed(board.cpu, {"router": self.dispatcher})
        self.calls: list[str] = []

    def serve(self) -> None:
        """Serve the timer behind the controller."""
        self.calls.append("sampling")
        self.wire.set(0)


@pytest.fixture
def bench() -> Bench:
    """Return a bench."""
    return Bench()


def test_a_number_is_unique_on_the_board(bench: Bench) -> None:
    """A source and a line of the same number have numbers that cannot be taken for each other."""
    board = bench.board
    assert (board.window("sampling").irq, board.window("ticks").irq) == (SOURCE, 9)
    assert board.sources.find(SOURCE) == ("router", 9)
    assert board.sources.find(9) is None
    assert str(board.sources.wired["sampling"]) == "source 9 of router"


def test_a_handler_is_called_by_way_of_the_controller(bench: Bench) -> None:
    """The device raises its source, the controller its line, and the handler is entered once."""
    bench.cpu.connect(SOURCE, bench.serve)
    bench.wire.set(1)
    assert bench.board.device("router").signals["source9"].level == 1
    bench.board.cpu.sleep(1e-5)
    assert bench.calls == ["sampling"]
    assert bench.board.cpu.entries == 1
    line = bench.board.cpu.interrupts.line(SOURCE)
    assert (line.name, line.through, line.deliveries) == ("sampling.irq", "router", 1)


def test_masked_interrupts_wait(bench: Bench) -> None:
    """A handler behind the controller waits for the end of a masked section as any other."""
    bench.cpu.connect(SOURCE, bench.serve)
    with bench.cpu.interrupts_masked():
        bench.wire.set(1)
        bench.cpu.sleep(1e-5)
        assert not bench.calls
    assert bench.calls == ["sampling"]


def test_inside_the_handler_the_processor_is_in_a_handler(bench: Bench) -> None:
    """What runs in a handler behind the controller runs at a depth of one."""
    depths: list[int] = []

    def serve() -> None:
        depths.append(bench.cpu.depth)
        bench.wire.set(0)

    bench.cpu.connect(SOURCE, serve)
    bench.wire.set(1)
    bench.cpu.work(1000)
    assert depths == [1]


def test_lines_of_the_processor_are_connected_as_ever(bench: Bench) -> None:
    """A driver that is given the routed processor may have a line of the processor, too."""
    wire = bench.board.device("ticks").irq

    def serve() -> None:
        bench.calls.append("ticks")
        wire.set(0)

    bench.cpu.connect(9, serve)
    wire.set(1)
    bench.cpu.sleep(1e-5)
    assert bench.calls == ["ticks"]
    bench.cpu.disconnect(9, serve)
    assert not bench.board.cpu.interrupts.line(9).handlers


def test_a_handler_that_was_disconnected_is_silent(bench: Bench) -> None:
    """After `disconnect` the source is let through no more, and another can be connected."""
    bench.cpu.connect(SOURCE, bench.serve)
    bench.cpu.disconnect(SOURCE, bench.serve)
    bench.wire.set(1)
    bench.cpu.sleep(1e-5)
    assert not bench.calls
    bench.cpu.connect(SOURCE, bench.serve)
    bench.cpu.sleep(1e-5)
    assert bench.calls == ["sampling"]
    bench.cpu.disconnect(SOURCE)


@pytest.mark.parametrize(
    ("misuse", "said"),
    [
        (lambda bench: bench.board.cpu.connect(SOURCE, bench.serve),
         r"interrupt 10009 \(sampling.irq\) comes through router; give its driver emu.routed"),
        (lambda bench: routed(bench.board.cpu, {}).connect(SOURCE, bench.serve), "comes through"),
        (lambda bench: bench.cpu.connect(SOURCE, 5), "cannot be called"),
        (lambda bench: bench.cpu.connect(10_010, bench.serve), "no interrupt line 10010"),
        (lambda bench: bench.cpu.disconnect(SOURCE), "no such handler"),
    ],
)  # fmt: skip
def test_misuse_is_told(bench: Bench, misuse: Callable[[Bench], None], said: str) -> None:
    """What cannot be connected is refused in words, and nothing is connected."""
    with pytest.raises(AccessError, match=said):
        misuse(bench)
    assert not bench.board.cpu.interrupts.line(SOURCE).handlers


def test_one_handler_at_a_time(bench: Bench) -> None:
    """A source has one handler, and another one cannot be taken off it."""
    bench.cpu.connect(SOURCE, bench.serve)
    with pytest.raises(AccessError, match="has a handler already"):
        bench.cpu.connect(SOURCE, bench.serve)
    with pytest.raises(AccessError, match="no such handler"):
        bench.cpu.disconnect(SOURCE, bench.dispatcher.close)
    assert bench.board.cpu.interrupts.line(SOURCE).handlers == [bench.serve]


def test_a_controller_that_refuses_leaves_nothing_connected(bench: Bench) -> None:
    """If the driver of the controller raises, the handler is not connected."""

    class Refusing:
        def attach(self, source: int, handler: Callable[[], None], priority: int = 1) -> None:
            raise ValueError(source, handler, priority)

        def detach(self, source: int) -> None:
            raise ValueError(source)

    cpu = routed(bench.board.cpu, {"router": Refusing()})
    with pytest.raises(ValueError, match="9"):
        cpu.connect(SOURCE, bench.serve)
    assert not bench.board.cpu.interrupts.line(SOURCE).handlers


def test_priorities_are_those_of_the_sources(bench: Bench) -> None:
    """The priority that was asked for is written to the controller."""
    routed(bench.board.cpu, {"router": bench.dispatcher}, priority=5).connect(SOURCE, bench.serve)
    assert bench.board.device("router").peek("PRIORITY9") == 5


def test_what_a_driver_may_ask_of_its_processor(bench: Bench) -> None:
    """The routed processor passes for one, and has its clock and its time."""
    assert isinstance(bench.cpu, Cpu)
    assert bench.cpu.clock_hz == bench.board.cpu.clock_hz
    assert bench.cpu.time() > 0


def test_a_controller_behind_a_controller() -> None:
    """Controllers can be cascaded: each driver connects by way of the one before."""
    board = Board()
    board.attach(InterruptController, "inner", 0x0C00_0000, irq=3, through="outer")
    board.attach(InterruptController, "outer", 0x1C00_0000, irq=11)
    board.attach(IntervalTimer, "sampling", 0x4000_0000, irq=31, through="inner")
    board.power_on()
    outer = Dispatcher(board.window("outer"), board.cpu)
    outer.open()
    by_outer = routed(board.cpu, {"outer": outer})
    inner = Dispatcher(board.window("inner"), by_outer)
    inner.open()
    wire, calls = board.device("sampling").irq, []

    def serve() -> None:
        calls.append(board.cpu.depth)
        wire.set(0)

    cpu = routed(by_outer, {"inner": inner})
    cpu.connect(board.window("sampling").irq, serve)
    for _ in range(3):
        wire.set(1)
        board.cpu.sleep(1e-4)
    assert calls == [1, 1, 1]
    cpu.disconnect(board.window("sampling").irq)
    inner.close()
    outer.close()
    assert not any(one.handlers for one in board.cpu.interrupts.lines.values())


def test_a_bench_may_stand_in_for_the_controller() -> None:
    """Where nobody drives the controller, its sources can be lines of the processor."""
    board = Board()
    board.attach(IntervalTimer, "sampling", 0x4000_0000, irq=9, through="router")
    board.attach(InterruptController, "router", 0x0C00_0000, irq=11)
    board.stand_in_for("router")
    board.power_on()
    wire, calls = board.device("sampling").irq, []

    def serve() -> None:
        calls.append(board.cpu.depth)
        wire.set(0)

    board.cpu.connect(SOURCE, serve)
    wire.set(1)
    board.cpu.sleep(1e-5)
    assert calls == [1]
    assert board.device("router").signals["source9"].level == 0


def test_a_gate_in_the_way_of_an_interrupt() -> None:
    """A wire that was put between a device and its interrupt leads on to the source."""
    wires = []

    class Gate(IntervalTimer):
        def join(self, board: Board) -> None:
            wires.append(board.interpose("sampling"))

    board = Board()
    board.attach(IntervalTimer, "sampling", 0x4000_0000, irq=9, through="router")
    board.attach(InterruptController, "router", 0x0C00_0000, irq=11)
    board.attach(Gate, "gate", 0x4000_1000)
    board.power_on()
    wires[0].set(1)
    assert board.device("router").signals["source9"].level == 1


# faults


@pytest.mark.parametrize(
    ("spec", "calls"),
    [
        ({"kind": "lost-interrupt", "first": 1, "count": 1}, 0),
        ({"kind": "delayed-interrupt", "duration": "200 us"}, 1),
        ({"kind": "spurious-interrupt", "every": "400 us"}, 3),
    ],
)
def test_faults_stand_between_device_and_controller(
    bench: Bench, spec: dict[str, Any], calls: int
) -> None:
    """A fault of the interrupt of such a device acts on its way to the controller."""
    board = bench.board
    plan = FaultPlan((fault(spec.pop("kind"), "sampling.irq", **spec),))
    armed = arm(plan, board, seed=1)
    bench.cpu.connect(SOURCE, bench.serve)
    armed.before_open()
    armed.start(board.clock.now_ps)
    bench.wire.set(1)
    board.cpu.sleep(100e-6)
    early = len(bench.calls)
    board.cpu.sleep(800e-6)
    assert len(bench.calls) == calls
    assert armed.faults[0].injected
    if "duration" in spec:
        assert early == 0


# from a file


def flaws_of(**changes: dict[str, Any]) -> list[str]:
    """Return what is said of the board with keys of its devices changed."""
    devices = {name: {**one, **changes.get(name, {})} for name, one in PLAIN["devices"].items()}
    for name in changes.keys() - devices.keys():
        devices[name] = changes[name]
    kept = {name: {k: v for k, v in one.items() if v is not None} for name, one in devices.items()}
    with pytest.raises(InputError) as caught:
        board_of({**PLAIN, "devices": kept})
    return [str(flaw) for flaw in caught.value.flaws]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"sampling": {"through": "ruter"}}, "no interrupt controller 'ruter'; did you mean"),
        ({"sampling": {"through": "ticks"}}, "ticks (timer) is no interrupt controller; known: r"),
        ({"router": {"through": "router"}}, "router goes through itself; there is none; leave"),
        ({"router": {"irq": None}}, "router has no irq, so that nothing comes through it; give"),
        ({"sampling": {"irq": None}}, "through router, and no irq says to which of its sources"),
        ({"sampling": {"irq": 32}}, "router has no source 32; allowed: 1 to 31"),
        ({"sampling": {"irq": 0}}, "router has no source 0; allowed: 1 to 31"),
        ({"ticks": {"through": "router"}},
         ("source 9 of router is claimed by sampling and ticks; give each a source of its own, "
          "such as 1")),
    ],
)  # fmt: skip
def test_flaws_of_the_wiring(changes: dict[str, Any], said: str) -> None:
    """What cannot be wired is told with the nearest fix."""
    found = flaws_of(**changes)
    assert any(said in one for one in found), found


def test_controllers_in_a_circle() -> None:
    """Two controllers that go through each other are refused."""
    second = {"kind": "interrupt_controller", "at": 0x1C00_0000, "irq": 4, "through": "router"}
    found = flaws_of(router={"irq": 1, "through": "second"}, second=second)
    assert len(found) == 2
    assert "goes through second, and that through router; leave through out" in found[0]


def test_python_is_told_as_well() -> None:
    """A board that is put together in Python is refused with the same words."""
    board = Board()
    board.attach(IntervalTimer, "sampling", 0, irq=40, through="router")
    board.attach(InterruptController, "router", 0x0C00_0000, irq=11)
    with pytest.raises(DeclarationError, match="router has no source 40; allowed: 1 to 31"):
        board.power_on()
    with pytest.raises(DeclarationError, match="no irq says to which of its sources"):
        board.attach(IntervalTimer, "ticks", 0x100, through="router")
    with pytest.raises(DeclarationError, match="irq=10000; allowed: 0 to 9999"):
        board.attach(IntervalTimer, "ticks", 0x100, irq=10_000)


def test_what_is_written_reads_back() -> None:
    """The wiring survives the way to a file and back."""
    model = board_of(PLAIN)
    assert (model.devices[0].irq, model.devices[0].through) == (9, "router")
    plain = board_as_plain(model)
    assert plain["devices"]["sampling"]["through"] == "router"
    assert "through" not in plain["devices"]["ticks"]
    assert board_of(plain) == model


def test_the_map_names_controller_and_source() -> None:
    """Text, Markdown, data and C header say to which source of which controller a device goes."""
    found = board_map(board_of(PLAIN))
    devices = {one["name"]: one for one in found["devices"]}
    assert (devices["sampling"]["irq"], devices["sampling"]["through"]) == (9, "router")
    assert (devices["ticks"]["irq"], devices["ticks"]["through"]) == (9, "")
    assert "9 of router" in text_map(found)
    assert "| 9 of router |" in markdown_map(found)
    [defined] = [one for one in c_header(found).splitlines() if " SAMPLING_IRQ " in one]
    assert defined.split()[1:] == ["SAMPLING_IRQ", "9", "/*", "source", "of", "router", "*/"]


def test_a_scenario_drives_a_device_behind_a_controller() -> None:
    """Where a scenario drives the device alone, its handler is called as ever."""
    body = {
        "scenario": "periods", "board": PLAIN, "port": "sampling",
        "do": ["open", {"every": 500}, {"wait": "5 ms"}, "periods", {"alarm": 900}, "close"],
        "faults": [{"kind": "spurious-interrupt", "target": "sampling.irq", "every": "1 ms"}],
    }  # fmt: skip
    outcome = run_scenario(scenario_of(body), Timekeeper)
    assert outcome.clean, outcome
    assert outcome.measures.interrupts > 3
    assert any(outcome.measures.injections.values())


def test_a_scenario_drives_the_controller_of_a_board_with_devices() -> None:
    """Where a scenario drives the controller alone, its sources are the bench's."""
    body = {
        "scenario": "sources", "board": PLAIN, "port": "router",
        "do": ["open", {"attach": 9, "priority": 3}, {"assert": [9], "times": 3}, "close"],
    }  # fmt: skip
    assert run_scenario(scenario_of(body), Dispatcher).clean


def test_a_serial_driver_behind_a_controller() -> None:
    """A scenario on the harbour's board drives the console, which goes through the router."""
    body = {"scenario": "hello", "board": {"devices": {
        "console": {"kind": "serial_basic", "at": 0, "irq": 1, "through": "router"},
        "router": PLAIN["devices"]["router"]}}, "port": "console", "line": "9600",
        "far_end": "echo", "do": [{"exchange": {"send": "tide", "receive": 4}}]}  # fmt: skip
    assert run_scenario(scenario_of(body), Smallest).clean


def test_sources_of_what_is_no_controller() -> None:
    """A device without sources is no interrupt controller, whatever its kind is called."""

    class Odd(Device):
        KIND = "odd"

    board = Board()
    board.attach(IntervalTimer, "ticks", 0, irq=1, through="odd")
    board.devices["odd"] = Odd("odd", board.clock)
    with pytest.raises(DeclarationError, match=r"odd \(odd\) is no interrupt controller"):
        board.power_on()
