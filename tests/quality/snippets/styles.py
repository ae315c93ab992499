"""Correct drivers in other styles than the examples, for rules that must let all of them pass.

The one idea: what they share, queues and calls, is in a base, and each style differs in how it
meets the controller: by the interrupt's cause with a self-test and a measured FIFO, by line status
alone and without FIFO, or polling the receiver while the transmitter interrupts.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from emu import Cpu, LineErrors, LineSettings, Window

RBR = THR = DLL = 0
IER = DLM = 1
IIR = FCR = 2
LCR, MCR, LSR, MSR = 3, 4, 5, 6
PARITY = {"none": 0x00, "odd": 0x08, "even": 0x18, "mark": 0x28, "space": 0x38}


class _Style:
    """Queues, calls and settings."""

    receive_enable = 0x05
    fifo_control = 0x81
    depth = 16

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.errors = LineErrors()
        self.io = io
        self.cpu = cpu
        self.received = bytearray()
        self.outgoing = bytearray()
        self.is_open = False
        self.enabled = 0
        self.character_s = 1e-4

    def get(self, register: int) -> int:
        return self.io.read8(register * self.io.stride)

    def put(self, register: int, value: int) -> None:
        self.io.write8(register * self.io.stride, value)

    # the calls

    def open(self, line: LineSettings) -> None:
        divisor = round(self.io.clock_hz / (16 * line.baud))
        if not divisor or abs(self.io.clock_hz / (16 * divisor) / line.baud - 1) > 0.03:
            msg = f"{line.baud} baud is out of reach"
            raise ValueError(msg)
        self.close()
        self.character_s = line.character_s
        self.put(LCR, self.get(LCR) & 0x3F)
        self.put(IER, 0)
        self.start_fifo()
        self.settle()
        frame = (line.data_bits - 5) | PARITY[line.parity] | (4 if line.stop_bits > 1 else 0)
        self.put(LCR, frame | 0x80)
        self.put(DLL, divisor & 0xFF)
        self.put(DLM, divisor >> 8)
        self.put(LCR, frame)
        self.start_up()
        self.put(MCR, 0x0B)
        self.clear_stale()
        self.received.clear()
        self.outgoing.clear()
        self.is_open = True
        self.cpu.connect(self.io.irq, self.handle)
        self.enable(self.receive_enable)

    def close(self) -> None:
        if not self.is_open:
            return
        self.drain(2 * (len(self.outgoing) + self.depth + 1) * self.character_s)
        with self.cpu.interrupts_masked():
            self.is_open = False
            self.enable(0)
            self.put(MCR, 0)
            self.cpu.disconnect(self.io.irq, self.handle)
            self.clear_stale()

    def write(self, data: bytes, timeout: float | None = None) -> int:
        if not self.is_open:
            return 0
        with self.cpu.interrupts_masked():
            self.outgoing += data
            self.enable(self.receive_enable | 0x02)
        return len(data)

    def read(self, size: int, timeout: float | None = None) -> bytes:
        self.wait(lambda: len(self.received) >= size, timeout)
        with self.cpu.interrupts_masked():
            part = bytes(self.received[:size])
            del self.received[:size]
        return part

    def drain(self, timeout: float | None = None) -> bool:
        deadline = math.inf if timeout is None else self.cpu.time() + timeout
        while self.is_open:
            with self.cpu.interrupts_masked():
                idle = self.look() & 0x40 != 0 and not self.outgoing
            if idle or self.cpu.time() >= deadline:
                return idle
            self.cpu.sleep(self.character_s / 2)
        return False

    def wait(self, done: Callable[[], bool], timeout: float | None) -> None:
        deadline = math.inf if timeout is None else self.cpu.time() + timeout
        while self.is_open:
            with self.cpu.interrupts_masked():
                left = deadline - self.cpu.time()
                if done() or left <= 0:
                    return
                self.cpu.wait_for_interrupt(min(left, 20 * self.character_s))
                self.poll()

    # the device

    def start_fifo(self) -> None:
        self.put(FCR, self.fifo_control | 0x06 if self.fifo_control else 0)

    def settle(self) -> None:
        deadline = self.cpu.time() + 0.02
        while not self.get(LSR) & 0x40 and self.cpu.time() < deadline:
            self.cpu.sleep(1e-3)

    def start_up(self) -> None:
        self.start_fifo()

    def clear_stale(self) -> None:
        for register in (LSR, RBR, IIR, MSR):
            self.get(register)

    def poll(self) -> None:
        """Look after the device by hand where no interrupt does."""

    def handle(self) -> None:
        """Serve an interrupt; each style in its own way."""

    def enable(self, value: int) -> None:
        if value != self.enabled:
            self.enabled = value
            self.put(IER, value)

    def look(self) -> int:
        """Read LSR, count its errors, and take the character that they speak of."""
        status = self.get(LSR)
        self.errors.overrun += bool(status & 0x02)
        if status & 0x10:
            self.errors.breaks += 1
        else:
            self.errors.framing += bool(status & 0x08)
            self.errors.parity += bool(status & 0x04)
        if status & 0x01:
            byte = self.get(RBR)
            if not status & 0x1C:
                self.received.append(byte)
        return status

    def take_in(self) -> int:
        while (status := self.look()) & 0x01:
            pass
        return status

    def feed(self, status: int) -> None:
        if status & 0x20:
            for byte in self.outgoing[: self.depth]:
                self.put(THR, byte)
            del self.outgoing[: self.depth]
        self.enable(self.receive_enable | (0x02 if self.outgoing else 0))


class ByCause(_Style):
    """Asks IIR what there is, measures the FIFO by overfilling it in loopback."""

    receive_enable = 0x0D

    def start_up(self) -> None:
        self.start_fifo()
        low, high, frame = 0, 0, self.get(LCR)
        self.put(MCR, 0x10)
        self.put(LCR, frame | 0x80)
        low, high = self.get(DLL), self.get(DLM)
        self.put(DLL, 1)
        self.put(DLM, 0)
        self.put(LCR, frame)
        for count in range(128):
            self.put(THR, count)
        self.cpu.sleep(0.02)
        count = 0
        while self.get(LSR) & 0x01 and count < 128:
            self.get(RBR)
            count += 1
        self.depth = max(1, min(count, 16))
        self.start_fifo()
        self.put(LCR, frame | 0x80)
        self.put(DLL, low)
        self.put(DLM, high)
        self.put(LCR, frame)
        self.put(MCR, 0x0B)

    def handle(self) -> None:
        while not (cause := self.get(IIR)) & 0x01:
            match cause & 0x0F:
                case 0x00:
                    self.get(MSR)
                case 0x02:
                    self.feed(0x20)
                case _:
                    self.take_in()


class ByStatus(_Style):
    """Knows a 16450: no FIFO, and every interrupt means a look at LSR."""

    fifo_control = 0x00
    depth = 1

    def handle(self) -> None:
        self.feed(self.take_in())


class PolledReceiver(_Style):
    """Lets the transmitter interrupt and polls the receiver in every call."""

    receive_enable = 0x00

    def handle(self) -> None:
        if self.get(IIR) & 0x0F == 0x02:
            self.feed(0x20)

    def poll(self) -> None:
        self.take_in()

    def wait(self, done: Callable[[], bool], timeout: float | None) -> None:
        deadline = math.inf if timeout is None else self.cpu.time() + timeout
        while self.is_open:
            with self.cpu.interrupts_masked():
                self.take_in()
                if done() or self.cpu.time() >= deadline:
                    return
            self.cpu.sleep(self.character_s / 2)


class TriggerLevel(ByCause):
    """Takes exactly the characters that an interrupt announces, without asking LSR for each.

    Errors come first, as line status, and are counted with the character that they speak of.
    """

    fifo_control = 0x41

    def handle(self) -> None:
        while not (cause := self.get(IIR)) & 0x01:
            if cause & 0x0F == 0x04:
                self.received.extend(self.get(RBR) for _ in range(4))
            elif cause & 0x0F == 0x02:
                self.feed(0x20)
            elif cause & 0x0F == 0x00:
                self.get(MSR)
            else:
                self.take_in()
