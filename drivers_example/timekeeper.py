"""A driver that keeps time with the interval timer: periods by interrupt, alarms by compare.

What it takes care of:

* LOW may wrap between two reads, so HIGH is read on both sides of it;
* RELOAD holds a period less one cycle;
* COUNT may pass COMPARE while that is being written, so the time is looked at once more afterwards;
* a bit of STATUS is cleared by writing it alone, so nothing that comes meanwhile is lost;
* the handler looks at STATUS before it counts anything, so being entered for nothing is harmless.
"""

from __future__ import annotations

from emu import Cpu, Window

CONTROL, PRESCALE, RELOAD, COMPARE, STATUS, COUNT, LOW, HIGH = range(0, 0x20, 4)
ENABLE, PERIODIC, END_IRQ, MATCH_IRQ, RESTART = 0x01, 0x02, 0x10, 0x20, 0x100
END, MATCH, MISSED = 0x01, 0x02, 0x04
LONGEST = 2**32
FOREVER = 0xFFFF_FFFF


class Timekeeper:
    """Keep time with one timer."""

    def __init__(self, io: Window, cpu: Cpu) -> None:
        self._io = io
        self._cpu = cpu
        self._count = 0
        self._counting = False
        self._due: int | None = None  # when the alarm goes off, in cycles; None for no alarm
        self._rang = False
        self.missed = 0

    def open(self) -> None:
        """Let the timer run freely, so that there is always something to compare with."""
        self._io.write32(CONTROL, 0)
        self._count, self._counting = 0, False
        self._due, self._rang = None, False
        self._io.write32(PRESCALE, 0)
        self._io.write32(STATUS, END | MATCH | MISSED)
        self._cpu.connect(self._io.irq, self._serve)
        self._run(FOREVER, ENABLE | PERIODIC)

    def close(self) -> None:
        """Stop and let go."""
        self._io.write32(CONTROL, 0)
        self._io.write32(STATUS, END | MATCH | MISSED)
        self._cpu.disconnect(self._io.irq, self._serve)

    def now(self) -> int:
        """Return the cycles counted, as they are at some moment of the call."""
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
        self._count, self._counting = 0, True
        self._run(cycles - 1, ENABLE | PERIODIC | END_IRQ)

    def periods(self) -> int:
        """Return how many periods have ended."""
        return self._count

    def alarm(self, cycles: int, timeout: float | None = None) -> bool:
        """Wait until so many cycles have passed."""
        started = self._cpu.time()
        due = self.now() + cycles
        with self._cpu.interrupts_masked():
            self._due, self._rang = due, False
            period = self._io.read32(RELOAD) + 1
            ahead = due - self.now()  # before COUNT is read, so that the match is never early
            self._io.write32(COMPARE, (self._io.read32(COUNT) + ahead) % period)
            self._io.write32(STATUS, MATCH)
            control = ENABLE | PERIODIC | MATCH_IRQ | (END_IRQ if self._counting else 0)
            self._io.write32(CONTROL, control)
            self._look()
        while True:
            with self._cpu.interrupts_masked():
                if self._rang:
                    break
                left = None if timeout is None else started + timeout - self._cpu.time()
                if left is not None and left <= 0:
                    break
                self._cpu.wait_for_interrupt(left)
        self._due = None
        return self._rang

    def _run(self, reload: int, control: int) -> None:
        self._io.write32(RELOAD, reload)
        self._io.write32(CONTROL, control | RESTART)

    def _look(self) -> None:
        """Let the alarm go off if it is due."""
        if self._due is not None and not self._rang and self.now() >= self._due:
            self._rang = True

    def _serve(self) -> None:
        """Serve what has come; where nothing has, do nothing."""
        status = self._io.read32(STATUS)
        if not status:
            return
        self._io.write32(STATUS, status)
        if status & END and self._counting:
            self._count += 1
        if status & MISSED and self._counting:
            self.missed += 1
        if status & MATCH:
            self._look()
