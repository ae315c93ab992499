"""Keep time for the tide gauge: a sample each period, counted by interrupt, and short waits."""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, PRESCALE, RELOAD, COMPARE, STATUS, COUNT, LOW, HIGH = range(0, 0x20, 4)
ENABLE, PERIODIC, END_IRQ, RESTART = 0x01, 0x02, 0x10, 0x100
END, MATCH, MISSED = 0x01, 0x02, 0x04
SHORTEST, LONGEST = 2, 2**32


class SampleTimer:
    """Count periods of one timer."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.missed = 0
        self._io = io
        self._cpu = cpu
        self._count = 0

    def open(self) -> None:
        """Stand still, with a tick for each cycle of the clock, and listen to the timer."""
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

    def every(self, cycles: int) -> None:
        """Begin to count periods of so many cycles, from 0."""
        if not SHORTEST <= cycles <= LONGEST:
            raise ValueError(f"a period of {cycles} cycles; {SHORTEST} to {LONGEST} can be made")
        self._io.write32(CONTROL, 0)
        self._io.write32(STATUS, END | MISSED)
        self._count = 0
        self._io.write32(RELOAD, cycles)
        self._io.write32(CONTROL, ENABLE | PERIODIC | END_IRQ | RESTART)

    def periods(self) -> int:
        """Return how many periods have ended."""
        return self._count

    def now(self) -> int:
        """Return the cycles counted, read until no carry came in between."""
        high = self._io.read32(HIGH)
        while True:
            low = self._io.read32(LOW)
            again = self._io.read32(HIGH)
            if again == high:
                return high << 32 | low
            high = again

    def alarm(self, cycles: int, timeout: float | None = None) -> bool:
        """Sleep until so many cycles have passed, or for as long as the caller has time."""
        due = self.now() + cycles
        wait = cycles / self._io.clock_hz
        self._cpu.sleep(wait if timeout is None else min(wait, timeout))
        while timeout is None and self.now() < due:
            self._cpu.sleep(1 / self._io.clock_hz)
        return self.now() >= due

    def _serve(self) -> None:
        """Count the end of a period, if that is what has come."""
        status = self._io.read32(STATUS)
        self._io.write32(STATUS, status)
        self._count += bool(status & END)
        self.missed += bool(status & MISSED)
