"""What a driver of a 16550 was shown and what it tried to write: the facts its rules judge by.

The one idea: a driver is judged by its own knowledge. So these are values as they came back to it,
after any fault, and values that it tried to write, whether or not they arrived. Device truth is
looked at besides, to say nothing where no harm was done, and never alone.
"""

from __future__ import annotations

from collections.abc import Callable

from emu.devices.uart16550 import Uart16550
from emu.kernel.callers import Stack
from emu.kernel.where import Place
from emu.rules.context import Activation
from emu.units import LineSettings

__all__ = ["DLAB", "DR", "FLAGS_SHOWN", "LOOP", "NEVER", "TEMT", "THRE", "Known"]

DR, THRE, TEMT = 0x01, 0x20, 0x40
DLAB, LOOP = 0x80, 0x10
FLAGS_SHOWN = 0x800  # bit of `Known.seen` that reading RBR clears
NEVER = -1
_NOWHERE: Place = ("", 0)


class Known:
    """Hold what the driver of one controller knows.

    Attributes:
        seen: LSR bits that LSR, or THRE that IIR, showed since they were last used up; bits 8 to
            10 mark a handler, a masked block and an ``open`` in which RBR was not read yet, bit 11
            that the flags of the character at hand were shown.
        promised: characters that an interrupt promised and that were not read yet.
        doubted: those of them among which LSR told of an error.
        level: characters that a received-data interrupt promises, once IIR showed FIFOs.
        room: characters that may still be written since THRE was last seen.
        notable: LSR bits that are worth a closer look.
        odd: whether every access is worth a closer look: none is expected now.
        own: whether characters for the line were written; only TEMT in `seen` says they have left.
        filled: how many were written since THRE was last seen.
        fed_by_handler: whether a handler has filled the transmitter since the latest ``open``.
        room_taken, data_taken: what a handler had interrupted that used up what main code had seen
            of THRE or DR, None since that was seen again.
        written_ps: when the last one was written.
        lcr, mcr, ier, fcr: what it last tried to write, `NEVER` if it did not.
        dll, dlm: likewise, since the latest ``open`` began.
        fcr_place: where it wrote FCR in the latest ``open``, None if it did not.
        cleared: whether it tried to clear the receive FIFO in the latest ``open``.
        stale: characters that lay in the receiver when ``open`` began.
        lcr_by: which activation wrote LCR last; lcr_stack, by which functions, if it set DLAB.
        opening: whether ``open`` is under way.
        set_up_place: where ``open`` itself had a setting of the line written last, None if not.
        closing: where ``close`` or ``drain`` wrote a setting last, None if it did not.
        waited: by which functions ``close`` or ``drain`` waited last.
        clock_place: where ``open`` asked for the clock that the divisor is worked out from.
        let_in: which ``open`` enabled interrupts, and by which functions.
        lcr_set, mcr_set, ier_set: whether they were written since the latest ``open`` began.
        acked_ps, acked_place: when and where IIR showed THRE last, which takes that interrupt away.
        main_ier_place: where main code wrote IER last in the latest call, None if it did not.
        ier_read: what main code read from IER, None once it was judged by it.
        handled_ier: what a handler wrote to IER since then, None if it did not.
        undone: where main code wrote to IER again what a handler had cleared, None if it did not.
        receive_off: where ERBFI was cleared between ``open`` and ``close``, None while it is set.
        unarmed: called when LSR shows DR after a read has slept with ERBFI cleared.
        ier_doubted: whether IER did not read as it was written.
        misled: whether the divisor latch was not what it looked, or LCR did not take a write.
        fifo_shown, fifo_denied: whether IIR ever said that FIFOs are on, or off despite FCR.
        probed: whether it overfilled the transmitter in loopback.
        wide: whether it asked for 64 bytes of FIFO, or was told of them.
        line: what ``open`` was asked for.
    """

    __slots__ = (
        "acked_place", "acked_ps", "cleared", "clock_place", "closed_serial", "closing",
        "connect_place", "data_taken", "divisor_place", "dll", "dll_place", "dlm", "dlm_place",
        "doubted", "early_place", "fcr", "fcr_place", "fed_by_handler", "fifo_denied",
        "fifo_shown", "filled", "finishing", "handled_ier", "idle_place", "ier", "ier_doubted",
        "ier_place", "ier_read", "ier_set", "is_open", "lcr", "lcr_by", "lcr_depth", "lcr_place",
        "lcr_set", "lcr_stack", "let_in", "level", "line", "main_ier_place", "mcr", "mcr_place",
        "mcr_set", "misled", "notable", "odd", "opening", "own", "probed", "promised",
        "receive_off", "room", "room_taken", "seen", "set_up_place", "stale", "unarmed", "undone",
        "waited", "wide", "written_ps",
    )  # fmt: skip

    def __init__(self) -> None:
        self.level = 1
        self.seen = self.promised = self.doubted = self.room = self.filled = 0
        self.room_taken: Stack | None = None
        self.data_taken: Stack | None = None
        self.written_ps = 0
        self.notable = ERROR_BITS
        self.odd = True
        self.own = False
        self.lcr = self.mcr = self.ier = self.fcr = NEVER
        self.lcr_depth = 0
        self.fifo_shown = self.fifo_denied = self.probed = self.wide = False
        self.lcr_by: Activation | None = None
        self.lcr_stack: Stack = ()
        self.waited: Stack = ()
        self.acked_ps = NEVER
        self.acked_place = _NOWHERE
        self.main_ier_place: Place | None = None
        self.ier_read: int | None = None
        self.handled_ier: int | None = None
        self.undone: Place | None = None
        self.unarmed: Callable[[], None] | None = None
        self.opening = False
        self.closing: Place | None = None
        self.let_in: tuple[Activation, Stack] | None = None
        self.is_open = False
        self.closed_serial = NEVER
        self.finishing = False
        self.line: LineSettings | None = None
        self.lcr_place = self.mcr_place = self.ier_place = _NOWHERE
        self.divisor_place = self.dll_place = self.dlm_place = self.connect_place = _NOWHERE
        self.stale = 0
        self.early_place: Place | None = None
        self.idle_place: Place | None = None
        self.forget_settings()

    def forget_settings(self) -> None:
        """Begin to note afresh what ``open`` sets."""
        self.dll = self.dlm = NEVER
        self.lcr_set = self.mcr_set = self.misled = self.cleared = False
        self.ier_set = self.ier_doubted = self.fed_by_handler = False
        self.fcr_place: Place | None = None
        self.clock_place: Place | None = None
        self.set_up_place: Place | None = None
        self.receive_off: Place | None = None

    def divisor_shown(self, uart: Uart16550) -> bool:
        """Say whether the driver, as far as it knows, has the divisor latch at offsets 0 and 1."""
        lcr = uart.peek("LCR") if self.lcr == NEVER else self.lcr
        return bool(lcr & DLAB)

    def has_fifo(self, uart: Uart16550) -> bool:
        """Say whether the driver may count on FIFOs.

        A part without them that said so in IIR has none, whatever was written to FCR.
        """
        if self.fcr == NEVER or not self.fcr & 1:
            return False
        return bool(uart.settings["fifo"]) or self.fifo_shown or not self.fifo_denied

    def depth(self, uart: Uart16550) -> int:
        """Return how many characters the driver may take the transmitter to hold.

        Who measured that in loopback goes by the result, even if the status lied meanwhile.
        """
        if not self.has_fifo(uart) and not (self.probed and self.fcr & 1):
            return 1
        return 64 if self.wide else 16

    def trigger(self, uart: Uart16550) -> int:
        """Return how many characters a received-data interrupt promises, at most."""
        if not self.has_fifo(uart):
            return 1
        levels = (1, 16, 32, 56) if self.wide else (1, 4, 8, 14)
        return levels[self.fcr >> 6 & 3]


ERROR_BITS = 0x9E  # OE, PE, FE, BI, and an error somewhere in the FIFO
