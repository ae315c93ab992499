"""Rules about a 16550: data read where none is, settings changed too early, errors lost.

The one idea: the registers are wrapped so thinly that a stream of characters hardly feels it (a
few attribute accesses on LSR, RBR and THR), and every judgement is made on the rare path: no
credit left, an error bit, a change of settings. What the driver knows is in `Known`. Each rule says
in its docstring why a correct driver cannot trip it. Checks at the boundaries of calls are in
`emu.rules.uart16550_calls`.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.devices.uart16550 import Uart16550
from emu.kernel.board import Board
from emu.kernel.bus import BusError
from emu.kernel.callers import Stack, asking_place, driver_stack, meeting
from emu.kernel.device import BurstPort, ReadPort, WritePort
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place
from emu.rules.context import Activation, Context
from emu.rules.lost_errors import LostErrors
from emu.rules.uart16550_state import DLAB, DR, LOOP, NEVER, TEMT, THRE, Known

__all__ = ["UartWatch"]

_ALL_ONES = 0xFF
_BAD_CHARACTER = 0x1C
_FIFO_ERROR = 0x80
_FLAGS_SHOWN = 0x800  # bit of `Known.seen` that reading RBR clears
_FORMAT, _BREAK = 0x3F, 0x40
_IIR_NONE = 1
_IDLE_WITH_FIFO, _DATA_WITH_FIFO = 0xC1, 0xC4
_IIR_THRE, _IIR_DATA, _IIR_TIMEOUT = 0x2, 0x4, 0xC


class UartWatch:
    """Watch the accesses to one controller.

    Args:
        uart: the controller.
        board: what it is on.
        context: who is running.
        lost: where error bits that the driver was shown go.

    Attributes:
        known: what the driver knows.
    """

    def __init__(self, uart: Uart16550, board: Board, context: Context, lost: LostErrors) -> None:
        self.uart = uart
        self.known = Known()
        self._board = board
        self._context = context
        self._lost = lost
        self._line = board.cpu.interrupts.lines.get(board.window(uart.name).irq)
        ports = uart.ports
        ports["LSR"].wrap_read(self._wrap_lsr)
        ports["RBR"].wrap_read(self._wrap_rbr, self._wrap_rbr_burst)
        ports["THR"].wrap_write(self._wrap_thr)
        ports["IIR"].wrap_read(self._wrap_iir)
        ports["MSR"].wrap_read(lambda read: self._cold_read("MSR", read, self._act))
        for name, kept in (("LCR", "lcr"), ("MCR", "mcr"), ("IER", "ier")):
            ports[name].wrap_read(self._comparing(name, kept))
        for name in ("DLL", "DLM"):
            ports[name].wrap_read(self._divisor_reader(name))
        for name, note in (
            ("LCR", self._lcr_write), ("MCR", self._mcr_write), ("IER", self._ier_write),
            ("FCR", self._fcr_write), ("DLL", self._dll_write), ("DLM", self._dlm_write),
        ):  # fmt: skip
            ports[name].wrap_write(self._cold_write(name, note))
        board.cpu.on_connect.append(self._connected)
        board.cpu.on_sleep.append(self._waits)
        board.window(uart.name).on_clock_asked = self._clock_asked

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
        noted, failed = self._lsr_noted, self._failed

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
        unpromised, failed = self._rbr_unpromised, self._failed

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
        refill, unasked, failed = self._refill, self._thr_unasked, self._failed

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

    def _failed(self, register: str) -> None:
        """Note a bus error: whoever runs may be in the middle of coping with it."""
        self._context.here().disturbed = True
        self._touched(register)

    def _touched(self, register: str) -> None:
        """Report an access when none may be (``touch-before-open``, ``touch-after-close``).

        No false alarm: the protocol forbids both. Only a call or handler that began after ``close``
        had returned is accused, and neither ``open`` nor a second ``close``.
        """
        known, here = self.known, self._context.here()
        if here.name == "__init__":
            self._report("touch-before-open", f"{register} accessed in __init__", register)
        elif (
            not known.is_open
            and known.closed_serial != NEVER
            and here.serial > known.closed_serial
            and here.name in ("handler", "read", "write", "drain")
            and here.port in ("", self.uart.name)
        ):
            by = "a handler" if here.name == "handler" else here.name
            self._report("touch-after-close", f"{register} accessed by {by} after close", register)

    def _report(self, rule: str, message: str, register: str) -> None:
        path = f"{self.uart.name}.{register}"
        self._context.findings.report(rule, message, register=path, place=asking_place())

    def _cold_read(self, name: str, read: ReadPort, note: Callable[[int], None]) -> ReadPort:
        def read_cold() -> int:
            try:
                value = read()
            except BusError:
                self._failed(name)
                raise
            if self.known.odd:
                self._touched(name)
            note(value)
            return value

        return read_cold

    def _cold_write(
        self, name: str, note: Callable[[int], None]
    ) -> Callable[[WritePort], WritePort]:
        def wrap(write: WritePort) -> WritePort:
            def write_cold(value: int) -> None:
                if not self._context.nobody:
                    if self.known.odd:
                        self._touched(name)
                    if name != "IER" or value != self.known.ier:
                        self._act(value)
                    note(value)
                    self._note_setting(name)
                try:
                    write(value)
                except BusError:
                    self._failed(name)
                    raise
                if name == "LCR" and value != self.uart.peek("LCR"):
                    self.known.misled = True

            return write_cold

        return wrap

    def _note_setting(self, name: str) -> None:
        """Note where a call that opens or closes wrote a setting last."""
        known = self.known
        if known.finishing:
            known.closing = asking_place()
        elif known.opening and name != "IER":
            code, line = driver_stack()[0]
            known.set_up_place = code.co_filename, line

    def _act(self, _value: int) -> None:
        """Note that a cause of an interrupt may have gone."""
        self._context.here().acted = True

    # LSR

    def _lsr_noted(self, value: int) -> None:
        """Look closer at a line status."""
        known, here = self.known, self._context.here()
        if known.odd:
            self._touched("LSR")
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
                bad_character = bool(bad and not known.seen & _FLAGS_SHOWN)
                known.seen |= _FLAGS_SHOWN if bad else 0
                self._lost.shown(here, overrun=bool(value & 0x02), bad_character=bad_character)

    # RBR

    def _rbr_unpromised(self) -> None:
        """Suspect a read without a reason of reading nothing (``read-when-empty``).

        No false alarm: harmless if a character was there after all. ``open`` and ``close`` may
        clear the receiver blindly, and so may whoever sets the device up again, clears a FIFO or
        copes with a fault in the same call.
        """
        if self.known.odd:
            self._touched("RBR")
        here, known = self._context.here(), self.known
        if known.doubted and self.uart.receive_level:
            known.doubted -= 1
        if not here.name or here.setting_up or self.uart.receive_level or self.uart.looped:
            return
        place = self._overtaken(known.data_taken)
        text = (
            "a handler had taken the character that this code had seen: RBR is read while empty"
            if place
            else "read without a character, and neither LSR nor an interrupt had announced one"
        )
        self._context.hold(
            "read-when-empty", text, register=f"{self.uart.name}.RBR", place=place,
            excused=lambda: here.troubled,
        )  # fmt: skip

    # THR

    def _refill(self) -> None:
        """Take THRE as word that the whole FIFO may be filled."""
        known = self.known
        known.room = known.depth(self.uart)
        known.filled = 0
        known.room_taken = None
        known.fed_by_handler |= self._board.cpu.depth > 0
        known.seen &= ~(THRE | TEMT)

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
            self._touched("THR")
        known.probed |= self.uart.looped
        if here.setting_up or self.uart.looped or self.uart.transmit_room > 0:
            return True
        place = self._overtaken(known.room_taken)
        text = (
            "a handler had used the room that this code had seen: THR is written while full"
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
        noted, failed = self._iir_noted, self._failed

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
            self._touched("IIR")
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

    # settings

    def _clock_asked(self) -> None:
        """Note where ``open`` asks for the clock, and so works out the divisor."""
        if self._context.here().name == "open":
            self.known.clock_place = driver_place()

    def _waits(self, _seconds: float, _waking: bool) -> None:
        """Note where ``close`` waits."""
        if self.known.finishing and not self._board.cpu.depth:
            self.known.waited = driver_stack()

    def _masks(self) -> None:
        """Note where ``close`` begins, should it never wait."""
        if not self.known.waited and not self._board.cpu.depth:
            self.known.waited = driver_stack()

    def follow_close(self, on: bool) -> None:
        """Look where ``close`` masks interrupts, or no longer."""
        observers = self._board.cpu.on_mask
        if on:
            observers.append(self._masks)
        elif self._masks in observers:
            observers.remove(self._masks)

    def _comparing(self, name: str, kept: str) -> Callable[[ReadPort], ReadPort]:
        """Note where a setting does not read back as written: the driver may be coping with it.

        What was written before ``open`` may have been changed by whoever had the device since.
        """

        def note(value: int) -> None:
            known = self.known
            earlier = known.opening and not getattr(known, f"{kept}_set")
            written = NEVER if earlier else getattr(known, kept)
            if name == "IER" and not self._board.cpu.depth:
                known.ier_read, known.handled_ier = value, None
            if value != self.uart.peek(name) or written not in (NEVER, value):
                self._context.here().disturbed = True
                self.known.ier_doubted |= name == "IER"

        return lambda read: self._cold_read(name, read, note)

    def _divisor_reader(self, name: str) -> Callable[[ReadPort], ReadPort]:
        def note(value: int) -> None:
            self._check_bank(name)
            self._act(value)  # it may have been meant for RBR
            written = self.known.dll if name == "DLL" else self.known.dlm
            if value != self.uart.peek(name) or written not in (NEVER, value):
                self.known.misled = True

        return lambda read: self._cold_read(name, read, note)

    def _lcr_write(self, value: int) -> None:
        known = self.known
        if (value ^ self.uart.peek("LCR")) & _FORMAT:
            self._check_leaving("LCR", "the word format is changed")
        elif value & ~self.uart.peek("LCR") & _BREAK:
            self._check_leaving("LCR", "a break is begun")
        known.lcr_by = here = self._context.here()
        here.configured = True
        known.odd = bool(value & DLAB) or not known.is_open
        known.lcr, known.lcr_set = value, True
        known.lcr_place = asking_place()
        known.lcr_stack = driver_stack() if value & DLAB else ()
        known.lcr_depth = self._board.cpu.depth

    def _mcr_write(self, value: int) -> None:
        known = self.known
        before = self.uart.peek("MCR") if known.mcr == NEVER else known.mcr
        if value & LOOP and not self.uart.looped:
            self._check_leaving("MCR", "loopback is turned on")
        if (value | before) & LOOP:
            self._context.here().configured = True
            known.own = False
        known.mcr, known.mcr_set = value, True
        known.mcr_place = asking_place()

    def _dll_write(self, value: int) -> None:
        if self._note_divisor("DLL", value):
            self.known.dll = value

    def _dlm_write(self, value: int) -> None:
        if self._note_divisor("DLM", value):
            self.known.dlm = value
        else:
            self._ier_meant(value)

    def _note_divisor(self, name: str, value: int) -> bool:
        """Take a write to the divisor latch in; return False if it was meant for THR or IER."""
        if not self.known.divisor_shown(self.uart):
            return False
        self._check_bank(name)
        if value != self.uart.peek(name):
            self._check_leaving(name, "the divisor is changed")
        self._context.here().configured = True
        self.known.divisor_place = place = asking_place()
        if name == "DLL":
            self.known.dll_place = place
        else:
            self.known.dlm_place = place
        return True

    def _check_bank(self, name: str) -> None:
        """Report a handler in the bank that the main code selected (``bank-clobbered``).

        No false alarm: a handler that wants the divisor latch selects it itself. Accused is only a
        handler nested in code that set DLAB, as far as that code knows, and has not cleared it.
        Named is the line that set DLAB; in an ``open`` that had let interrupts in, that one.
        """
        known, depth = self.known, self._board.cpu.depth
        if known.lcr == NEVER or not known.lcr & DLAB or depth <= known.lcr_depth:
            return
        place = known.lcr_place
        text = "DLAB is set here with interrupts on: a handler"
        if known.let_in is not None and known.let_in[0] is known.lcr_by:
            met = meeting(known.let_in[1], known.lcr_stack)
            place = met[0] if met else place
            text = "interrupts are let in here, before divisor and format are set: a handler"
        by = driver_place()
        text += f" came while DLAB was set and used offset {int(name == 'DLM')} at line {by[1]}"
        path = f"{self.uart.name}.{name}"
        self._context.findings.report("bank-clobbered", text, register=path, place=place)

    def _check_leaving(self, register: str, what: str) -> None:
        """Report a change under the driver's own characters.

        (``config-while-shifting``, ``thre-taken-for-idle``.) No false alarm: whoever saw TEMT after
        the last character, or waited for as long as what it wrote since THRE takes on the line, is
        not accused, even if the transmitter is stuck; nor who copes with a fault.
        """
        known = self.known
        if not self.still_sending or self._context.here().disturbed:
            return
        if known.seen & THRE:
            text = f"{what} while the last character is in the shift register: THRE was seen, TEMT "
            self._report("thre-taken-for-idle", text + "not", register)
        else:
            self._report("config-while-shifting", f"{what} while characters are leaving", register)

    @property
    def still_sending(self) -> bool:
        """Whether own characters are leaving and the driver had no reason to think they left."""
        known, uart = self.known, self.uart
        if not known.own or known.seen & TEMT or not uart.busy or uart.looped:
            return False
        character_ps = uart.transmitter.frame_ps
        if known.line is not None:
            character_ps = min(character_ps, known.line.character_ps)
        return uart.clock.now_ps - known.written_ps < known.filled * character_ps

    # IER and the handler

    def _ier_write(self, value: int) -> None:
        if not self.known.divisor_shown(self.uart):
            self._ier_meant(value)

    def _ier_meant(self, value: int) -> None:
        known, cpu = self.known, self._board.cpu
        here = self._context.here()
        before, known.ier, known.ier_set = known.ier, value, True
        known.ier_place = asking_place()
        if value & 1:
            known.receive_off = None
        elif before != NEVER and before & 1 and not here.setting_up:
            known.receive_off = known.ier_place
        self._note_undone(value)
        if value & 0x0F and here.name == "open":
            known.let_in = here, driver_stack()
        nobody = self._line is not None and not self._line.handlers
        early = bool(value & 0x0F) and nobody and not cpu.masked and here.name == "open"
        known.early_place = known.ier_place if early else None

    def _note_undone(self, value: int) -> None:
        """Note where main code writes back to IER what a handler has cleared since it was read."""
        known = self.known
        if self._board.cpu.depth:
            known.handled_ier = value
            return
        known.main_ier_place = known.ier_place
        if known.ier_read is None or known.handled_ier is None:
            return
        if value & known.ier_read & ~known.handled_ier:
            known.undone, known.ier_read = known.ier_place, None

    def _connected(self, line: InterruptLine, on: bool) -> None:
        """Report interrupts that came before their handler (``enabled-before-handler``).

        No false alarm: a polled driver may enable causes to see them in IIR and connects nothing;
        with interrupts masked the order does not matter, nor does it while nothing has come.
        """
        known = self.known
        if line is not self._line or not on:
            return
        known.connect_place = driver_place()
        early, known.early_place = known.early_place, None
        if early is None or not self.uart.irq.level or self._context.here().disturbed:
            return
        self._context.findings.report(
            "enabled-before-handler",
            f"IER = {known.ier:#04x} let an interrupt in before a handler was connected",
            register=f"{self.uart.name}.IER",
            place=early,
        )

    # FCR

    def _fcr_write(self, value: int) -> None:
        known, here = self.known, self._context.here()
        if value & 2:
            self._check_throwing_away(value)
        self._check_unsent(value)
        known.cleared |= bool(value & 2) or bool(value & 1) != bool(self.uart.peek("IIR") & 0xC0)
        turned = known.fcr == NEVER or bool((known.fcr ^ value) & 1)
        known.fcr = value
        known.fcr_place = asking_place()
        known.wide |= bool(value & 0x20) and self.uart.settings["fifo"] == 64
        known.level = known.trigger(self.uart)
        if value & 6 or turned:
            here.flushed = True
        if value & 2 or turned:
            known.promised = 0
            known.seen &= ~(DR | _FLAGS_SHOWN)
        if value & 4 or turned:
            known.own = False
            self._refill()

    def _check_unsent(self, value: int) -> None:
        """Suspect the clearing of a transmit FIFO that holds characters of the driver's own.

        (``transmit-fifo-cleared``.) No false alarm: ``open`` may; so may whoever has waited for as
        long as the characters take, since they are stuck then, and whoever sets the device up again
        or copes with a fault in the same call. ``close`` has to wait so long, and is told where it
        waited last.
        """
        uart, here = self.uart, self._context.here()
        unsent, fifo_on = uart.transmit_level, bool(uart.peek("IIR") & 0xC0)
        clears = bool(value & 1) != fifo_on or bool(fifo_on and value & 4)
        has_fifo = uart.settings["fifo"] > 0
        closing = here.name == "close"
        if here.setting_up and not closing:
            return
        if not (unsent and clears and has_fifo and self.still_sending):
            return
        place = self._waited_before() if closing else None
        text = f"{unsent} characters that were handed over are thrown away unsent"
        self._context.hold(
            "transmit-fifo-cleared",
            f"close waits no longer here: {text}" if place else text,
            register=f"{uart.name}.FCR", place=place,
            excused=lambda: (here.configured and not closing) or here.disturbed,
        )  # fmt: skip

    def _waited_before(self) -> Place | None:
        """Return where a call waited last, in the function that also makes the access at hand."""
        known = self.known
        met = meeting(known.waited, driver_stack())
        return met[0] if met else None

    def _check_throwing_away(self, value: int) -> None:
        """Suspect the clearing of a receive FIFO that holds characters.

        (``fifo-cleared-with-data``.) No false alarm: ``open`` and ``close`` may, and so may whoever
        sets the device up again, turns FIFOs on that were off, was shown an error, or counts the
        loss by the end of the call.
        """
        uart, here = self.uart, self._context.here()
        fifo_on = uart.peek("IIR") & 0xC0
        level = uart.receive_level
        if here.setting_up or not level or not fifo_on or not value & 1 or uart.looped:
            return
        before = self._lost.overruns()
        if before is None or here.flags:
            return
        self._context.hold(
            "fifo-cleared-with-data",
            f"{level} received characters are thrown away unread",
            register=f"{uart.name}.FCR",
            excused=lambda: here.configured or here.disturbed or bool(here.flags)
            or self._lost.overruns() != before,
        )  # fmt: skip
