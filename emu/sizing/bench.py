"""A board on which a driver receives a workload, and everything that it costs is measured.

The one idea: the processor's time is what it is not idle; taking off what other handlers and masked
sections took, which is known exactly, leaves what the driver took, wherever it was spent. Other
handlers are interrupt lines of their own. Masked sections are main code; where that is polling, the
processor is taken away from it for as long.
"""

from __future__ import annotations

import difflib
import random

from emu.devices.serial_driver import SerialDriver
from emu.devices.uart16550 import Uart16550
from emu.errors import RunEnded
from emu.kernel.clock import PS_PER_S
from emu.kernel.signal import Signal
from emu.kernel.watchdog import Watchdog
from emu.line.frame import format_of, rate_of
from emu.line.transmitter import Transmitter
from emu.sizing.arrivals import arrivals_ps
from emu.sizing.bench_board import (
    ENGINE,
    ENGINE_IRQ,
    FIRST_OTHER_IRQ,
    IRQ,
    NAME,
    Setting,
    bench_board,
)
from emu.sizing.measured import Arrivals, Latencies, Measured, watch_engine, watch_pin, watch_uart
from emu.sizing.workload import Neighbour, Workload

__all__ = ["Bench"]

_ALL = 1 << 20
_SETTLE_CHARACTERS = 12
_PATIENCE_S = 2.0  # real time for a driver that does not touch the bench


class Bench:
    """Run a driver under a workload.

    Args:
        workload: what comes, and what else goes on.
        setting: the device.
        driver: a class with the calls of a serial driver.
        count: characters to send.
        seed: seed of data, of random traffic, and of when everything else begins.
    """

    def __init__(
        self, workload: Workload, setting: Setting, driver: type, *, count: int, seed: int = 1
    ) -> None:
        self.workload = workload
        self._draw = random.Random(seed)
        self._data = self._draw.randbytes(count)
        self._starts_ps = arrivals_ps(workload, count, seed=seed)
        self._latencies = Latencies()
        self._board = bench_board(workload, setting)
        self._device = self._board.device(NAME)
        self._board.cpu.storms.cause = lambda *_: "more comes than can be served"
        self._irq = ENGINE_IRQ if setting.memory_bytes else IRQ
        self._arrivals = self._observe()
        self._transmitter = self._connect()
        self._masked_count = 0
        window = self._board.window(NAME)
        self._driver: SerialDriver = driver(window, self._board.cpu)
        self._polled = False

    def _observe(self) -> Arrivals | None:
        """Measure from what asks to what is done about it."""
        board, latencies = self._board, self._latencies
        if not isinstance(self._device, Uart16550):
            watch_pin(board, latencies)
            return None
        if ENGINE in board.devices:
            watch_engine(board.device(ENGINE), latencies)
            return Arrivals(self._device, Latencies())
        return watch_uart(self._device, latencies)

    def _connect(self) -> Transmitter:
        """Hang the far end on the line."""
        uart = isinstance(self._device, Uart16550)
        wire: Signal = self._device.signals["sin" if uart else "pin0"]
        transmitter = Transmitter(self._board.clock, wire)
        line = self.workload.line
        transmitter.configure(format_of(line), rate_of(line.baud))
        return transmitter

    # running

    def run(self) -> Measured:
        """Open the driver, let everything come, and return what it cost.

        Where handlers leave the main program no time, what was measured until then is returned.

        Raises:
            RunEnded: the driver hung.
        """
        with Watchdog(self._board.clock, self._board.cpu, _PATIENCE_S):
            return self._run()

    def _run(self) -> Measured:
        """Run, and end in words where simulated time stands still or never ends."""
        board, workload = self._board, self.workload
        clock, cpu = board.clock, board.cpu
        self._driver.open(workload.line)
        line = cpu.interrupts.line(self._irq)
        self._polled = not line.handlers
        if self._arrivals is not None:
            self._arrivals.ask = self._polled
        character_ps = workload.line.character_ps
        begin_ps = clock.now_ps + 2 * character_ps
        end_ps = begin_ps + round(len(self._data) * PS_PER_S / workload.rate_hz)
        settled_ps = end_ps + _SETTLE_CHARACTERS * character_ps
        cpu.set_limit(settled_ps + workload.masked.period_ps)
        self._begin_others(begin_ps)
        self._send(begin_ps, 0)
        cpu.sleep((begin_ps - character_ps - clock.now_ps) / PS_PER_S)
        start_ps, before, accesses = clock.now_ps, self._own_ps(), self._accesses()
        entries, span_ps = line.deliveries, end_ps - begin_ps
        if self._polled:  # looks go on when nothing comes any more, and do not count
            self._pass_time(end_ps)
            span_ps = clock.now_ps - start_ps
            own_ps, accessed = self._own_ps() - before, self._accesses() - accesses
        self._pass_time(settled_ps)
        if not self._polled:
            own_ps, accessed = self._own_ps() - before, self._accesses() - accesses
        return self._measured(own_ps, accessed, line.deliveries - entries, span_ps)

    def _measured(self, own_ps: int, accesses: int, entries: int, span_ps: int) -> Measured:
        latencies, count = self._latencies, len(self._data)
        return Measured(
            load=own_ps / span_ps,
            interrupts_hz=entries * PS_PER_S / span_ps,
            accesses_per_byte=accesses * PS_PER_S / span_ps / self.workload.rate_hz,
            worst_latency_s=latencies.worst_ps / PS_PER_S,
            mean_latency_s=latencies.sum_ps / max(latencies.count, 1) / PS_PER_S,
            loss=self._lost() / count,
            characters=count,
            bytes_per_interrupt=count / entries if entries else 0.0,
            processor_s=own_ps / PS_PER_S,
        )

    def _lost(self) -> int:
        """Count characters that did not get through: for want of room, or misread."""
        if self._arrivals is not None:
            return self._arrivals.lost
        received = self._driver.read(_ALL, 0)
        if received == self._data:
            return 0
        same = difflib.SequenceMatcher(None, self._data, received, autojunk=False)
        return len(self._data) - sum(block.size for block in same.get_matching_blocks())

    def _pass_time(self, until_ps: int) -> None:
        """Be the main program, as long as it gets the processor."""
        try:
            if self._polled:
                left_ps = max(until_ps - self._board.clock.now_ps, 0)
                self._driver.read(_ALL, left_ps / PS_PER_S)
            else:
                self._sleep_and_mask(until_ps)
        except RunEnded as ended:
            if ended.rule not in ("time-limit", "interrupt-storm"):
                raise

    def _sleep_and_mask(self, until_ps: int) -> None:
        """Sleep, and now and then keep interrupts masked."""
        clock, cpu, masked = self._board.clock, self._board.cpu, self.workload.masked
        while clock.now_ps < until_ps:
            gap_ps = masked.period_ps - masked.length_ps if masked.length_ps else until_ps
            cpu.sleep(min(gap_ps, until_ps - clock.now_ps) / PS_PER_S)
            if masked.length_ps and clock.now_ps < until_ps:
                with cpu.interrupts_masked():
                    cpu.work(masked.length_ps * cpu.clock_hz // PS_PER_S)
                self._masked_count += 1

    def _begin_holds(self, at_ps: int) -> None:
        """Take the processor away from a program that polls, for as long as a masked section."""
        masked = self.workload.masked

        def hold() -> None:
            self._board.clock.hold(at_ps + masked.length_ps)
            self._begin_holds(at_ps + masked.period_ps)

        if masked.length_ps:
            self._board.clock.schedule(at_ps, hold)

    def _send(self, begin_ps: int, number: int) -> None:
        """Let character `number` begin when it is due, and the one after it in turn."""
        at_ps = begin_ps + self._starts_ps[number]

        def begin() -> None:
            self._transmitter.send(self._data[number], at_ps)
            if self._arrivals is None:
                self._latencies.ask(at_ps)
            if number + 1 < len(self._data):
                self._send(begin_ps, number + 1)

        self._board.clock.schedule(at_ps, begin)

    def _begin_others(self, begin_ps: int) -> None:
        """Let everything else interrupt from a moment within its first period on."""
        cpu = self._board.cpu
        for number, one in enumerate(self.workload.others, 1):
            irq, cycles = FIRST_OTHER_IRQ + number, one.handler_cycles
            cpu.connect(irq, lambda cycles=cycles: cpu.work(cycles))  # type: ignore[misc]
            self._tick(irq, begin_ps + self._draw.randrange(one.period_ps), one)

    def _tick(self, irq: int, at_ps: int, one: Neighbour) -> None:
        """Raise a line at `at_ps` or up to its jitter later, and again a period after `at_ps`."""
        clock, line = self._board.clock, self._board.cpu.interrupts.line(irq)

        def tick() -> None:
            late_ps = self._draw.randrange(one.jitter_ps + 1)
            clock.schedule(clock.now_ps + late_ps, line.latch)
            self._tick(irq, at_ps + one.period_ps, one)

        clock.schedule(at_ps, tick)

    # counting

    def _own_ps(self) -> int:
        """Return the time that went neither idle nor into other handlers or masked sections."""
        board, workload, cpu = self._board, self.workload, self._board.cpu
        others_ps = sum(
            cpu.interrupts.line(FIRST_OTHER_IRQ + number).deliveries
            * board.cycles_ps(one.handler_cycles + workload.frame_cycles)
            for number, one in enumerate(workload.others, 1)
        )
        cycles = workload.masked.length_ps * cpu.clock_hz // PS_PER_S
        masked_ps = self._masked_count * board.cycles_ps(cycles)
        clock = board.clock
        return clock.now_ps - clock.stalled_ps - cpu.idle_ps - others_ps - masked_ps

    def _accesses(self) -> int:
        return sum(sum(one) for one in self._board.bus.accesses().values())
