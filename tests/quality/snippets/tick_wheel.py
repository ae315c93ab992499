"""A driver of deadlines that ticks: the compare moves on in even steps, and each step looks at all.

It never writes the compare for a deadline, and calls in no order, so nothing of that may be asked
of a driver.
"""

from __future__ import annotations

from collections.abc import Callable

from emu import Cpu, Window

COMPARE_LOW, COMPARE_HIGH = 0x4000, 0x4004
TIME_LOW, TIME_HIGH = 0xBFF8, 0xBFFC
STEPS_A_SECOND = 20_000
WIDE = 1 << 64


class TickWheel:
    """Look at all deadlines every 50 us, or every tick where ticks are longer."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._slots: dict[int, tuple[int, Callable[[], None]]] = {}
        self._step = max(1, io.clock_hz // STEPS_A_SECOND)

    def open(self) -> None:
        """Stand still until something is booked."""
        self._slots.clear()
        self._compare(WIDE - 1)
        self._cpu.connect(self._io.irq, self._tick)

    def close(self) -> None:
        """Stand still for good."""
        self._cpu.disconnect(self._io.irq)
        self._slots.clear()
        self._compare(WIDE - 1)

    def time(self) -> int:
        """Read until nothing carries."""
        while True:
            high, low, again = (self._io.read32(at) for at in (TIME_HIGH, TIME_LOW, TIME_HIGH))
            if high == again:
                return high << 32 | low

    def book(self, ticks: int, call: Callable[[], None]) -> int:
        """Call it at once if it is due, or take a slot and let the wheel turn."""
        if ticks not in range(WIDE):
            raise ValueError(ticks)
        with self._cpu.interrupts_masked():
            slot = next(one for one in range(len(self._slots) + 1) if one not in self._slots)
            if ticks <= self.time():
                call()
                return slot + WIDE
            if not self._slots:
                self._compare(min(self.time() + self._step, WIDE - 1))
            self._slots[slot] = ticks, call
        return slot

    def cancel(self, number: int) -> bool:
        """Empty a slot; the wheel stops by itself."""
        with self._cpu.interrupts_masked():
            return self._slots.pop(number, None) is not None

    def _compare(self, ticks: int) -> None:
        self._io.write32(COMPARE_HIGH, 0xFFFF_FFFF)
        self._io.write32(COMPARE_LOW, ticks & 0xFFFF_FFFF)
        self._io.write32(COMPARE_HIGH, ticks >> 32)

    def _tick(self) -> None:
        now = self.time()
        self._compare(min(now + self._step, WIDE - 1))
        for slot, (ticks, call) in list(self._slots.items()):
            if ticks <= now and self._slots.get(slot) == (ticks, call):
                del self._slots[slot]
                call()
        if not self._slots:
            self._compare(WIDE - 1)
