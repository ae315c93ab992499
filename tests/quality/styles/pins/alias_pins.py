"""Set and clear aliases for every level, edges for what is counted, levels for what is followed.

A pin that is followed senses the level that it has not: when it comes there, the output is set and
the other level is sensed. The handler serves until nothing is left.
"""

from __future__ import annotations

from emu import Cpu, Window

IN, OUT, DIR, SET, CLEAR, TOGGLE = range(0x00, 0x18, 4)
DRAIN, ENABLE, EDGE, HIGH, BOTH, PENDING = range(0x18, 0x30, 4)
ALL = 0xFFFF


class AliasPins:
    """Change levels in one access each, and follow by levels."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._seen = [0] * 16
        self._targets: list[int | None] = [None] * 16  # by source
        self._active = 0

    def open(self) -> None:
        for register in (DIR, ENABLE, DRAIN, EDGE, HIGH, BOTH):
            self._io.write32(register, 0)
        self._io.write32(PENDING, ALL)
        self._seen = [0] * 16
        self._targets = [None] * 16
        self._active = 0
        self._cpu.connect(self._io.irq, self._handle)

    def close(self) -> None:
        with self._cpu.interrupts_masked():
            self._active = 0
            self._io.write32(ENABLE, 0)
            self._io.write32(DIR, 0)
            self._cpu.disconnect(self._io.irq, self._handle)

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        self._check(pin)
        with self._cpu.interrupts_masked():
            self._release(pin)
            self._drive(pin, level, open_drain)

    def input(self, pin: int) -> None:
        self._check(pin)
        with self._cpu.interrupts_masked():
            self._release(pin)
            self._clear_bit(DIR, pin)

    def set(self, pin: int, level: int) -> None:
        self._check(pin)
        if pin in self._targets:
            with self._cpu.interrupts_masked():
                self._release(pin)
        self._io.write32(SET if level else CLEAR, 1 << pin)

    def get(self, pin: int) -> int:
        self._check(pin)
        return self._io.read32(IN) >> pin & 1

    def watch(self, pin: int, edge: str) -> None:
        self._check(pin)
        with self._cpu.interrupts_masked():
            self._targets[pin] = None
            self._clear_bit(ENABLE, pin)
            self._set_bit(EDGE, pin)
            (self._set_bit if edge == "rising" else self._clear_bit)(HIGH, pin)
            (self._set_bit if edge == "both" else self._clear_bit)(BOTH, pin)
            self._io.write32(PENDING, 1 << pin)
            self._seen[pin] = 0
            self._active |= 1 << pin
            self._set_bit(ENABLE, pin)

    def edges(self, pin: int) -> int:
        self._check(pin)
        return self._seen[pin]

    def follow(self, source: int, target: int) -> None:
        self._check(source)
        self._check(target)
        with self._cpu.interrupts_masked():
            self._release(target)
            self._targets[source] = target
            self._clear_bit(ENABLE, source)
            self._clear_bit(EDGE, source)
            level = self.get(source)
            self._drive(target, level, open_drain=False)
            (self._clear_bit if level else self._set_bit)(HIGH, source)
            self._active |= 1 << source
            self._set_bit(ENABLE, source)

    def _drive(self, pin: int, level: int, open_drain: bool) -> None:
        drain = self._set_bit if open_drain else self._clear_bit
        if not level:
            self._io.write32(CLEAR, 1 << pin)
        drain(DRAIN, pin)
        if level:
            self._io.write32(SET, 1 << pin)
        self._set_bit(DIR, pin)

    def _release(self, target: int) -> None:
        for source, other in enumerate(self._targets):
            if other == target:
                self._targets[source] = None
                self._clear_bit(ENABLE, source)
                self._active &= ~(1 << source)

    def _set_bit(self, register: int, pin: int) -> None:
        self._io.write32(register, self._io.read32(register) | 1 << pin)

    def _clear_bit(self, register: int, pin: int) -> None:
        self._io.write32(register, self._io.read32(register) & ~(1 << pin))

    def _check(self, pin: int) -> None:
        if pin not in range(16):
            raise ValueError(f"no pin {pin}")

    def _handle(self) -> None:
        for _ in range(64):
            pending = self._io.read32(PENDING) & self._active
            if not pending:
                return
            for pin in range(16):
                if pending >> pin & 1:
                    self._take(pin)

    def _take(self, pin: int) -> None:
        target = self._targets[pin]
        if target is None:
            self._io.write32(PENDING, 1 << pin)
            self._seen[pin] += 1
            return
        level = self.get(pin)
        self._io.write32(SET if level else CLEAR, 1 << target)
        (self._clear_bit if level else self._set_bit)(HIGH, pin)
