"""A driver that keeps any number of deadlines with the machine timer of a RISC-V processor.

What it takes care of:

* MTIME is read high, low and high again, since its low half may carry in between;
* the high half of the compare is all ones while the low half changes, so it is never in the past;
* whenever the list changes the compare is written for the earliest deadline that is left, and all
  ones when none is, since nothing but a later compare takes the interrupt away;
* the list and the compare change together, with interrupts masked;
* a deadline is off the list before it is called, so its call may book and cancel others;
* the handler looks at the time, so being entered for nothing is harmless.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable

from emu import Cpu, Window

COMPARE_LOW, COMPARE_HIGH = 0x4000, 0x4004
TIME_LOW, TIME_HIGH = 0xBFF8, 0xBFFC
WORD = 0xFFFF_FFFF
NEVER = (1 << 64) - 1


class DeadlineKeeper:
    """Keep deadlines with one compare."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._waiting: list[tuple[int, int]] = []  # time and number, the earliest first
        self._calls: dict[int, Callable[[], None]] = {}  # by number
        self._last = 0  # number

    def open(self) -> None:
        """Begin with no deadline."""
        self._waiting, self._calls = [], {}
        self._arm()
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """Forget all deadlines, and let go."""
        with self._cpu.interrupts_masked():
            self._waiting, self._calls = [], {}
            self._arm()
            self._cpu.disconnect(self._io.irq, self._serve)

    def time(self) -> int:
        """Return the ticks counted, as they are at some moment of the call."""
        high = self._io.read32(TIME_HIGH)
        while True:
            low = self._io.read32(TIME_LOW)
            again = self._io.read32(TIME_HIGH)
            if again == high:
                return high << 32 | low
            high = again

    def book(self, ticks: int, call: Callable[[], None]) -> int:
        """Let a function be called at a time; the interrupt comes at once where it has passed."""
        if not 0 <= ticks <= NEVER:
            raise ValueError(f"the time never comes to {ticks}, only to {NEVER}")
        with self._cpu.interrupts_masked():
            self._last = number = self._last + 1
            self._calls[number] = call
            heapq.heappush(self._waiting, (ticks, number))
            if self._waiting[0][1] == number:
                self._arm()
        return number

    def cancel(self, number: int) -> bool:
        """Take a deadline back; its time may come all the same, and is passed over."""
        return self._calls.pop(number, None) is not None

    def _arm(self) -> None:
        """Let the interrupt come at the earliest deadline; called with interrupts masked."""
        ticks = self._waiting[0][0] if self._waiting else NEVER
        self._io.write32(COMPARE_HIGH, WORD)
        self._io.write32(COMPARE_LOW, ticks & WORD)
        self._io.write32(COMPARE_HIGH, ticks >> 32)

    def _serve(self) -> None:
        """Call what is due; where nothing is, do nothing."""
        while self._waiting and self._waiting[0][0] <= self.time():
            _, number = heapq.heappop(self._waiting)
            call = self._calls.pop(number, None)
            if call is not None:
                call()
        self._arm()
