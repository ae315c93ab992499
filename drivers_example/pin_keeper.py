"""A driver that keeps the pins of a tide gauge: float switches, a status lamp, the radio's power.

What it takes care of:

* OUT is changed by SET and CLEAR alone, so no pin that the handler or another task has just set is
  taken back;
* what cannot be changed in one access, such as DIR, is changed with interrupts masked;
* a pin has its level before it becomes an output, so no other level shows;
* the handler clears just the bits of PENDING that it serves, by writing them alone;
* it looks at PENDING before it counts anything, so being entered for nothing is harmless;
* what is old in PENDING is cleared before a pin is watched.
"""

from __future__ import annotations

from emu import Cpu, Window

IN, OUT, DIR, SET, CLEAR, TOGGLE = range(0x00, 0x18, 4)
DRAIN, ENABLE, EDGE, HIGH, BOTH, PENDING = range(0x18, 0x30, 4)
PINS = 16
ALL = (1 << PINS) - 1
SENSES = {"rising": (1, 0), "falling": (0, 0), "both": (0, 1)}  # HIGH, BOTH


class PinKeeper:
    """Drive, read and watch sixteen pins."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._counts: dict[int, int] = {}  # edges so far, by watched pin
        self._follows: dict[int, int] = {}  # target by source
        self._served = 0  # pins whose edges are served

    def open(self) -> None:
        """Make every pin an input, and begin anew."""
        self._io.write32(ENABLE, 0)
        self._io.write32(DIR, 0)
        self._counts.clear()
        self._follows.clear()
        self._served = 0
        self._io.write32(DRAIN, 0)
        self._io.write32(EDGE, ALL)
        self._io.write32(PENDING, ALL)
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """Let go of everything."""
        self._io.write32(ENABLE, 0)
        self._io.write32(DIR, 0)
        self._cpu.disconnect(self._io.irq, self._serve)

    def output(self, pin: int, level: int, open_drain: bool = False) -> None:
        """Make a pin an output at a level."""
        bit = _bit(pin)
        with self._cpu.interrupts_masked():
            self._end_following(pin)
            self._make_output(bit, level, open_drain)

    def input(self, pin: int) -> None:
        """Let go of a pin."""
        bit = _bit(pin)
        with self._cpu.interrupts_masked():
            self._end_following(pin)
            self._change(DIR, bit, 0)

    def set(self, pin: int, level: int) -> None:
        """Set an output to a level."""
        bit = _bit(pin)
        with self._cpu.interrupts_masked():
            self._end_following(pin)
            self._io.write32(SET if level else CLEAR, bit)

    def get(self, pin: int) -> int:
        """Return the level that a pin shows."""
        bit = _bit(pin)
        return int(self._io.read32(IN) & bit != 0)

    def watch(self, pin: int, edge: str) -> None:
        """Begin to count the edges of a pin, from 0."""
        bit = _bit(pin)
        with self._cpu.interrupts_masked():
            self._follows.pop(pin, None)
            self._counts[pin] = 0
            self._sense(bit, edge)

    def edges(self, pin: int) -> int:
        """Return how many edges came since `watch`."""
        _bit(pin)
        return self._counts.get(pin, 0)

    def follow(self, source: int, target: int) -> None:
        """Give an output the level of another pin, now and after each edge of that."""
        bit, other = _bit(source), _bit(target)
        with self._cpu.interrupts_masked():
            self._end_following(target)
            self._counts.pop(source, None)
            self._follows[source] = target
            self._sense(bit, "both")
            self._make_output(other, self.get(source), open_drain=False)

    def _make_output(self, bit: int, level: int, open_drain: bool) -> None:
        """Make a pin an output; it is let go before it would be driven high, not after."""
        if level:
            self._change(DRAIN, bit, open_drain)
            self._io.write32(SET, bit)
        else:
            self._io.write32(CLEAR, bit)
            self._change(DRAIN, bit, open_drain)
        self._change(DIR, bit, 1)

    def _end_following(self, target: int) -> None:
        self._follows = {one: other for one, other in self._follows.items() if other != target}

    def _sense(self, bit: int, edge: str) -> None:
        """Interrupt at edges of a pin from now on; called with interrupts masked."""
        high, both = SENSES[edge]
        self._change(ENABLE, bit, 0)
        self._change(HIGH, bit, high)
        self._change(BOTH, bit, both)
        self._io.write32(PENDING, bit)
        self._served |= bit
        self._change(ENABLE, bit, 1)

    def _change(self, register: int, bit: int, value: int) -> None:
        """Change one bit of a register; called with interrupts masked."""
        before = self._io.read32(register)
        self._io.write32(register, before | bit if value else before & ~bit)

    def _serve(self) -> None:
        """Serve what has come; where nothing has, do nothing."""
        pending = self._io.read32(PENDING) & self._served
        if not pending:
            return
        self._io.write32(PENDING, pending)
        for pin in self._counts:
            self._counts[pin] += pending >> pin & 1
        for source, target in self._follows.items():
            if pending >> source & 1:
                self._io.write32(SET if self.get(source) else CLEAR, _bit(target))


def _bit(pin: int) -> int:
    """Return the bit of a pin.

    Raises:
        ValueError: there is no such pin.
    """
    if not 0 <= pin < PINS:
        raise ValueError(f"there is no pin {pin}, only 0 to {PINS - 1}")
    return 1 << pin
