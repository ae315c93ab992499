"""Register map of the 16550 family, as declarations.

Source: PC16550D Universal Asynchronous Receiver/Transmitter with FIFOs, National Semiconductor,
TL/C/8652, June 1995: section 6.0 (addresses), Table I (reset), Table II and 8.1 to 8.10 (bits).
FCR bit 5 and IIR bit 5 after the TL16C750 (Texas Instruments, SLLS191C).
"""

from __future__ import annotations

from emu.kernel.register import Field, Register
from emu.line.frame import FrameFormat

__all__ = ["NOTES", "REGISTERS", "frame_in"]

_TRIGGER = {0: "1", 1: "4 or 16", 2: "8 or 32", 3: "14 or 56"}
_SOURCE = {0: "modem status", 1: "THR empty", 2: "received data", 3: "line status",
           6: "character time-out"}  # fmt: skip
_PARITY = ("none", "odd", "none", "even", "none", "mark", "none", "space")


def _flag(name: str, low: int, meaning: str, **more: object) -> Field:
    return Field(name, low, 1, meaning, **more)  # type: ignore[arg-type]


def _delta(name: str, low: int, meaning: str) -> Field:
    return _flag(name, low, meaning, sw="r", hwset=True, onread="rclr")


def _error(name: str, low: int, meaning: str) -> Field:
    return _flag(name, low, meaning, sw="r", onread="rclr")


REGISTERS = (
    Register(
        "RBR", 0,
        (Field("DATA", 0, 8, "oldest received character", reset=None, sw="r", onread="ruser"),),
        meaning="receiver buffer", bank=0, only="r",
    ),
    Register(
        "THR", 0,
        (Field("DATA", 0, 8, "next character to send", reset=None, sw="w", onwrite="wuser"),),
        meaning="transmitter holding", bank=0, only="w",
    ),
    Register(
        "IER", 1,
        (
            _flag("ERBFI", 0, "received data available and character time-out"),
            _flag("ETBEI", 1, "transmitter holding register empty"),
            _flag("ELSI", 2, "receiver line status"),
            _flag("EDSSI", 3, "modem status"),
        ),
        meaning="interrupt enable", bank=0,
    ),
    Register(
        "IIR", 2,
        (
            _flag("NONE", 0, "0 while an interrupt is pending", reset=1, sw="r"),
            Field("ID", 1, 3, "highest source pending", sw="r", onread="ruser", values=_SOURCE),
            _flag("FIFO64", 5, "64-byte FIFOs are on", sw="r"),
            Field("FIFO", 6, 2, "both 1 while the FIFOs are on", sw="r"),
        ),
        meaning="interrupt identification", only="r",
    ),
    Register(
        "FCR", 2,
        (
            _flag("ENABLE", 0, "turn both FIFOs on; a change clears them", sw="w"),
            _flag("RESET_RX", 1, "clear the receiver FIFO", sw="w", singlepulse=True),
            _flag("RESET_TX", 2, "clear the transmitter FIFO", sw="w", singlepulse=True),
            _flag("DMA_MODE", 3, "mode of the RXRDY and TXRDY pins", sw="w"),
            _flag("FIFO64", 5, "64-byte FIFOs; takes effect with LCR.DLAB = 1", sw="w"),
            Field("TRIGGER", 6, 2, "receiver trigger level", sw="w", values=_TRIGGER),
        ),
        meaning="FIFO control", only="w",
    ),
    Register(
        "LCR", 3,
        (
            Field("WLS", 0, 2, "data bits less 5", values={0: "5", 1: "6", 2: "7", 3: "8"}),
            _flag("STB", 2, "1.5 stop bits with 5 data bits, else 2"),
            _flag("PEN", 3, "parity"),
            _flag("EPS", 4, "even parity"),
            _flag("STICK", 5, "parity bit fixed to the complement of EPS"),
            _flag("BREAK", 6, "hold the output at space"),
            _flag("DLAB", 7, "show the divisor latch at offsets 0 and 1"),
        ),
        meaning="line control",
    ),
    Register(
        "MCR", 4,
        (
            _flag("DTR", 0, "data terminal ready"),
            _flag("RTS", 1, "request to send"),
            _flag("OUT1", 2, "auxiliary output 1"),
            _flag("OUT2", 3, "auxiliary output 2"),
            _flag("LOOP", 4, "local loopback"),
        ),
        meaning="modem control",
    ),
    Register(
        "LSR", 5,
        (
            _flag("DR", 0, "a received character is waiting", sw="r"),
            _error("OE", 1, "a character was lost since the last read"),
            _error("PE", 2, "parity error of the oldest character"),
            _error("FE", 3, "framing error of the oldest character"),
            _error("BI", 4, "the oldest character is a break"),
            _flag("THRE", 5, "room to send: holding register or FIFO empty", reset=1, sw="r"),
            _flag("TEMT", 6, "nothing left to send, shift register included", reset=1, sw="r"),
            _flag("FIFOE", 7, "an error somewhere in the receiver FIFO", sw="r"),
        ),
        meaning="line status",
    ),
    Register(
        "MSR", 6,
        (
            _delta("DCTS", 0, "CTS changed since the last read"),
            _delta("DDSR", 1, "DSR changed since the last read"),
            _delta("TERI", 2, "RI ended since the last read"),
            _delta("DDCD", 3, "DCD changed since the last read"),
            _flag("CTS", 4, "clear to send", reset=None, sw="r"),
            _flag("DSR", 5, "data set ready", reset=None, sw="r"),
            _flag("RI", 6, "ring indicator", reset=None, sw="r"),
            _flag("DCD", 7, "data carrier detect", reset=None, sw="r"),
        ),
        meaning="modem status",
    ),
    Register("SCR", 7, (Field("DATA", 0, 8, "no effect"),), meaning="scratch"),
    Register(
        "DLL", 0,
        (Field("LOW", 0, 8, "divisor, low byte", reset=None),),
        meaning="divisor latch, low byte", bank=1,
    ),
    Register(
        "DLM", 1,
        (Field("HIGH", 0, 8, "divisor, high byte", reset=None),),
        meaning="divisor latch, high byte", bank=1,
    ),
)  # fmt: skip

NOTES = (
    "Baud rate = clock / (16 x divisor). A divisor of 0 stops the line.",
    (
        "With the FIFOs on, LSR.THRE means room for as many characters as the FIFO holds; without "
        "them, for one. A character written without room is lost."
    ),
    (
        "LSR.PE, FE and BI belong to the oldest character, the one that RBR gives next. Reading "
        "LSR clears OE, PE, FE and BI, so whoever reads it must keep what it saw. A break comes "
        "as a zero character."
    ),
    (
        "Interrupt sources, highest first, and what clears them: line status (reading LSR), "
        "received data (reading RBR until the level is below the trigger), character time-out "
        "(reading RBR; it comes when characters wait and none came or went for four character "
        "times), THR empty (reading IIR while it shows this source, or writing THR), modem status "
        "(reading MSR)."
    ),
    "Enabling IER.ETBEI while the transmitter has room raises THR empty at once.",
)


def frame_in(lcr: int) -> FrameFormat:
    """Return the word format that a value of LCR asks for (8.1)."""
    data_bits = 5 + (lcr & 3)
    stop = (3 if data_bits == 5 else 4) if lcr & 4 else 2
    return FrameFormat(data_bits, _PARITY[lcr >> 3 & 7], stop)
