"""Rules about the settings of a 16550: changed too early, in the wrong bank, before a handler.

The one idea: settings are written seldom, so here every access is looked at as closely as it takes.
What the driver wrote is noted as it meant it, whichever register of the bank it reached. Each rule
says in its docstring why a correct driver cannot trip it.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.kernel.bus import BusError
from emu.kernel.callers import asking_place, driver_stack, meeting
from emu.kernel.device import ReadPort, WritePort
from emu.kernel.interrupts import InterruptLine
from emu.kernel.where import Place, driver_place
from emu.rules.lost_errors import LostErrors
from emu.rules.uart16550_access import UartAccess
from emu.rules.uart16550_state import DLAB, DR, FLAGS_SHOWN, LOOP, NEVER, THRE

__all__ = ["SettingsWatch"]

_FORMAT, _BREAK = 0x3F, 0x40


class SettingsWatch:
    """Watch the settings of one controller.

    Args:
        access: what is noted of any access.
        lost: counts what the driver was shown of lost characters.
        line: the interrupt line of its controller, None without one.
    """

    def __init__(self, access: UartAccess, lost: LostErrors, line: InterruptLine | None) -> None:
        self._access = access
        self._lost = lost
        self._known = access.known
        self._uart = uart = access.uart
        self._board = board = access.board
        self._line = line
        ports = uart.ports
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

    def _cold_write(
        self, name: str, note: Callable[[int], None]
    ) -> Callable[[WritePort], WritePort]:
        def wrap(write: WritePort) -> WritePort:
            def write_cold(value: int) -> None:
                if not self._access.context.nobody:
                    if self._known.odd:
                        self._access.touched(name)
                    if name != "IER" or value != self._known.ier:
                        self._access.act(value)
                    note(value)
                    self._note_setting(name)
                try:
                    write(value)
                except BusError:
                    self._access.failed(name)
                    raise
                if name == "LCR" and value != self._uart.peek("LCR"):
                    self._known.misled = True

            return write_cold

        return wrap

    def _note_setting(self, name: str) -> None:
        """Note where a call that opens or closes wrote a setting last."""
        known = self._known
        if known.finishing:
            known.closing = asking_place()
        elif known.opening and name != "IER":
            code, line = driver_stack()[0]
            known.set_up_place = code.co_filename, line

    def _clock_asked(self) -> None:
        """Note where ``open`` asks for the clock, and so works out the divisor."""
        if self._access.context.here().name == "open":
            self._known.clock_place = driver_place()

    def _waits(self, _seconds: float, _waking: bool) -> None:
        """Note where ``close`` waits."""
        if self._known.finishing and not self._board.cpu.depth:
            self._known.waited = driver_stack()

    def _masks(self) -> None:
        """Note where ``close`` begins, should it never wait."""
        if not self._known.waited and not self._board.cpu.depth:
            self._known.waited = driver_stack()

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
            known = self._known
            earlier = known.opening and not getattr(known, f"{kept}_set")
            written = NEVER if earlier else getattr(known, kept)
            if name == "IER" and not self._board.cpu.depth:
                known.ier_read, known.handled_ier = value, None
            if value != self._uart.peek(name) or written not in (NEVER, value):
                self._access.context.here().disturbed = True
                self._known.ier_doubted |= name == "IER"

        return lambda read: self._access.cold_read(name, read, note)

    def _divisor_reader(self, name: str) -> Callable[[ReadPort], ReadPort]:
        def note(value: int) -> None:
            self._check_bank(name)
            self._access.act(value)  # it may have been meant for RBR
            written = self._known.dll if name == "DLL" else self._known.dlm
            if value != self._uart.peek(name) or written not in (NEVER, value):
                self._known.misled = True

        return lambda read: self._access.cold_read(name, read, note)

    def _lcr_write(self, value: int) -> None:
        known, held = self._known, self._uart.peek("LCR")
        before = held if known.lcr == NEVER else known.lcr
        if (value ^ held) & (value ^ before) & _FORMAT:
            self._check_leaving("LCR", "the word format is changed")
        elif value & ~held & ~before & _BREAK:
            self._check_leaving("LCR", "a break is begun")
        known.lcr_by = here = self._access.context.here()
        here.configured = True
        known.odd = bool(value & DLAB) or not known.is_open
        known.lcr, known.lcr_set = value, True
        known.lcr_place = asking_place()
        known.lcr_stack = driver_stack() if value & DLAB else ()
        known.lcr_depth = self._board.cpu.depth

    def _mcr_write(self, value: int) -> None:
        known = self._known
        before = self._uart.peek("MCR") if known.mcr == NEVER else known.mcr
        if value & ~before & LOOP and not self._uart.looped:
            self._check_leaving("MCR", "loopback is turned on")
        if (value | before) & LOOP:
            self._access.context.here().configured = True
            known.own = False
        known.mcr, known.mcr_set = value, True
        known.mcr_place = asking_place()

    def _dll_write(self, value: int) -> None:
        if self._note_divisor("DLL", value):
            self._known.dll = value

    def _dlm_write(self, value: int) -> None:
        if self._note_divisor("DLM", value):
            self._known.dlm = value
        else:
            self._ier_meant(value)

    def _note_divisor(self, name: str, value: int) -> bool:
        """Take a write to the divisor latch in; return False if it was meant for THR or IER."""
        if not self._known.divisor_shown(self._uart):
            return False
        self._check_bank(name)
        before = self._known.dll if name == "DLL" else self._known.dlm
        if value not in (before, self._uart.peek(name)):
            self._check_leaving(name, "the divisor is changed")
        self._access.context.here().configured = True
        self._known.divisor_place = place = asking_place()
        if name == "DLL":
            self._known.dll_place = place
        else:
            self._known.dlm_place = place
        return True

    def _check_bank(self, name: str) -> None:
        """Report a handler in the bank that the main code selected (``bank-clobbered``).

        No false alarm: a handler that wants the divisor latch selects it itself. Accused is only a
        handler nested in code that set DLAB, as far as that code knows, and has not cleared it.
        Named is the line that set DLAB; in an ``open`` that had let interrupts in, that one.
        """
        known, depth = self._known, self._board.cpu.depth
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
        path = f"{self._uart.name}.{name}"
        self._access.context.findings.report("bank-clobbered", text, register=path, place=place)

    def _check_leaving(self, register: str, what: str) -> None:
        """Report a change under the driver's own characters.

        (``config-while-shifting``, ``thre-taken-for-idle``.) No false alarm: whoever saw TEMT after
        the last character, or waited for as long as what it wrote since THRE takes on the line, is
        not accused, even if the transmitter is stuck; nor who copes with a fault.
        """
        known = self._known
        if not self._access.still_sending or self._access.context.here().disturbed:
            return
        if known.seen & THRE:
            text = f"{what} while the last character is in the shift register: THRE was seen, TEMT "
            self._access.report("thre-taken-for-idle", text + "not", register)
        else:
            self._access.report(
                "config-while-shifting", f"{what} while characters are leaving", register
            )

    # IER and the handler

    def _ier_write(self, value: int) -> None:
        if not self._known.divisor_shown(self._uart):
            self._ier_meant(value)

    def _ier_meant(self, value: int) -> None:
        known, cpu = self._known, self._board.cpu
        here = self._access.context.here()
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
        known = self._known
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
        known = self._known
        if line is not self._line or not on:
            return
        known.connect_place = driver_place()
        early, known.early_place = known.early_place, None
        if early is None or not self._uart.irq.level or self._access.context.here().disturbed:
            return
        self._access.context.findings.report(
            "enabled-before-handler",
            f"IER = {known.ier:#04x} let an interrupt in before a handler was connected",
            register=f"{self._uart.name}.IER",
            place=early,
        )

    # FCR

    def _fcr_write(self, value: int) -> None:
        known, here = self._known, self._access.context.here()
        if value & 2:
            self._check_throwing_away(value)
        self._check_unsent(value)
        known.cleared |= bool(value & 2) or bool(value & 1) != bool(self._uart.peek("IIR") & 0xC0)
        turned = known.fcr == NEVER or bool((known.fcr ^ value) & 1)
        known.fcr = value
        known.fcr_place = asking_place()
        known.wide |= bool(value & 0x20) and self._uart.settings["fifo"] == 64
        known.level = known.trigger(self._uart)
        if value & 6 or turned:
            here.flushed = True
        if value & 2 or turned:
            known.promised = 0
            known.seen &= ~(DR | FLAGS_SHOWN)
        if value & 4 or turned:
            known.own = False
            self._access.refill()

    def _check_unsent(self, value: int) -> None:
        """Suspect the clearing of a transmit FIFO that holds characters of the driver's own.

        (``transmit-fifo-cleared``.) No false alarm: ``open`` may; so may whoever has waited for as
        long as the characters take, since they are stuck then, and whoever sets the device up again
        or copes with a fault in the same call. ``close`` has to wait so long, and is told where it
        waited last.
        """
        uart, here = self._uart, self._access.context.here()
        unsent, fifo_on = uart.transmit_level, bool(uart.peek("IIR") & 0xC0)
        meant = fifo_on if self._known.fcr == NEVER else bool(self._known.fcr & 1)
        clears = bool(value & 1) != meant or bool(fifo_on and value & 4)
        has_fifo = uart.settings["fifo"] > 0
        closing = here.name == "close"
        if here.setting_up and not closing:
            return
        if not (unsent and clears and has_fifo and self._access.still_sending):
            return
        place = self._waited_before() if closing else None
        text = f"{unsent} characters that were handed over are thrown away unsent"
        self._access.context.hold(
            "transmit-fifo-cleared",
            f"close waits no longer here: {text}" if place else text,
            register=f"{uart.name}.FCR", place=place,
            excused=lambda: (here.configured and not closing) or here.disturbed,
        )  # fmt: skip

    def _waited_before(self) -> Place | None:
        """Return where a call waited last, in the function that also makes the access at hand."""
        known = self._known
        met = meeting(known.waited, driver_stack())
        return met[0] if met else None

    def _check_throwing_away(self, value: int) -> None:
        """Suspect the clearing of a receive FIFO that holds characters.

        (``fifo-cleared-with-data``.) No false alarm: ``open`` and ``close`` may, and so may whoever
        sets the device up again, turns FIFOs on that were off, was shown an error, or counts the
        loss by the end of the call.
        """
        uart, here = self._uart, self._access.context.here()
        fifo_on = uart.peek("IIR") & 0xC0
        level = uart.receive_level
        if here.setting_up or not level or not fifo_on or not value & 1 or uart.looped:
            return
        before = self._lost.overruns()
        if before is None or here.flags:
            return
        self._access.context.hold(
            "fifo-cleared-with-data",
            f"{level} received characters are thrown away unread",
            register=f"{uart.name}.FCR",
            excused=lambda: here.configured or here.disturbed or bool(here.flags)
            or self._lost.overruns() != before,
        )  # fmt: skip
