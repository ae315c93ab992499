"""Rules about the data of a 16550: read where none is, written where no room is, errors lost.

The one idea: the registers are wrapped so thinly that a stream of characters hardly feels it (a
few attribute accesses on LSR, RBR and THR), and every judgement is made on the rare path: no
credit left, an error bit. What the driver knows is in `Known`. Each rule says in its docstring why
a correct driver cannot trip it. The settings are in `emu.rules.uart16550_settings`, checks at the
boundaries of calls in `emu.rules.uart16550_calls`.
"""

from __future__ import annotations

from emu.kernel.bus import BusError
from emu.kernel.callers import Stack, driver_stack, meeting
from emu.kernel.device import BurstPort, ReadPort, WritePort
from emu.kernel.where import Place, driver_place
from emu.rules.context import Activation
from emu.rules.lost_errors import LostErrors
from emu.rules.uart16550_access import UartAccess
from emu.rules.uart16550_state import DR, FLAGS_SHOWN, NEVER, TEMT, THRE

__all__ = ["UartWatch"]

_ALL_ONES = 0xFF
_BAD_CHARACTER = 0x1C
_FIFO_ERROR = 0x80
_IIR_NONE = 1
_IDLE_WITH_FIFO, _DATA_WITH_FIFO = 0xC1, 0xC4
_IIR_THRE, _IIR_DATA, _IIR_TIMEOUT = 0x2, 0x4, 0xC


class UartWatch:
    """Watch the accesses to one controller.

    Args:
        access: what is noted of any access.
        lost: where error bits that the driver was shown go.

    Attributes:
        uart: the controller.
        known: what the driver knows.
    """

    def __init__(self, access: UartAccess, lost: LostErrors) -> None:
        self.access = access
        self.uart = uart = access.uart
        self.known = access.known
        self._context = access.context
        self._board = access.board
        self._lost = lost
        ports = uart.ports
        ports["LSR"].wrap_read(self._wrap_lsr)
        ports["RBR"].wrap_read(self._wrap_rbr, self._wrap_rbr_burst)
        ports["THR"].wrap_write(self._wrap_thr)
        ports["IIR"].wrap_read(self._wrap_iir)
        ports["MSR"].wrap_read(lambda read: access.cold_read("MSR", read, access.act))

    # the leeway that the generic rules ask for

    def meant(self, register: str) -> bool:
        """Say whether an access that reached IER was meant for it and not for DLM."""
        return register != "IER" or not self.known.divisor_shown(self.uart)

    def spare(self, register: str) -> int:
        """Return the bits for automatic flow control and sleep of parts with 64 bytes.

        Source: TL16C750, Texas Instruments, SLLS191C: MCR bit 5, IER bits 4 and 5.
        """
        if self.uart.settings["fifo"] != 64:
            return 0
        return {"MCR": 0x20, "IER": 0x30}.get(register, 0)

    # the hot path

    def _wrap_lsr(self, read: ReadPort) -> ReadPort:
        known = self.known
        noted, failed = self._lsr_noted, self.access.failed

        def read_lsr() -> int:
            try:
                value = read()
            except BusError:
                failed("LSR")
                raise
            known.seen |= value
            if value & known.notable or known.odd:
                noted(value)
            return value

        return read_lsr

    def _wrap_rbr(self, read: ReadPort) -> ReadPort:
        known = self.known
        unpromised, failed = self._rbr_unpromised, self.access.failed

        def read_rbr() -> int:
            if known.promised:
                known.promised -= 1
            elif not known.seen & DR:
                unpromised()
            known.seen &= 0xFE
            try:
                return read()
            except BusError:
                failed("RBR")
                raise

        return read_rbr

    def _wrap_rbr_burst(self, burst: BurstPort) -> BurstPort:
        """Let those reads come at once that were promised."""
        known = self.known

        def burst_rbr(most: int, step_ps: int) -> list[int]:
            row = burst(min(most, known.promised), step_ps)
            if row:
                known.promised -= len(row)
                known.seen &= 0xFE
            return row

        return burst_rbr

    def _wrap_thr(self, write: WritePort) -> WritePort:
        known, clock = self.known, self.uart.clock
        refill, unasked, failed = self.access.refill, self._thr_unasked, self.access.failed

        def write_thr(value: int) -> None:
            if known.seen & THRE:
                refill()
            if known.room > 0 and not known.odd:
                known.room -= 1
            elif not unasked():
                write(value)
                return
            known.own = True
            known.filled += 1
            known.written_ps = clock.now_ps
            try:
                write(value)
            except BusError:
                failed("THR")
                raise

        return write_thr

    # what lies off the hot path

    # LSR

    def _lsr_noted(self, value: int) -> None:
        """Look closer at a line status."""
        known, here = self.known, self._context.here()
        if known.odd:
            self.access.touched("LSR")
        if value == _ALL_ONES:
            here.disturbed = True
            return
        if value & (THRE | TEMT) == THRE and known.finishing:
            known.idle_place = driver_place()
        if value & DR and known.unarmed is not None:
            known.unarmed()
        if known.stale and not value & DR and self.uart.receive_level:
            known.stale = 0  # it was told that nothing is there
        if value & _FIFO_ERROR and value & DR:
            known.doubted, known.promised = known.promised, 0
        if value & 0x1E:
            here.acted = True
            if not here.setting_up and not self.uart.looped:
                bad = value & _BAD_CHARACTER and value & DR
                bad_character = bool(bad and not known.seen & FLAGS_SHOWN)
                known.seen |= FLAGS_SHOWN if bad else 0
                self._lost.shown(here, overrun=bool(value & 0x02), bad_character=bad_character)

    # RBR

    def _rbr_unpromised(self) -> None:
        """Suspect a read without a reason of reading nothing (``read-when-empty``).

        No false alarm: harmless if a character was there after all. ``open`` and ``close`` may
        clear the receiver blindly, and so may whoever sets the device up again, clears a FIFO or
        copes with a fault in the same call.
        """
        if self.known.odd:
            self.access.touched("RBR")
        here, known = self._context.here(), self.known
        if known.doubted and self.uart.receive_level:
            known.doubted -= 1
        if not here.name or here.setting_up or self.uart.receive_level or self.uart.looped:
            return
        place = self._overtaken(known.data_taken)
        text = (
            "a handler took the character that this code had seen, since interrupts were let in "
            "between the look and the read: RBR is read while empty"
            if place
            else "read without a character, and neither LSR nor an interrupt had announced one"
        )
        self._context.hold(
            "read-when-empty", text, register=f"{self.uart.name}.RBR", place=place,
            excused=lambda: here.troubled,
        )  # fmt: skip

    # THR

    def _thr_unasked(self) -> bool:
        """Suspect a write beyond what THRE allows (``write-when-full``).

        No false alarm: harmless if there was room after all, as after waiting long enough. The
        measuring of a FIFO in loopback, ``open`` and ``close`` are left alone, and so is whoever
        sets the device up again or copes with a fault in the same call.

        Returns:
            Whether the driver meant to send: not when it took the divisor latch to be here.
        """
        known, here = self.known, self._context.here()
        if not here.name or known.divisor_shown(self.uart):
            return False
        if known.odd:
            self.access.touched("THR")
        known.probed |= self.uart.looped
        if here.setting_up or self.uart.looped or self.uart.transmit_room > 0:
            return True
        place = self._overtaken(known.room_taken)
        text = (
            "a handler used the room that this code had seen, since interrupts were let in between "
            "the look and the write: THR is written while full"
            if place
            else "written while the transmitter had no room, and THRE had not been seen since it "
            f"was last filled with {known.filled}"
        )
        self._context.hold(
            "write-when-full", text, register=f"{self.uart.name}.THR", place=place,
            excused=lambda: here.troubled,
        )  # fmt: skip
        return True

    def _overtaken(self, interrupted: Stack | None) -> Place | None:
        """Return where a handler came in between a look and what relied on it, None if none did.

        That is in the innermost function that both belong to.
        """
        if interrupted is None or self._board.cpu.depth:
            return None
        met = meeting(interrupted, driver_stack())
        return met[0] if met else None

    # IIR

    def _wrap_iir(self, read: ReadPort) -> ReadPort:
        """Note what an interrupt identification promises; a handler reads it once or twice."""
        known, here = self.known, self._context.here
        noted, failed = self._iir_noted, self.access.failed

        def read_iir() -> int:
            try:
                value = read()
            except BusError:
                failed("IIR")
                raise
            if known.odd or not known.fifo_shown:
                noted(value, here())
            elif value == _DATA_WITH_FIFO:
                here().identified += 1
                known.promised = max(known.promised, known.level)
            elif value != _IDLE_WITH_FIFO:
                noted(value, here())
            return value

        return read_iir

    def _iir_noted(self, value: int, here: Activation) -> None:
        known = self.known
        if known.odd:
            self.access.touched("IIR")
        if value == _ALL_ONES:
            here.disturbed = True
            return
        fifo = value & 0xC0
        known.fifo_shown |= fifo == 0xC0
        if value & 0xE0 == 0xE0:
            known.wide = True
            known.level = known.trigger(self.uart)
        known.fifo_denied |= not fifo and known.fcr != NEVER
        if value & _IIR_NONE:
            return
        here.identified += 1
        cause = value & 0x0F
        if cause == _IIR_DATA:
            known.promised = max(known.promised, known.trigger(self.uart))
        elif cause == _IIR_TIMEOUT:
            known.promised = max(known.promised, 1)
        elif cause == _IIR_THRE:
            known.seen |= THRE
            here.acted = True
            known.acked_ps, known.acked_place = self.uart.clock.now_ps, driver_place()
