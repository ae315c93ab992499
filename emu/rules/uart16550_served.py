"""What the processor rules need to know of a 16550: see `emu.rules.processor.Served`."""

from __future__ import annotations

from collections.abc import Callable

from emu.rules.context import Activation
from emu.rules.uart16550 import UartWatch
from emu.rules.uart16550_state import DR, NEVER, THRE

__all__ = ["ServedUart"]

_OVERRUN = 0x02
_IER_DATA = 0x01
_CAUSES = {
    0x0: (0x08, "the modem lines changed and MSR was not read"),
    0x2: (0x02, "the transmitter is empty and nothing was written"),
    0x4: (0x01, "received data is waiting"),
    0x6: (0x04, "a line error is shown and LSR was not read"),
    0xC: (0x01, "received data has been waiting for long"),
}


class ServedUart:
    """Answer for one controller.

    Args:
        watch: what its driver knows.
        accesses: counts the accesses to it.

    Attributes:
        path: its data register.
    """

    def __init__(self, watch: UartWatch, accesses: Callable[[], int]) -> None:
        self.path = f"{watch.uart.name}.RBR"
        self._uart = watch.uart
        self._known = watch.known
        self._accesses = accesses
        self._set_aside = 0
        self._written_ps = NEVER
        self._count = NEVER

    @property
    def wants(self) -> bool:
        """Whether the driver asked to be interrupted for received data."""
        ier = self._known.ier
        return ier != NEVER and ier & _IER_DATA != 0

    def lost(self) -> bool:
        """Say whether OE is set and was not read yet."""
        return bool(self._uart.peek_LSR() & _OVERRUN)

    def margin_ps(self) -> int:
        """Return the time that an empty receiver takes to overrun, at the slower character time."""
        identity = self._uart.peek_IIR()
        depth = (64 if identity & 0x20 else 16) if identity & 0xC0 else 1
        character_ps = self._uart.transmitter.frame_ps
        line = self._known.line
        return depth * max(character_ps, line.character_ps if line else 0)

    def mark(self, bit: int) -> bool:
        """Set a bit that reading RBR clears, and return `lost`."""
        self._known.seen |= bit
        return bool(self._uart.peek_LSR() & _OVERRUN)

    def untouched(self, bit: int) -> bool:
        """Say whether the bit is still set, and clear it."""
        still = bool(self._known.seen & bit)
        self._known.seen &= ~bit
        return still

    def begin_handler(self) -> None:
        """Set aside what the main code saw, so that the handler is judged by its own looks."""
        known = self._known
        self._set_aside = known.seen & (DR | THRE)
        known.seen &= ~(DR | THRE)
        self._written_ps = known.written_ps

    def end_handler(self, *, untouched: bool) -> None:
        """Give the main code back what it saw, unless the handler has used it up.

        Main code that acts on a look that is used up has a race, and RBR and THR show it.
        """
        known = self._known
        if untouched:
            known.seen |= self._set_aside & DR
        if self._written_ps == known.written_ps:
            known.seen |= self._set_aside & THRE

    def complaint(self, ended: Activation) -> str:
        """Name the cause that is left, if the handler knew it or looked at nothing at all.

        What the driver has disabled, as far as it knows, is no cause.
        """
        uart, known = self._uart, self._known
        acted = ended.acted or known.written_ps != self._written_ps
        if acted or ended.disturbed or not uart.irq.level:
            self._count = NEVER
            return ""
        cause = uart.peek_IIR() & 0x0F
        looks = self._looks()
        if cause in (0x4, 0xC):
            # LSR may have told another story than IIR, so the handler must have read IIR alone
            knew = known.seen & DR or looks == ended.identified
        elif cause == 0x2:
            knew = known.seen & THRE or looks == 0
        else:
            knew = ended.identified or looks == 0
        enable, text = _CAUSES.get(cause, (0, ""))
        return text if knew and known.ier != NEVER and known.ier & enable else ""

    def rule_for(self, complaint: str) -> str:
        """Tell a transmitter with nothing to send from everything else."""
        empty = complaint == _CAUSES[0x2][1]
        return "thr-interrupt-left-enabled" if empty else "handler-left-line-asserted"

    def _looks(self) -> int:
        """Count accesses since the end of the last run that left its cause; -1 if there is none."""
        count = self._accesses()
        before, self._count = self._count, count
        return NEVER if before == NEVER else count - before
