"""What the processor rules need to know of a 16550: see `emu.rules.processor.Served`."""

from __future__ import annotations

from collections.abc import Callable

from emu.kernel.callers import driver_stack
from emu.kernel.ports import Counts
from emu.kernel.where import Place
from emu.rules.context import Activation
from emu.rules.handler_path import HandlerPath
from emu.rules.uart16550 import UartWatch
from emu.rules.uart16550_state import DR, NEVER, THRE

__all__ = ["ServedUart"]

_OVERRUN = 0x02
_IER_DATA = 0x01
_IN_HANDLER, _IN_BLOCK = 0x100, 0x200  # bits of `Known.seen` that reading RBR clears
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
        accesses: counts the accesses to it: fresh reads, repeated reads, writes.

    Attributes:
        path: its data register.
    """

    def __init__(self, watch: UartWatch, accesses: Callable[[], Counts]) -> None:
        self.path = f"{watch.uart.name}.RBR"
        self._uart = watch.uart
        self._known = watch.known
        self._accesses = accesses
        self._set_aside = 0
        self._written_ps = NEVER
        self._count = NEVER

    def lost(self) -> bool:
        """Say whether OE is set and was not read yet."""
        return bool(self._uart.peek_LSR() & _OVERRUN)

    def margin_ps(self) -> int:
        """Return the time that an empty receiver takes to overrun, at the slower character time."""
        identity = self._uart.peek_IIR()
        depth = (64 if identity & 0x20 else 16) if identity & 0xC0 else 1
        return depth * self.unit_ps()

    def unit_ps(self) -> int:
        """Return the time of a character, the slower of what is set and what was asked for."""
        line = self._known.line
        return max(self._uart.transmitter.frame_ps, line.character_ps if line else 0)

    def waiting_ps(self) -> int:
        """Return for how long received data has been announced by interrupt, 0 if it is not."""
        uart = self._uart
        if not uart.irq.level or uart.peek_IIR() & 0x0F not in (0x4, 0xC):
            return 0
        return uart.clock.now_ps - uart.irq.pieces[-1][0]

    def begin_block(self) -> bool:
        """Begin to notice whether a masked block reads RBR; see `Served`."""
        known = self._known
        if known.ier == NEVER or not known.ier & _IER_DATA:
            return True
        known.seen |= _IN_BLOCK
        return self._uart.peek_LSR() & _OVERRUN != 0

    def end_block(self) -> bool:
        """Say whether RBR was not read since `begin_block`."""
        known = self._known
        untouched = known.seen & _IN_BLOCK
        known.seen &= ~_IN_BLOCK
        return untouched != 0

    def begin_handler(self) -> bool:
        """Set aside what the main code saw, so that the handler is judged by its own looks."""
        known = self._known
        seen = known.seen
        self._set_aside = seen & (DR | THRE)
        known.seen = seen & ~(DR | THRE) | _IN_HANDLER
        self._written_ps = known.written_ps
        return self._uart.peek_LSR() & _OVERRUN != 0

    def end_handler(self, ended: Activation) -> tuple[bool, str]:
        """Give the main code back what it saw, unless the handler has used it up.

        Main code that acts on a look that is used up has a race, and RBR and THR show it.
        """
        known, set_aside = self._known, self._set_aside
        untouched = known.seen & _IN_HANDLER != 0
        complaint = self._complaint(ended) if untouched else ""
        if untouched:
            known.seen = known.seen & ~_IN_HANDLER | set_aside & DR
        elif set_aside & DR:
            known.data_taken = driver_stack()
        if set_aside & THRE:
            if self._written_ps == known.written_ps:
                known.seen |= THRE
            else:
                known.room_taken = driver_stack()
        return untouched, complaint

    def _complaint(self, ended: Activation) -> str:
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
        if not knew or known.ier == NEVER or not known.ier & enable:
            return ""
        return f"it accessed nothing, and {text}" if looks == 0 else text

    def rule_for(self, complaint: str) -> str:
        """Tell a transmitter with nothing to send from everything else."""
        empty = complaint == _CAUSES[0x2][1]
        return "thr-interrupt-left-enabled" if empty else "handler-left-line-asserted"

    def reads(self) -> int:
        """Return how many reads were made."""
        fresh, again, _ = self._accesses()
        return fresh + again

    def place_for(self, complaint: str, path: HandlerPath) -> Place | None:
        """Return where the cause was enabled if the handler did that itself, or fell through."""
        known = self._known
        if complaint == _CAUSES[0x2][1] and path.passed(known.ier_place):
            return known.ier_place
        return path.place()

    def _looks(self) -> int:
        """Count accesses since the end of the last run that left its cause; -1 if there is none."""
        count = sum(self._accesses())
        before, self._count = self._count, count
        return NEVER if before == NEVER else count - before
