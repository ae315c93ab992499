"""A copy of every register that is written, changed and written out with interrupts masked.

Edges that are counted are asked for: PENDING is looked at when somebody wants the count, without an
interrupt. Only pins that are followed interrupt.
"""

from __future__ import annotations

from emu import Cpu, Window

IN, OUT, DIR, SET, CLEAR, TOGGLE = range(0x00, 0x18, 4)
DRAIN, ENABLE, EDGE, HIGH, BOTH, PENDING = range(0x18, 0x30, 4)


class ShadowPins:
    """Write whole registers from copies, and count by looking."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._copy: dict[int, int] = {}
        self._counts: dict[int, int] = {}
        self._pairs: list[tuple[int, int]] = []

    def open(self) -> None:
        self._counts, self._pairs = {}, []
        self._copy = {DIR: 0, ENABLE: 0, OUT: 0, DRAIN: 0, EDGE: 0xFFFF, HIGH: 0, BOTH: 0}
        for register, value in self._copy.items():
            self._io.write32(register, value)
        self._io.write32(PENDING, 0xFFFF)
        self._cpu.connect(self._io.irq, self._handler)

    def close(self) -> None:
        self._put(ENABLE, 0xFFFF, 0)
        self._put(DIR, 0xFFFF, 0)
        self._cpu.disconnect(self._io.irq)

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        self._known(pin)
        with self._cpu.interrupts_masked():
            self._forget_target(pin)
            self._become_output(pin, level, open_drain=open_drain)

    def input(self, pin: int) -> None:
        self._known(pin)
        with self._cpu.interrupts_masked():
            self._forget_target(pin)
            self._put(DIR, 1 << pin, 0)

    def set(self, pin: int, level: int) -> None:
        self._known(pin)
        with self._cpu.interrupts_masked():
            self._forget_target(pin)
            self._put(OUT, 1 << pin, level)

    def get(self, pin: int) -> int:
        self._known(pin)
        return self._io.read32(IN) >> pin & 1

    def watch(self, pin: int, edge: str) -> None:
        self._known(pin)
        with self._cpu.interrupts_masked():
            self._forget_source(pin)
            self._sense(pin, edge)
            self._counts[pin] = 0

    def edges(self, pin: int) -> int:
        self._known(pin)
        with self._cpu.interrupts_masked():
            self._look()
            return self._counts.get(pin, 0)

    def follow(self, source: int, target: int) -> None:
        self._known(source)
        self._known(target)
        with self._cpu.interrupts_masked():
            self._forget_target(target)
            self._forget_source(source)
            self._counts.pop(source, None)
            self._sense(source, "both")
            self._pairs.append((source, target))
            self._become_output(target, self.get(source), open_drain=False)
            self._put(ENABLE, 1 << source, 1)

    def _become_output(self, pin: int, level: int, *, open_drain: bool) -> None:
        steps = [(OUT, level), (DRAIN, int(open_drain))]
        for register, value in reversed(steps) if level else steps:
            self._put(register, 1 << pin, value)
        self._put(DIR, 1 << pin, 1)

    def _forget_target(self, pin: int) -> None:
        for source in [one for one, target in self._pairs if target == pin]:
            self._forget_source(source)

    def _forget_source(self, pin: int) -> None:
        self._pairs = [pair for pair in self._pairs if pair[0] != pin]
        self._put(ENABLE, 1 << pin, 0)

    def _sense(self, pin: int, edge: str) -> None:
        self._put(HIGH, 1 << pin, int(edge == "rising"))
        self._put(BOTH, 1 << pin, int(edge == "both"))
        self._io.write32(PENDING, 1 << pin)

    def _put(self, register: int, bits: int, value: int) -> None:
        """Set or clear bits of a copy, and write all of it."""
        with self._cpu.interrupts_masked():
            before = self._copy[register]
            self._copy[register] = before | bits if value else before & ~bits
            self._io.write32(register, self._copy[register])

    def _known(self, pin: int) -> None:
        if not 0 <= pin <= 15:
            raise ValueError(pin)

    def _look(self) -> None:
        """Take what is latched of the pins that are counted."""
        counted = sum(1 << pin for pin in self._counts)
        latched = self._io.read32(PENDING) & counted
        if latched:
            self._io.write32(PENDING, latched)
        for pin in self._counts:
            self._counts[pin] += latched >> pin & 1

    def _handler(self) -> None:
        for source, target in self._pairs:
            if self._io.read32(PENDING) >> source & 1:
                self._io.write32(PENDING, 1 << source)
                self._put(OUT, 1 << target, self._io.read32(IN) >> source & 1)
