"""A board on which a driver receives a workload, and everything that it costs is measured.

The one idea: the processor's time is what it is not idle; taking off what other handlers and masked
sections took, which is known exactly, leaves what the driver took, wherever it was spent. Other
handlers are interrupt lines of their own. Masked sections are main code; where that is polling, the
processor is taken away from it for as long.
"""

from __future__ import annotations

import difflib
import random
from dataclasses import dataclass

from emu.devices.gpio import Gpio
from emu.devices.serial_driver import SerialDriver
from emu.devices.serial_monitor import Nobody
from emu.devices.uart16550 import Uart16550
from emu.errors import RunEnded
from emu.kernel.board import Board, BusSettings, LineRules
from emu.kernel.clock import PS_PER_S
from emu.kernel.device import Device, ReadPort
from emu.kernel.signal import Signal
from emu.kernel.watchdog import Watchdog
from emu.line.frame import format_of, rate_of
from emu.line.transmitter import Transmitter
from emu.sizing.arrivals import arrivals_ps
from emu.sizing.workload import Neighbour, Workload

__all__ = ["Bench", "Measured", "Setting"]

_NAME = "telemetry"
_IRQ, _FIRST_OTHER = 5, 10
_PRIORITY = 1000
_ALL = 1 << 20
_SETTLE_CHARACTERS = 12
_PATIENCE_S = 2.0  # real time for a driver that does not touch the bench


@dataclass(frozen=True, slots=True)
class Setting:
    """Say what a driver is put in front of.

    Args:
        device: ``uart16550`` or ``gpio``.
        fifo: characters that the controller's FIFO holds: 1, 16 or 64.
        moderated: whether its interrupts are moderated.
    """

    device: str = "uart16550"
    fifo: int = 16
    moderated: bool = False


@dataclass(frozen=True, slots=True)
class Measured:
    """Hold what a run showed.

    Args:
        load: share of the processor that receiving took, 0 to 1.
        interrupts_hz: interrupts of the device a second.
        accesses_per_byte: register accesses for each character that came.
        worst_latency_s, mean_latency_s: from a request to the access that takes its first data.
        loss: share of the characters that the driver did not get.
        characters: how many came.
        bytes_per_interrupt: characters taken for each interrupt, 0 without interrupts.
        processor_s: time that receiving took.
    """

    load: float
    interrupts_hz: float
    accesses_per_byte: float
    worst_latency_s: float
    mean_latency_s: float
    loss: float
    characters: int
    bytes_per_interrupt: float
    processor_s: float


class _Latencies:
    """Measure from a request to its answer; a request on top of another is the same one."""

    def __init__(self) -> None:
        self.worst_ps = self.sum_ps = self.count = 0
        self._since_ps = -1

    def ask(self, now_ps: int) -> None:
        """Note a request."""
        if self._since_ps < 0:
            self._since_ps = now_ps

    def answer(self, now_ps: int) -> None:
        """Note an answer, if something was asked."""
        if self._since_ps >= 0:
            wait_ps = now_ps - self._since_ps
            self.worst_ps = max(self.worst_ps, wait_ps)
            self.sum_ps += wait_ps
            self.count += 1
            self._since_ps = -1


class _Arrivals(Nobody):
    """Take a character that comes to an empty FIFO for a request, and count what is lost."""

    def __init__(self, uart: Uart16550, latencies: _Latencies) -> None:
        self._uart = uart
        self._latencies = latencies
        self.lost = 0
        self.ask = False

    def arrived(self, data: int, flags: int) -> None:  # noqa: ARG002 - the monitor's signature
        """Note a character."""
        if self.ask and self._uart.receive_level == 1:
            self._latencies.ask(self._uart.clock.now_ps)

    def overran(self, data: int) -> None:  # noqa: ARG002 - the monitor's signature
        """Count a character that found no room."""
        self.lost += 1


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
        self._latencies = _Latencies()
        self._board = Board(
            cpu=workload.cpu, bus=BusSettings(access_cycles=workload.access_cycles), events=0
        )
        self._device = self._attach(setting)
        self._add_others()
        self._board.power_on()
        self._board.cpu.storms.cause = lambda *_: "more comes than can be served"
        self._arrivals = self._observe()
        self._transmitter = self._connect()
        self._masked_count = 0
        window = self._board.window(_NAME)
        self._driver: SerialDriver = driver(window, self._board.cpu)
        self._polled = False

    # building

    def _attach(self, setting: Setting) -> Device:
        """Put the device on the bus, with a clock that makes the rate exactly."""
        board, workload = self._board, self.workload
        moderation_ps = workload.moderation_ps if setting.moderated else 0
        board.interrupt(_IRQ, LineRules(priority=_PRIORITY, moderation_ps=moderation_ps))
        if setting.device == "gpio":
            board.attach(Gpio, _NAME, 0x4000_0000, irq=_IRQ)
        else:
            settings = {"clock": 16 * workload.line.baud, "fifo": _fifo_setting(setting.fifo)}
            board.attach(Uart16550, _NAME, 0x4000_0000, settings=settings, stride=4, irq=_IRQ)
        return board.devices[_NAME]

    def _add_others(self) -> None:
        """Declare the lines of what else interrupts, each with a priority of its own."""
        for number, one in enumerate(self.workload.others, 1):
            priority = _PRIORITY + number if one.above else _PRIORITY - number
            rules = LineRules(priority=priority, software=True)
            self._board.interrupt(_FIRST_OTHER + number, rules)

    def _observe(self) -> _Arrivals | None:
        """Measure from what the device asks for to what the driver takes."""
        clock, cpu, latencies = self._board.clock, self._board.cpu, self._latencies
        device = self._device
        if not isinstance(device, Uart16550):
            cpu.on_time.append(lambda: latencies.answer(clock.now_ps) if cpu.depth else None)
            return None
        arrivals = _Arrivals(device, latencies)
        device.monitor = arrivals
        device.irq.watch(lambda level: latencies.ask(clock.now_ps) if level else None)

        def answering(read: ReadPort) -> ReadPort:
            def answer() -> int:
                latencies.answer(clock.now_ps)
                return read()

            return answer

        device.ports["RBR"].wrap_read(answering)
        return arrivals

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
        line = cpu.interrupts.line(_IRQ)
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
            irq, cycles = _FIRST_OTHER + number, one.handler_cycles
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
            cpu.interrupts.line(_FIRST_OTHER + number).deliveries
            * board.cycles_ps(one.handler_cycles + workload.frame_cycles)
            for number, one in enumerate(workload.others, 1)
        )
        cycles = workload.masked.length_ps * cpu.clock_hz // PS_PER_S
        masked_ps = self._masked_count * board.cycles_ps(cycles)
        clock = board.clock
        return clock.now_ps - clock.stalled_ps - cpu.idle_ps - others_ps - masked_ps

    def _accesses(self) -> int:
        return sum(sum(one) for one in self._board.bus.accesses().values())


def _fifo_setting(depth: int) -> int:
    """Return what the controller's parameter calls a depth: without a FIFO it holds one."""
    return 0 if depth == 1 else depth
