"""One cause an interrupt: the handler serves the lowest pin that is pending, and returns.

What is still pending enters it again. Outputs are inverted where they are not what they are to be.
What is enabled stands in the device alone.
"""

from __future__ import annotations

from emu import Cpu, Window

IN, OUT, DIR, SET, CLEAR, TOGGLE = range(0x00, 0x18, 4)
DRAIN, ENABLE, EDGE, HIGH, BOTH, PENDING = range(0x18, 0x30, 4)
ALL = 0xFFFF


class SinglePins:
    """Serve one pin at a time, and invert what differs."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io, self._cpu = io, cpu
        self._jobs: dict[int, tuple[str, int]] = {}  # by pin: counted so far, or whom it leads

    def open(self) -> None:
        self._io.write32(ENABLE, 0)
        self._io.write32(DIR, 0)
        self._jobs = {}
        self._io.write32(DRAIN, 0)
        self._io.write32(EDGE, ALL)
        self._io.write32(PENDING, ALL)
        self._cpu.connect(self._io.irq, self._interrupt)

    def close(self) -> None:
        self._cpu.disconnect(self._io.irq)
        self._io.write32(ENABLE, 0)
        self._io.write32(PENDING, ALL)
        self._io.write32(DIR, 0)

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        with self._cpu.interrupts_masked():
            self._leave(self._checked(pin))
            bit = 1 << pin
            if not level:
                self._bring(bit, 0)
            self._modify(DRAIN, bit if open_drain else 0, bit)
            if level:
                self._bring(bit, bit)
            self._modify(DIR, bit, bit)

    def input(self, pin: int) -> None:
        with self._cpu.interrupts_masked():
            self._leave(self._checked(pin))
            self._modify(DIR, 0, 1 << pin)

    def set(self, pin: int, level: int) -> None:
        with self._cpu.interrupts_masked():
            self._leave(self._checked(pin))
            self._bring(1 << pin, level << pin)

    def get(self, pin: int) -> int:
        return 1 if self._io.read32(IN) & 1 << self._checked(pin) else 0

    def watch(self, pin: int, edge: str) -> None:
        self._start(self._checked(pin), edge, ("count", 0))

    def edges(self, pin: int) -> int:
        job, count = self._jobs.get(self._checked(pin), ("count", 0))
        return count if job == "count" else 0

    def follow(self, source: int, target: int) -> None:
        self._checked(source)
        with self._cpu.interrupts_masked():
            self.output(target, self.get(source))
            self._start(source, "both", ("lead", target))
            self._lead(source, target)

    def _start(self, pin: int, edge: str, job: tuple[str, int]) -> None:
        bit = 1 << pin
        with self._cpu.interrupts_masked():
            self._modify(ENABLE, 0, bit)
            self._modify(HIGH, bit if edge == "rising" else 0, bit)
            self._modify(BOTH, bit if edge == "both" else 0, bit)
            self._io.write32(PENDING, bit)
            self._jobs[pin] = job
            self._modify(ENABLE, bit, bit)

    def _leave(self, target: int) -> None:
        for pin in [one for one, job in self._jobs.items() if job == ("lead", target)]:
            del self._jobs[pin]
            self._modify(ENABLE, 0, 1 << pin)

    def _modify(self, register: int, value: int, mask: int) -> None:
        self._io.write32(register, self._io.read32(register) & ~mask | value)

    def _bring(self, bit: int, wanted: int) -> None:
        if (self._io.read32(OUT) ^ wanted) & bit:
            self._io.write32(TOGGLE, bit)

    def _lead(self, source: int, target: int) -> None:
        self._bring(1 << target, self.get(source) << target)

    def _checked(self, pin: int) -> int:
        if pin >= 16 or pin < 0:
            raise ValueError("pins are numbered from 0 to 15")
        return pin

    def _interrupt(self) -> None:
        pending = self._io.read32(PENDING) & self._io.read32(ENABLE)
        if not pending:
            return
        bit = pending & -pending
        pin = bit.bit_length() - 1
        self._io.write32(PENDING, bit)
        job, number = self._jobs.get(pin, ("", 0))
        if job == "count":
            self._jobs[pin] = (job, number + 1)
        elif job == "lead":
            self._lead(pin, number)
