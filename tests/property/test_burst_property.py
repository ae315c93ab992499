"""Several reads in one call behave as the same reads one by one: property-based checks."""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st

from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.device import BurstPort, ReadPort
from emu.record.events import Access
from emu.record.tape import read_tape

RBR, IER, FCR, LSR = 0, 1, 2, 5
ACCESS_PS = 200_000

characters = st.tuples(st.integers(0, 255), st.sampled_from((0, 0, 0, 0x04, 0x08, 0x18)))


@dataclass
class Bench:
    """A controller on a board, how its interrupt line moved, and when it was served."""

    fifo: int
    handled: bool = False
    board: Board = field(default_factory=Board)
    served_ps: list[int] = field(default_factory=list)
    moves: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        settings = {"fifo": self.fifo}
        self.io = self.board.attach(Uart16550, "gauge", 0x1000, irq=3, settings=settings)
        self.uart = self.board.devices["gauge"]
        assert isinstance(self.uart, Uart16550)
        self.board.power_on()
        clock = self.board.clock
        self.uart.irq.watch(lambda level: self.moves.append((clock.now_ps, level)))
        if self.handled:
            self.board.cpu.connect(3, self._serve)

    def _serve(self) -> None:
        self.served_ps.append(self.board.clock.now_ps)
        self.io.write8(IER, 0)

    def state(self) -> tuple[object, ...]:
        """Return everything that a driver or a wire could tell."""
        registers = tuple(self.uart.peek(name) for name in ("RBR", "LSR", "IIR", "MSR"))
        level = self.uart.receive_level
        return registers, level, self.moves, self.board.clock.now_ps, self.served_ps


def accesses(board: Board, direction: str) -> list[Access]:
    """Return what the tape holds of reads, or writes."""
    events = read_tape(board).events
    return [one for one in events if isinstance(one, Access) and one.direction == direction]


@given(
    fifo=st.sampled_from((0, 16, 64)),
    handled=st.booleans(),
    fcr=st.sampled_from((0x00, 0x01, 0x41, 0x81, 0xC1)),
    ier=st.sampled_from((0x00, 0x01, 0x05)),
    waiting=st.lists(characters, max_size=20),
    coming=st.lists(st.tuples(st.integers(0, 30), characters), max_size=4),
    counts=st.lists(st.integers(0, 20), min_size=1, max_size=4),
)
def test_a_burst_is_its_reads(  # noqa: PLR0917 - one argument a strategy
    fifo: int,
    handled: bool,
    fcr: int,
    ier: int,
    waiting: list[tuple[int, int]],
    coming: list[tuple[int, tuple[int, int]]],
    counts: list[int],
) -> None:
    """Whatever waits, comes meanwhile and interrupts, `read8_rep` gives what single reads give."""
    benches = [Bench(fifo, handled), Bench(fifo, handled)]
    for bench in benches:
        bench.io.write8(FCR, fcr)
        for data, flags in waiting:
            bench.uart.receive(data, flags)
        bench.io.write8(IER, ier)
        now_ps = bench.board.clock.now_ps
        for after, (data, flags) in coming:
            bench.board.clock.schedule(
                now_ps + after * ACCESS_PS + 1,
                lambda data=data, flags=flags, uart=bench.uart: uart.receive(data, flags),
            )
    at_once, singly = benches
    for count in counts:
        values = at_once.io.read8_rep(RBR, count)
        assert values == [singly.io.read8(RBR) for _ in range(count)]
        assert at_once.io.read8(LSR) == singly.io.read8(LSR)
    assert at_once.state() == singly.state()
    totals = [sum(bench.board.bus.accesses()["gauge"]) for bench in benches]
    assert totals[0] == totals[1]


def test_every_read_of_a_burst_is_on_the_tape_at_its_time() -> None:
    """A burst leaves one entry a read, each an access time after the one before."""
    bench = Bench(16)
    bench.io.write8(FCR, 0x01)
    for data in (7, 7, 8, 9):
        bench.uart.receive(data, 0)
    start_ps = bench.board.clock.now_ps
    assert bench.io.read8_rep(RBR, 4) == [7, 7, 8, 9]
    reads = accesses(bench.board, "read")
    assert [one.value for one in reads] == [7, 7, 8, 9]
    assert [one.time_ps for one in reads] == [start_ps + n * ACCESS_PS for n in range(4)]


def test_a_wrapper_that_takes_no_bursts_sees_every_read() -> None:
    """Who wraps a port for single reads sees each read of a burst."""
    bench = Bench(16)
    bench.io.write8(FCR, 0x01)
    for data in range(5):
        bench.uart.receive(data, 0)
    seen = []

    def wrap(read: ReadPort) -> ReadPort:
        def read_noted() -> int:
            seen.append(read())
            return seen[-1]

        return read_noted

    bench.uart.ports["RBR"].wrap_read(wrap)
    assert bench.io.read8_rep(RBR, 5) == seen == [0, 1, 2, 3, 4]


def test_a_wrapper_of_bursts_is_asked_for_them() -> None:
    """Who wraps bursts as well is asked with how many reads are wanted and the time of each."""
    bench = Bench(16)
    bench.io.write8(FCR, 0x01)
    for data in range(5):
        bench.uart.receive(data, 0)
    asked = []

    def wrap(burst: BurstPort) -> BurstPort:
        def burst_noted(most: int, step_ps: int) -> list[int]:
            asked.append((most, step_ps))
            return burst(most, step_ps)

        return burst_noted

    bench.uart.ports["RBR"].wrap_read(lambda read: read, wrap)
    assert bench.io.read8_rep(RBR, 4) == [0, 1, 2, 3]
    assert asked == [(4, ACCESS_PS)]


def test_repeated_writes_are_single_writes() -> None:
    """`write8_rep` makes one access for each value, in order."""
    bench = Bench(16)
    bench.io.write8(FCR, 0x01)
    before = bench.board.clock.now_ps
    bench.io.write8_rep(RBR, b"tide")
    assert bench.board.clock.now_ps - before == 4 * ACCESS_PS
    assert [one.value for one in accesses(bench.board, "write")[-4:]] == list(b"tide")
