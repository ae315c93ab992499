"""The clock gate: who answers when, what a reset line does, and interrupt lines without a clock."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.devices.clock_gate import ClockGate
from emu.devices.gated_block import Lost
from emu.devices.ram import Ram
from emu.devices.timer import IntervalTimer
from emu.devices.uart16550 import Uart16550
from emu.errors import DeclarationError
from emu.kernel.board import Board
from emu.kernel.bus import BusError
from emu.kernel.master import BusMaster
from emu.testing import DeviceRules

CLOCK, RELEASE, READY = 0x0, 0x4, 0x8
TELEMETRY, SAMPLING = 0x1, 0x2
SCR, RELOAD, CONTROL = 7, 0x08, 0x00
SAME = settings(derandomize=True, database=None, deadline=None)
_US_PS = 10**6


class Bench:
    """A board with a serial controller and a timer behind a gate of 1 MHz that takes 4 cycles."""

    def __init__(self, **parameters: object) -> None:
        given = {"clock": 1_000_000, "blocks": "telemetry, sampling", "settle": 4, **parameters}
        self.board = Board("harbour")
        self.telemetry = self.board.attach(Uart16550, "telemetry", 0x1000, irq=4)
        self.sampling = self.board.attach(IntervalTimer, "sampling", 0x2000, irq=3)
        self.board.attach(ClockGate, "gates", 0x3000, settings=given)
        self.board.power_on()
        device = self.board.devices["gates"]
        assert isinstance(device, ClockGate)
        self.gate = device
        self.timer = self.board.devices["sampling"]
        self.lost: list[tuple[str, str, str]] = []
        self.gate.on_lost.append(self._note)

    def _note(self, lost: Lost) -> None:
        self.lost.append((lost.direction, lost.register, lost.why))

    def set(self, *, clock: int, release: int) -> None:
        """Write both registers in no time."""
        self.gate.ports["CLOCK"].write(clock)
        self.gate.ports["RELEASE"].write(release)

    def run(self, *, us: int) -> None:
        """Let time pass."""
        self.board.clock.run_until(self.board.clock.now_ps + us * _US_PS)

    def up(self) -> None:
        """Make both blocks ready."""
        self.set(clock=3, release=3)
        self.run(us=4)

    def asserted(self) -> int:
        """Return the timer's interrupt line as the processor sees it."""
        return self.board.cpu.interrupts.line(3).asserted

    def put(self, **registers: int) -> None:
        """Write registers of the timer in no time."""
        for name, value in registers.items():
            self.timer.ports[name].write(value)


@pytest.fixture
def bench() -> Bench:
    """Return a fresh board."""
    return Bench()


# who answers


def test_nobody_answers_after_power_on(bench: Bench) -> None:
    """Writes vanish, reads give 0, and READY shows nobody."""
    bench.telemetry.write8(SCR, 0x5A)
    assert (bench.telemetry.read8(SCR), bench.gate.peek("READY")) == (0, 0)
    assert bench.board.devices["telemetry"].peek("SCR") == 0
    assert bench.lost == [
        ("write", "SCR", "its clock is stopped"),
        ("read", "SCR", "its clock is stopped"),
    ]


@pytest.mark.parametrize(
    ("clock", "release", "us", "why"),
    [
        (0, TELEMETRY, 10, "its clock is stopped"),
        (TELEMETRY, 0, 10, "it is held in reset"),
        (TELEMETRY, TELEMETRY, 3, "it has not settled yet"),
        (TELEMETRY, TELEMETRY, 4, ""),
    ],
)
def test_a_block_needs_clock_release_and_time(
    bench: Bench, clock: int, release: int, us: int, why: str
) -> None:
    """Only clocked, out of reset and after its four cycles does a block take a write."""
    bench.set(clock=clock, release=release)
    bench.run(us=us)
    ready = not why
    assert bench.gate.peek("READY") == TELEMETRY * ready
    bench.telemetry.write8(SCR, 0x5A)
    assert bench.board.devices["telemetry"].peek("SCR") == 0x5A * ready
    assert bench.lost == ([] if ready else [("write", "SCR", why)])


def test_settling_begins_anew_when_it_is_interrupted(bench: Bench) -> None:
    """The cycles count from the moment at which both clock and release are there, and last."""
    bench.set(clock=TELEMETRY, release=0)
    bench.run(us=10)
    bench.set(clock=TELEMETRY, release=TELEMETRY)
    bench.run(us=3)
    bench.set(clock=0, release=TELEMETRY)
    bench.set(clock=TELEMETRY, release=TELEMETRY)
    bench.run(us=3)
    assert bench.gate.peek("READY") == 0
    bench.run(us=1)
    assert bench.gate.peek("READY") == TELEMETRY


def test_writing_what_is_there_does_not_disturb(bench: Bench) -> None:
    """A block that is ready, or settling, stays so when its neighbour is let go."""
    bench.set(clock=TELEMETRY, release=TELEMETRY)
    bench.run(us=3)
    bench.set(clock=3, release=3)
    bench.run(us=1)
    assert bench.gate.peek("READY") == TELEMETRY
    bench.run(us=3)
    assert bench.gate.peek("READY") == TELEMETRY | SAMPLING


def test_without_settling_a_block_answers_at_once() -> None:
    """Given 0 cycles READY shows the block with the write that lets it go."""
    bench = Bench(settle=0)
    bench.set(clock=3, release=3)
    assert bench.gate.peek("READY") == TELEMETRY | SAMPLING


def test_a_cycle_is_over_before_it_counts() -> None:
    """A cycle of 3 MHz is 333333.3 ps, and the block is ready in the first whole one after it."""
    bench = Bench(clock=3_000_000, settle=1)
    bench.set(clock=3, release=3)
    bench.board.clock.run_until(333_333)
    assert bench.gate.peek("READY") == 0
    bench.board.clock.run_until(333_334)
    assert bench.gate.peek("READY") == TELEMETRY | SAMPLING


def test_several_reads_at_once_take_nothing_from_a_gated_block(bench: Bench) -> None:
    """Characters that wait in a serial controller are there when its clock runs again."""
    bench.up()
    uart = bench.board.devices["telemetry"]
    assert isinstance(uart, Uart16550)
    bench.telemetry.write8(2, 0x01)
    for byte in b"ebb":
        uart.receive(byte, 0)
    bench.set(clock=SAMPLING, release=3)
    assert bench.telemetry.read8_rep(0, 3) == [0, 0, 0]
    bench.up()
    assert bytes(bench.telemetry.read8_rep(0, 3)) == b"ebb"


def test_a_driver_that_polls_ready_gets_on(bench: Bench) -> None:
    """Polling READY ends by itself, and what is written then is there."""
    gates = bench.board.window("gates")
    gates.write32(CLOCK, SAMPLING)
    gates.write32(RELEASE, SAMPLING)
    while not gates.read32(READY) & SAMPLING:
        pass
    bench.sampling.write32(RELOAD, 9)
    assert bench.sampling.read32(RELOAD) == 9


@pytest.mark.parametrize(("value", "seen"), [(0xDEAD_BEEF, 0xEF), (0, 0), (-1, 0xFF)])
def test_what_a_gated_block_reads_as_is_a_parameter(value: int, seen: int) -> None:
    """Every read gives that value, as wide as the register is; several reads at once too."""
    bench = Bench(reads=value)
    assert bench.telemetry.read8(0) == seen
    assert bench.telemetry.read8_rep(0, 3) == [seen] * 3


@pytest.mark.parametrize("direction", ["read", "write"])
def test_strict_is_a_bus_error(direction: str) -> None:
    """With ``strict`` the driver, and a device that masters the bus, are told at the access."""
    bench = Bench(strict=True)
    arguments = (RELOAD,) if direction == "read" else (RELOAD, 9)
    with pytest.raises(BusError, match="its clock is stopped") as caught:
        getattr(bench.sampling, f"{direction}32")(*arguments)
    assert (caught.value.address, caught.value.direction) == (0x2000 + RELOAD, direction)
    master, now_ps = BusMaster(bench.board.bus, "mover"), bench.board.clock.now_ps
    with pytest.raises(BusError, match="its clock is stopped"):
        master.read(0x2000 + RELOAD, 32)
    assert bench.board.clock.now_ps == now_ps
    bench.up()
    bench.sampling.write32(RELOAD, 9)
    assert bench.sampling.read32(RELOAD) == 9


def test_other_devices_are_not_touched() -> None:
    """The ports of a device that is not named are those that it made itself."""
    gated, free = Bench(blocks="telemetry"), Bench(blocks="")
    for bench, wrapped in ((gated, True), (free, False)):
        read = bench.board.devices["telemetry"].ports["RBR"].read
        assert (read.__module__ == "emu.devices.gated_block") == wrapped
    assert free.timer.ports["RELOAD"].read.__module__ == "emu.kernel.live"


# clock and reset


def test_a_block_without_a_clock_keeps_what_it_holds(bench: Bench) -> None:
    """A timer stands still at its count, and goes on from there."""
    bench.up()
    bench.put(RELOAD=99, CONTROL=0x03)
    bench.run(us=30)
    bench.set(clock=TELEMETRY, release=3)
    bench.run(us=500)
    assert bench.timer.peek("COUNT") == 30
    bench.set(clock=3, release=3)
    bench.run(us=20)
    assert (bench.timer.peek("COUNT"), bench.timer.peek("RELOAD")) == (50, 99)


def test_a_reset_line_resets_its_block_alone(bench: Bench) -> None:
    """When it is pulled the registers are at their reset values, and the neighbour's are not."""
    bench.up()
    bench.put(RELOAD=99, CONTROL=0x03)
    bench.telemetry.write8(SCR, 0x5A)
    bench.set(clock=3, release=TELEMETRY)
    assert [bench.timer.peek(one) for one in ("RELOAD", "CONTROL")] == [0, 0]
    bench.up()
    assert bench.sampling.read32(RELOAD) == 0
    assert bench.telemetry.read8(SCR) == 0x5A


def test_a_block_in_reset_takes_nothing_from_outside(bench: Bench) -> None:
    """A serial controller that is held in reset receives no character."""
    bench.up()
    uart = bench.board.devices["telemetry"]
    assert isinstance(uart, Uart16550)
    for name, value in (("LCR", 0x83), ("DLL", 1), ("DLM", 0), ("LCR", 0x03)):
        uart.ports[name].write(value)
    bench.set(clock=3, release=SAMPLING)
    uart.sin.play(bench.board.clock.now_ps, uart.transmitter.shapes.of(0x55))
    bench.run(us=1000)
    bench.up()
    assert uart.peek("LSR.DR") == 0


def test_a_reset_of_the_gate_holds_everything_again(bench: Bench) -> None:
    """As after power-on nobody answers, and blocks that ran are reset."""
    bench.up()
    bench.put(RELOAD=99)
    bench.gate.reset()
    assert (bench.gate.peek("READY"), bench.timer.peek("RELOAD")) == (0, 0)
    bench.sampling.write32(RELOAD, 9)
    assert bench.timer.peek("RELOAD") == 0


# interrupt lines


@pytest.mark.parametrize("level", [0, 1])
def test_an_interrupt_line_stays_as_it_was_without_a_clock(bench: Bench, level: int) -> None:
    """Whether up or down when the clock stops, it is so until the clock runs again."""
    bench.up()
    bench.put(RELOAD=9, CONTROL=0x11)
    bench.run(us=20 if level else 5)
    assert bench.asserted() == level
    bench.set(clock=TELEMETRY, release=3)
    bench.run(us=500)
    assert bench.asserted() == level
    bench.set(clock=3, release=3)
    assert bench.asserted() == level
    bench.run(us=20)
    assert bench.asserted() == 1
    bench.put(STATUS=1)
    assert bench.asserted() == 0


def test_a_reset_clears_the_line_once_the_clock_runs(bench: Bench) -> None:
    """Reset without a clock leaves the line up; the clock, or a reset with it, takes it down."""
    bench.up()
    bench.put(RELOAD=9, CONTROL=0x11)
    bench.run(us=20)
    bench.set(clock=TELEMETRY, release=3)
    bench.set(clock=TELEMETRY, release=TELEMETRY)
    assert bench.asserted() == 1
    bench.set(clock=3, release=TELEMETRY)
    assert bench.asserted() == 0


def test_a_handler_of_a_block_without_a_clock_cannot_serve_it(bench: Bench) -> None:
    """The line is still up, so the handler is entered, and its writes are lost."""
    bench.up()
    bench.put(RELOAD=9, CONTROL=0x11)
    bench.run(us=20)
    bench.set(clock=TELEMETRY, release=3)
    cpu, entered = bench.board.cpu, 0

    def handler() -> None:
        nonlocal entered
        entered += 1
        bench.sampling.write32(0x10, 1)
        if entered == 3:
            cpu.disconnect(3)

    cpu.connect(3, handler)
    assert (entered, bench.asserted()) == (3, 1)
    assert bench.lost == [("write", "STATUS", "its clock is stopped")] * 3


# what it is told


def test_the_map_names_the_blocks(bench: Bench) -> None:
    """Each bit is called as the device it is for."""
    for register in bench.gate.REGISTERS:
        assert [(one.name, one.bits) for one in register.fields] == [
            ("TELEMETRY", "0"), ("SAMPLING", "1"),
        ]  # fmt: skip
    bench.up()
    assert bench.gate.peek("READY.SAMPLING") == 1


@pytest.mark.parametrize(
    ("blocks", "what", "fix"),
    [
        ("telemetri", "blocks: no device 'telemetri'", "did you mean 'telemetry'?"),
        ("tide_log", "blocks: 'tide_log' cannot be gated", ""),
        ("gates", "blocks: 'gates' cannot be gated", ""),
        ("telemetry telemetry", "blocks: two blocks of one name", ""),
        (" ".join(f"block{one}" for one in range(33)), "blocks: 33 blocks", ""),
    ],
)
def test_blocks_that_cannot_be_are_refused(blocks: str, what: str, fix: str) -> None:
    """What is not there, has no registers, is the gate itself, or stands twice is an error."""

    def switch_on() -> None:
        board = Board("harbour")
        board.attach(Uart16550, "telemetry", 0x1000)
        board.attach(Ram, "tide_log", 0x8_0000)
        board.attach(ClockGate, "gates", 0x3000, settings={"blocks": blocks})
        board.power_on()

    with pytest.raises(DeclarationError) as caught:
        switch_on()
    assert (caught.value.what, caught.value.fix) == (what, fix)
    assert caught.value.where == "device gates"


@SAME
@given(
    steps=st.lists(
        st.tuples(st.integers(0, 3), st.integers(0, 3), st.integers(1, 9)), max_size=12
    )
)  # fmt: skip
def test_ready_is_what_a_plain_count_says(steps: list[tuple[int, int, int]]) -> None:
    """Whatever is written when, a block is ready if both its bits were up for four cycles."""
    bench, since = Bench(), [0, 0]
    for clock, release, us in steps:
        both = bench.gate.peek("CLOCK") & bench.gate.peek("RELEASE")
        bench.gate.ports["CLOCK"].write(clock)
        middle = clock & bench.gate.peek("RELEASE")
        bench.gate.ports["RELEASE"].write(release)
        for bit in range(2):
            kept = both & middle & clock & release
            since[bit] = (since[bit] if kept >> bit & 1 else 0) + us
        bench.run(us=us)
        expected = sum(
            (clock & release) >> bit & (since[bit] >= 4) and 1 << bit for bit in range(2)
        )
        assert bench.gate.peek("READY") == expected


class GateRules(DeviceRules):
    """Whatever software does, it keeps to its declaration."""

    DEVICE = ClockGate


TestGate = GateRules.TestCase
TestGate.settings = settings(SAME, max_examples=30, stateful_step_count=20)


def test_who_looks_on_sees_each_block() -> None:
    """Blocks tell whether they run and how often their reset line was pulled, after each write."""
    bench = Bench()
    seen: list[list[tuple[str, bool, int]]] = []
    bench.gate.on_drive.append(
        lambda: seen.append([(one.name, one.runs, one.pulls) for one in bench.gate.blocks])
    )
    bench.set(clock=1, release=3)
    bench.set(clock=1, release=0)
    assert seen == [
        [("telemetry", False, 0), ("sampling", False, 0)],
        [("telemetry", True, 0), ("sampling", False, 0)],
        [("telemetry", True, 0), ("sampling", False, 0)],
        [("telemetry", False, 1), ("sampling", False, 1)],
    ]
    assert bench.gate.settle_ps == 4 * _US_PS
