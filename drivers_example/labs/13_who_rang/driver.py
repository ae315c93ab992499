"""Keep time for the tide gauge: samples by the end of each period, alarms by compare."""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, PRESCALE, RELOAD, COMPARE, STATUS, COUNT, LOW, HIGH = range(0, 0x20, 4)
ENABLE, PERIODIC, END_IRQ, MATCH_IRQ, RESTART = 0x01, 0x02, 0x10, 0x20, 0x100
END, MATCH, MISSED = 0x01, 0x02, 0x04
RUN = ENABLE | PERIODIC
LONGEST = 2**32
FOREVER = 0xFFFF_FFFF


class SampleAndWake:
    """Count periods of one timer, and wake whoever waits for a moment."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self.missed = 0
        self._io = io
        self._cpu = cpu
        self._count = 0
        self._sampling = False
        self._due = 0
        self._rang = False

    def open(self) -> None:
        """Let the timer run freely, with nothing old in the status."""
        self._io.write32(CONTROL, 0)
        self._io.write32(PRESCALE, 0)
        self._io.write32(STATUS, END | MATCH | MISSED)
        self._count, self._sampling = 0, False
        self._cpu.connect(self._io.irq, self._serve)
        self._io.write32(RELOAD, FOREVER)
        self._io.write32(CONTROL, RUN | RESTART)

    def close(self) -> None:
        """Stop, and let go of the interrupt."""
        self._io.write32(CONTROL, 0)
        self._io.write32(STATUS, END | MATCH | MISSED)
        self._cpu.disconnect(self._io.irq, self._serve)

    def now(self) -> int:
        """Return the cycles counted, read until no carry came in between."""
        high = self._io.read32(HIGH)
        while True:
            low = self._io.read32(LOW)
            again = self._io.read32(HIGH)
            if again == high:
                return high << 32 | low
            high = again

    def every(self, cycles: int) -> None:
        """Begin to count periods of so many cycles, from 0."""
        if not 2 <= cycles <= LONGEST:
            raise ValueError(f"a period of {cycles} cycles; 2 to {LONGEST} can be made")
        self._io.write32(CONTROL, 0)
        self._io.write32(STATUS, END | MISSED)
        self._io.write32(RELOAD, cycles - 1)
        self._count, self._sampling = 0, True
        self._io.write32(CONTROL, RUN | END_IRQ | RESTART)

    def periods(self) -> int:
        """Return how many periods have ended."""
        return self._count

    def alarm(self, cycles: int, timeout: float | None = None) -> bool:
        """Wait until so many cycles have passed."""
        until = float("inf") if timeout is None else self._cpu.time() + timeout
        self._due = self.now() + cycles
        with self._cpu.interrupts_masked():
            self._rang = False
            self._set_compare()
            self._io.write32(STATUS, MATCH)
            self._io.write32(CONTROL, self._control() | MATCH_IRQ)
            self._look()
        while True:
            with self._cpu.interrupts_masked():
                left = until - self._cpu.time()
                if self._rang or left <= 0:
                    break
                self._cpu.wait_for_interrupt(left)
        self._io.write32(CONTROL, self._control())
        return self._rang

    def _set_compare(self) -> None:
        """Set COMPARE to where COUNT will be when the alarm is due, in this period or another."""
        ahead = self._due - self.now()
        period = self._io.read32(RELOAD) + 1
        self._io.write32(COMPARE, (self._io.read32(COUNT) + ahead) % period)

    def _control(self) -> int:
        return RUN | (END_IRQ if self._sampling else 0)

    def _look(self) -> None:
        """Let the alarm go off if it is due."""
        self._rang = self._rang or self.now() >= self._due

    def _serve(self) -> None:
        """Count what has ended, and see whether the alarm is due."""
        status = self._io.read32(STATUS)
        if status & END:
            self._io.write32(STATUS, status & (END | MISSED))
            self._count += self._sampling
            self.missed += self._sampling and bool(status & MISSED)
        if status & MATCH:
            self._look()
