"""Why a controller that a driver waits for will not interrupt, and why another never stops.

The one idea: a driver that sleeps for ever mostly waits for something that the controller has long
been ready to tell, and was never allowed to; a driver in a storm mostly lets one cause alone. Both
are in the controller's registers when the run ends.
"""

from __future__ import annotations

from emu.devices.uart16550 import Uart16550

__all__ = ["why_asking", "why_silent"]

_SERVED_BY = {
    0: ("a change of the modem lines", "MSR is read"),
    1: ("THR empty", "IIR is read, THR written or IER.ETBEI cleared"),
    2: ("received data", "RBR is read until the level is below the trigger"),
    3: ("line status", "LSR is read"),
    6: ("character time-out", "RBR is read"),
}  # PC16550D, Table IV; a cleared enable bit takes its cause away (8.7)


def why_silent(uart: Uart16550, call: str) -> str:
    """Return the end of a sentence that says what `call` waits for in vain, empty if unknown."""
    if uart.irq.level:
        return "; its controller asks for an interrupt that nobody serves"
    if call == "read" and uart.receive_level and not uart.peek("IER.ERBFI"):
        return "; characters are there, but IER.ERBFI is 0, so that none is told of"
    if call in ("write", "drain", "close") and uart.peek("LSR.THRE") and not uart.peek("IER.ETBEI"):
        return "; the transmitter is empty, but IER.ETBEI is 0, so that it never interrupts"
    return ""


def why_asking(uart: Uart16550) -> str:
    """Return the end of a sentence that says what keeps the interrupt line up, empty if unknown."""
    if not uart.irq.level:
        return ""
    if uart.peek("IIR.NONE"):
        return "; IIR shows no cause, so something else holds the line up"
    source, served = _SERVED_BY.get(uart.peek("IIR.ID"), ("", ""))
    return f"; the cause is {source}, which goes when {served}" if source else ""
