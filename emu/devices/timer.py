"""A timer: prescaler, one-shot or periodic count, compare, overflow, and a wide running counter.

The one idea: nothing ticks. The counter is worked out from the moment at which it was started, and
only the moments at which something happens, a match or the end of a period, are scheduled. The
register map is our own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

from emu.kernel.clock import PS_PER_S, Clock, Timer
from emu.kernel.device import Device
from emu.kernel.parameter import Parameter
from emu.kernel.register import Field, Register
from emu.units import parse_frequency

__all__ = ["IntervalTimer"]

_ENABLE, _PERIODIC, _END_IRQ, _MATCH_IRQ = 0x01, 0x02, 0x10, 0x20
_END, _MATCH, _MISSED = 0x01, 0x02, 0x04
_WORD = 0xFFFF_FFFF
_WIDE = (1 << 64) - 1


def _word(name: str, offset: int, meaning: str, field: str, each: str, **more: str) -> Register:
    """Declare a register that is one number of 32 bits."""
    one = Field(field, 0, 32, each, **more)  # type: ignore[arg-type]
    return Register(name, offset, (one,), width=32, meaning=meaning)


class IntervalTimer(Device):
    """Count ticks of a clock, up from 0.

    A tick is PRESCALE + 1 cycles of the input clock. COUNT runs from 0 to RELOAD, so a period is
    RELOAD + 1 ticks; at its end END is set and COUNT is 0 again, where a one-shot stops. MATCH is
    set in the tick in which COUNT becomes COMPARE; a COMPARE that is already behind matches in the
    next period, or never. An end that finds END still set sets MISSED too. PRESCALE and RELOAD
    written while it runs count from that moment on. LOW and HIGH are halves of a counter of input
    cycles that always runs; each is read by itself, as it is at that moment.

    Attributes:
        on_end: called at each end of a period, with whether END was still set.
    """

    KIND = "timer"
    MEANING = "interval timer with compare and a 64-bit cycle counter"
    REGISTERS: ClassVar[tuple[Register, ...]] = (
        Register("CONTROL", 0x00, (
            Field("ENABLE", 0, 1, "lets it count; falls at the end of a one-shot", hwclr=True),
            Field("PERIODIC", 1, 1, "begins again at the end of a period"),
            Field("END_IRQ", 4, 1, "END interrupts"),
            Field("MATCH_IRQ", 5, 1, "MATCH interrupts"),
            Field("RESTART", 8, 1, "COUNT is 0 again", sw="w", singlepulse=True),
        ), width=32, meaning="control"),
        Register("PRESCALE", 0x04, (Field("CYCLES", 0, 16, "input cycles a tick, less 1"),),
                 width=32, meaning="prescaler"),
        _word("RELOAD", 0x08, "length of a period", "TICKS", "ticks of a period, less 1"),
        _word("COMPARE", 0x0C, "compare", "TICKS", "the COUNT at which MATCH is set"),
        Register("STATUS", 0x10, (
            Field("END", 0, 1, "a period has ended", onwrite="woclr", hwset=True),
            Field("MATCH", 1, 1, "COUNT has become COMPARE", onwrite="woclr", hwset=True),
            Field("MISSED", 2, 1, "a period has ended while END was set", onwrite="woclr",
                  hwset=True),
        ), width=32, meaning="what has happened"),
        _word("COUNT", 0x14, "ticks of this period", "TICKS", "from 0 to RELOAD", sw="r"),
        _word("LOW", 0x18, "input cycles, low half", "CYCLES", "bits 31 to 0", sw="r"),
        _word("HIGH", 0x1C, "input cycles, high half", "CYCLES", "bits 63 to 32", sw="r"),
    )  # fmt: skip
    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Parameter("clock", parse_frequency, 1_000_000, "input clock"),
        Parameter("cycles", int, 0, "what HIGH and LOW begin at", None, ("integer",)),
    )
    NOTES: ClassVar[tuple[str, ...]] = (
        "A period is RELOAD + 1 ticks, and a tick is PRESCALE + 1 cycles of the clock.",
        "Write 1 to a bit of STATUS to clear it, and 0 to leave it: never read, change and write.",
        (
            "LOW may wrap between a read of HIGH and one of LOW: read HIGH, LOW and HIGH again "
            "until HIGH has stayed the same."
        ),
        (
            "COUNT may pass a COMPARE while it is being worked out and written: look at COUNT "
            "again afterwards."
        ),
    )

    def __init__(
        self, name: str, clock: Clock, settings: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(name, clock, settings)
        self._control, self._status = self.registers["CONTROL"], self.registers["STATUS"]
        self._prescale, self._reload = self.registers["PRESCALE"], self.registers["RELOAD"]
        self._compare = self.registers["COMPARE"]
        self._began_ps = 0  # when it was started, or its rate was changed
        self._zero = 0  # the tick since then at which COUNT was 0
        self._held = 0  # COUNT while it stands still
        self._end = Timer(clock, self._period_over)
        self._match = Timer(clock, self._matched)
        self._running = False
        self._born_ps = clock.now_ps
        self._irq_level = 0
        self.on_end: list[Callable[[bool], None]] = []

    # counting

    @property
    def _cycles_a_tick(self) -> int:
        return self._prescale.value + 1

    def _ps_of(self, ticks: int) -> int:
        """Return how long so many ticks take, in ps, rounded up to be over."""
        return -(-ticks * self._cycles_a_tick * PS_PER_S // self.clock_hz)

    def _count(self) -> int:
        if not self._running:
            return self._held
        gone_ps = self.clock.now_ps - self._began_ps
        return gone_ps * self.clock_hz // (self._cycles_a_tick * PS_PER_S) - self._zero

    def _begin(self, count: int) -> None:
        """Count on from `count` at this moment, if it is to count."""
        self._held = count
        self._running = bool(self._control.value & _ENABLE) and not self.halted
        self._began_ps, self._zero = self.clock.now_ps, -count
        self._plan(count)

    def _plan(self, count: int) -> None:
        """Wait for what comes next, `count` being the count now."""
        self._end.stop()
        if self._running:
            self._end.start(self._moment(max(self._reload.value, count) + 1))
        self._look_for_match(count)

    def _look_for_match(self, count: int) -> None:
        """Wait for a match that is still to come in this period."""
        self._match.stop()
        if self._running and count < self._compare.value <= self._reload.value:
            self._match.start(self._moment(self._compare.value))

    def _moment(self, count: int) -> int:
        """Return when a count of this period is reached, in ps."""
        return self._began_ps + self._ps_of(self._zero + count)

    def _period_over(self) -> None:
        merged = bool(self._status.value & _END)
        for told in self.on_end:
            told(merged)
        if merged:
            self._status.hw_set(_MISSED)
        self._status.hw_set(_END)
        if self._control.value & _PERIODIC:
            self._zero += self._count()  # the next begins here, and no error adds up
            self._plan(0)
            if not self._compare.value:
                self._status.hw_set(_MATCH)
        else:
            self._control.hw_clear(_ENABLE)
            self._begin(0)
        self._update_irq()

    def _matched(self) -> None:
        self._status.hw_set(_MATCH)
        self._update_irq()

    def _update_irq(self) -> None:
        control, status = self._control.value, self._status.value
        asks = (control & _END_IRQ and status & _END) or (control & _MATCH_IRQ and status & _MATCH)
        level = int(bool(asks) and not self.halted)
        if level != self._irq_level:
            self._irq_level = level
            self.irq.set(level)

    def on_reset(self) -> None:
        """Stand still at 0; the wide counter goes on."""
        self._running, self._held = False, 0
        self._begin(0)
        self._update_irq()

    def on_halt(self) -> None:
        """Stand still, or count on from there."""
        self._begin(self._count())
        self._update_irq()

    # registers

    def after_write_CONTROL(self, old: int, new: int) -> None:
        """Start, stop or restart."""
        if new & 0x100:
            self._begin(0)
        elif (old ^ new) & _ENABLE:
            self._begin(self._count())
        self._update_irq()

    def write_PRESCALE(self, data: int) -> None:
        """Change the length of a tick; what was counted so far stays."""
        count = self._count()
        self._prescale.write(data)
        self._begin(count)

    def after_write_RELOAD(self, _old: int, _new: int) -> None:
        """Change the length of a period; a count beyond it ends with the tick under way."""
        self._plan(self._count())

    def after_write_COMPARE(self, _old: int, _new: int) -> None:
        """Wait for the new match; one that is behind is not made up for."""
        self._look_for_match(self._count())

    def after_write_STATUS(self, _old: int, _new: int) -> None:
        """Let the interrupt line fall with what was cleared."""
        self._update_irq()

    def read_COUNT(self) -> int:
        """Return the ticks of this period."""
        return self._count() & _WORD

    peek_COUNT = read_COUNT

    @property
    def cycles(self) -> int:
        """What HIGH and LOW are halves of."""
        gone_ps, before = self.clock.now_ps - self._born_ps, int(self.settings["cycles"])
        return (before + gone_ps * self.clock_hz // PS_PER_S) & _WIDE

    def read_LOW(self) -> int:
        """Return the low half of the cycle counter, as it is now."""
        return self.cycles & _WORD

    def read_HIGH(self) -> int:
        """Return the high half of the cycle counter, as it is now."""
        return self.cycles >> 32

    peek_LOW, peek_HIGH = read_LOW, read_HIGH
