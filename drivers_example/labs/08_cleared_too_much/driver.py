"""Count what comes to the pins of the tide gauge: two floats, a rain bucket, a door."""

from __future__ import annotations

from emu import Cpu, Window

IN, OUT, DIR, SET, CLEAR, TOGGLE = range(0x00, 0x18, 4)
DRAIN, ENABLE, EDGE, HIGH, BOTH, PENDING = range(0x18, 0x30, 4)
ALL = 0xFFFF


class FloatCounter:
    """Drive, read and watch sixteen pins."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._counts: dict[int, int] = {}  # edges by pin that interrupts
        self._targets: dict[int, int] = {}  # the output that follows, by source

    def open(self) -> None:
        """Make every pin an input, whatever state they are in; none is watched."""
        self._io.write32(ENABLE, 0)
        self._io.write32(DIR, 0)
        self._io.write32(EDGE, ALL)
        self._io.write32(PENDING, ALL)
        self._counts, self._targets = {}, {}
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """Let go of every pin and of the interrupt."""
        self._io.write32(ENABLE, 0)
        self._io.write32(DIR, 0)
        self._cpu.disconnect(self._io.irq, self._serve)

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        """Make a pin an output; it has its level before it drives."""
        bit = _bit(pin)
        with self._cpu.interrupts_masked():
            self._part(pin)
            if level:
                self._change(DRAIN, bit, open_drain)
            self._io.write32(SET if level else CLEAR, bit)
            self._change(DRAIN, bit, open_drain)
            self._change(DIR, bit, 1)

    def input(self, pin: int) -> None:
        """Let go of a pin."""
        bit = _bit(pin)
        with self._cpu.interrupts_masked():
            self._part(pin)
            self._change(DIR, bit, 0)

    def set(self, pin: int, level: int) -> None:
        """Set an output to a level."""
        bit = _bit(pin)
        with self._cpu.interrupts_masked():
            self._part(pin)
            self._io.write32(SET if level else CLEAR, bit)

    def get(self, pin: int) -> int:
        """Return the level that a pin shows."""
        return int(_bit(pin) & self._io.read32(IN) != 0)

    def watch(self, pin: int, edge: str) -> None:
        """Begin to count the edges of a pin, from 0."""
        bit = _bit(pin)
        with self._cpu.interrupts_masked():
            self._targets.pop(pin, None)
            self._counts[pin] = 0
            self._sense(bit, edge)

    def edges(self, pin: int) -> int:
        """Return how many edges of a watched pin came."""
        _bit(pin)
        return self._counts.get(pin, 0)

    def follow(self, source: int, target: int) -> None:
        """Make `target` an output that has the level of `source`."""
        bit, _ = _bit(source), _bit(target)
        with self._cpu.interrupts_masked():
            self._counts[source] = 0
            self._sense(bit, "both")
            self.output(target, self.get(source))
            self._targets[source] = target

    def _part(self, target: int) -> None:
        self._targets = {one: other for one, other in self._targets.items() if other != target}

    def _sense(self, bit: int, edge: str) -> None:
        """Sense edges of a pin from now on; called with interrupts masked."""
        self._change(ENABLE, bit, 0)
        self._change(HIGH, bit, edge == "rising")
        self._change(BOTH, bit, edge == "both")
        self._acknowledge(bit)
        self._change(ENABLE, bit, 1)

    def _acknowledge(self, bit: int) -> None:
        """Clear what is latched for a pin."""
        self._change(PENDING, bit, 1)

    def _change(self, register: int, bit: int, value: int) -> None:
        """Change one bit of a register; nobody may come in between."""
        before = self._io.read32(register)
        self._io.write32(register, before | bit if value else before & ~bit)

    def _serve(self) -> None:
        """Count the edges that have come, and let outputs follow."""
        for pin in self._counts:
            if self._io.read32(PENDING) >> pin & 1:
                self._acknowledge(1 << pin)
                self._counts[pin] += 1
                if pin in self._targets:
                    self._io.write32(SET if self.get(pin) else CLEAR, 1 << self._targets[pin])


def _bit(pin: int) -> int:
    if not 0 <= pin < 16:
        raise ValueError(f"there is no pin {pin}, only 0 to 15")
    return 1 << pin
