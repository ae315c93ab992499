"""What a driver of a 16550 was shown and what it tried to write: the facts its rules judge by.

The one idea: a driver is judged by its own knowledge. So these are values as they came back to it,
after any fault, and values that it tried to write, whether or not they arrived. Device truth is
looked at besides, to say nothing where no harm was done, and never alone.
"""

from __future__ import annotations

from emu.devices.uart16550 import Uart16550
from emu.kernel.where import Place
from emu.rules.context import Activation
from emu.units import LineSettings

__all__ = ["DLAB", "DR", "LOOP", "NEVER", "TEMT", "THRE", "Known"]

DR, THRE, TEMT = 0x01, 0x20, 0x40
DLAB, LOOP = 0x80, 0x10
NEVER = -1
_NOWHERE: Place = ("", 0)


class Known:
    """Hold what the driver of one controller knows.

    Attributes:
        seen: LSR bits that LSR, or THRE that IIR, showed since they were last used up; bits 8 to
            10 mark a handler, a masked block and an ``open`` in which RBR was not read yet, bit 11
            that the flags of the character at hand were shown.
        promised: characters that an interrupt promised and that were not read yet.
        level: characters that a received-data interrupt promises, once IIR showed FIFOs.
        room: characters that may still be written since THRE was last seen.
        notable: LSR bits that are worth a closer look.
        odd: whether every access is worth a closer look: none is expected now.
        own: whether characters for the line were written; only TEMT in `seen` says they have left.
        filled: how many were written since THRE was last seen.
        written_ps: when the last one was written.
        lcr, mcr, ier, fcr: what it last tried to write, `NEVER` if it did not.
        dll, dlm: likewise, since the latest ``open`` began.
        fcr_place: where it wrote FCR in the latest ``open``, None if it did not.
        cleared: whether it tried to clear the receive FIFO in the latest ``open``.
        stale: characters that lay in the receiver when ``open`` began.
        lcr_by: which activation wrote LCR last.
        lcr_set, mcr_set: whether ``open`` wrote them.
        misled: whether the divisor latch was not what it looked, or LCR did not take a write.
        fifo_shown, fifo_denied: whether IIR ever said that FIFOs are on, or off despite FCR.
        probed: whether it overfilled the transmitter in loopback.
        wide: whether it asked for 64 bytes of FIFO, or was told of them.
        line: what ``open`` was asked for.
    """

    __slots__ = (
        "cleared", "closed_serial", "connect_place", "divisor_place", "dll", "dll_place", "dlm",
        "dlm_place", "early_place", "fcr", "fcr_place", "fifo_denied", "fifo_shown", "filled",
        "finishing", "idle_place", "ier",
        "ier_place", "is_open", "lcr", "lcr_by", "lcr_depth", "lcr_place", "lcr_set",
        "level", "line", "mcr", "mcr_place", "mcr_set", "misled", "notable", "odd", "own",
        "probed", "promised", "room", "seen", "stale", "wide", "written_ps",
    )  # fmt: skip

    def __init__(self) -> None:
        self.level = 1
        self.seen = self.promised = self.room = self.filled = 0
        self.written_ps = 0
        self.notable = ERROR_BITS
        self.odd = True
        self.own = False
        self.lcr = self.mcr = self.ier = self.fcr = NEVER
        self.lcr_depth = 0
        self.fifo_shown = self.fifo_denied = self.probed = self.wide = False
        self.lcr_by: Activation | None = None
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
        self.fcr_place: Place | None = None

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
