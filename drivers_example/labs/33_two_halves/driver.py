"""Tell the time of the tide gauge from a counter of 64 bits, and count periods of a timer."""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, PRESCALE, RELOAD, COMPARE, STATUS, COUNT, LOW, HIGH = range(0, 0x20, 4)
ENABLE, PERIODIC, END_IRQ, RESTART = 0x01, 0x02, 0x10, 0x100
END, MATCH, MISSED = 0x01, 0x02, 0x04
LONGEST = 2**32
NAP_S = 20e-6


class TideClock:
    """Tell the time in cycles."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.missed = 0
        self._io = io
        self._cpu = cpu
        self._count = 0

    def open(self) -> None:
        """Stand still, with nothing old in the status, and listen to the timer."""
        self._io.write32(CONTROL, 0)
        self._io.write32(PRESCALE, 0)
        self._io.write32(STATUS, END | MATCH | MISSED)
        self._count = 0
        self._cpu.connect(self._io.irq, self._serve)

    def close(self) -> None:
        """Stop, and let go of the interrupt."""
        self._io.write32(CONTROL, 0)
        self._io.write32(STATUS, END | MATCH | MISSED)
        self._cpu.disconnect(self._io.irq, self._serve)

    def now(self) -> int:
        """Return the cycles that the timer has counted."""
        high = self._io.read32(HIGH)
        low = self._io.read32(LOW)
        return high << 32 | low

    def every(self, cycles: int) -> None:
        """Begin to count periods of so many cycles, from 0."""
        if not 2 <= cycles <= LONGEST:
            raise ValueError(f"a period of {cycles} cycles; 2 to {LONGEST} can be made")
        self._io.write32(CONTROL, 0)
        self._io.write32(STATUS, END | MISSED)
        self._io.write32(RELOAD, cycles - 1)
        self._count = 0
        self._io.write32(CONTROL, ENABLE | PERIODIC | END_IRQ | RESTART)

    def periods(self) -> int:
        """Return how many periods have ended."""
        return self._count

    def alarm(self, cycles: int, timeout: float | None = None) -> bool:
        """Nap until so many cycles have passed; the last look comes after the time is up."""
        due = self.now() + cycles
        until = float("inf") if timeout is None else self._cpu.time() + timeout
        while True:
            late = self._cpu.time() >= until
            if self.now() >= due:
                return True
            if late:
                return False
            self._cpu.sleep(NAP_S)

    def _serve(self) -> None:
        """Count the end of a period, if that is what has come."""
        status = self._io.read32(STATUS)
        self._io.write32(STATUS, status)
        self._count += bool(status & END)
        self.missed += bool(status & MISSED)
